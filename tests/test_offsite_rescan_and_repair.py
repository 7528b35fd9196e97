"""The third place is looked at again: what rotted, vanished or appeared there, and repairing both ways.

Against a real server whose stored bytes are changed behind its back, and against a plain folder on a disk.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
from pathlib import Path

import pytest
from offsite_world import BIG, Offsite, credentials_for, paths_on
from s3_gateway import Gateway
from world import World

pytestmark = pytest.mark.usefixtures("credentials")


@pytest.fixture
def credentials(monkeypatch: pytest.MonkeyPatch) -> None:
    credentials_for(monkeypatch)


def sent(world: World, gateway: Gateway, count: int = 3, *, size: int = 64 << 10) -> tuple[Offsite, list[str]]:
    """So many selects that are offsite, and their keys."""
    offsite = Offsite(world, gateway).setup()
    offsite.chosen(count, size=size)
    assert offsite.send().sent == count
    return offsite, sorted(paths_on(world))


def kinds(answer: dict[str, object]) -> list[tuple[str, str]]:
    found = answer["findings"]
    assert isinstance(found, list)
    return sorted((one["kind"], one["path"]) for one in found)


def test_what_lies_there_as_it_should_is_read_back_and_costs_what_is_said(world: World, gateway: Gateway) -> None:
    sent(world, gateway)
    world.settings("[offsite]\nprice_per_gb = 90.0\n")
    answer = world.run("rescan", "--place", "offsite", "--json")
    assert answer.status == 0, answer.out
    assert (answer.json["read_back"], answer.json["finished"], answer.json["findings"]) == (3, True, [])
    assert answer.json["checked"] == 3
    size = 3 * (64 << 10)
    assert answer.json["cost"] == {"bytes": size, "of_bytes": size, "price": round(size / 1e9 * 90, 4)}


def test_a_budget_is_kept_and_the_next_night_goes_on(world: World, gateway: Gateway) -> None:
    sent(world, gateway, 5)
    world.settings('[offsite]\nread_back = "140 kB"\n')
    read = [world.run("rescan", "--place", "offsite", "--json").json["read_back"] for _ in range(3)]
    assert read == [2, 2, 2]
    with world.ctx() as ctx:
        assert ctx.catalog.fetch_one("SELECT count(*) FROM objects WHERE verified_by = 'read'") == (5,)


def test_a_byte_that_rotted_at_the_provider_is_found_and_a_good_one_sent_beside_it(
    world: World, gateway: Gateway
) -> None:
    offsite, keys = sent(world, gateway)
    gateway.rot(offsite.bucket, f"tour 26/{keys[1]}")
    assert world.run("rescan", "--place", "offsite", "--quick", "--json").json["findings"] == []
    answer = world.run("rescan", "--place", "offsite", "--json")
    assert kinds(answer.json) == [("corrupt", keys[1])]
    assert world.run("report").status == 1
    repaired = world.run("repair", "--json")
    assert [(one["kind"], one["path"]) for one in repaired.json["repaired"]] == [("corrupt", keys[1])]
    good = paths_on(world)[keys[1]]
    objects = offsite.objects()
    assert objects[keys[1]] != good, "the bad one stays under its key"
    assert objects[keys[1].replace(".DNG", "-2.DNG")] == good
    assert world.run("rescan", "--place", "offsite", "--all", "--json").json["findings"] == []
    assert world.run("report").status == 0


def test_what_vanished_is_missing_and_sent_again_under_its_own_key(world: World, gateway: Gateway) -> None:
    offsite, keys = sent(world, gateway)
    gateway.ask("DELETE", f"/{offsite.bucket}/tour 26/{keys[0]}")
    answer = world.run("rescan", "--place", "offsite", "--quick", "--json")
    assert kinds(answer.json) == [("missing", keys[0])]
    would = world.run("repair", "--dry-run", "--json")
    assert (would.status, [one["path"] for one in would.json["repaired"]]) == (1, [keys[0]])
    assert len(offsite.objects()) == len(keys) - 1
    assert world.run("repair").status == 0
    assert offsite.objects() == paths_on(world)


def test_what_somebody_put_in_its_place_is_altered_and_left_there(world: World, gateway: Gateway) -> None:
    offsite, keys = sent(world, gateway)
    gateway.ask("PUT", f"/{offsite.bucket}/tour 26/{keys[0]}", body=b"another's")
    gateway.ask("PUT", f"/{offsite.bucket}/tour 26/hello.txt", body=b"a stranger's")
    answer = world.run("rescan", "--place", "offsite", "--quick", "--json")
    assert kinds(answer.json) == [("altered", keys[0]), ("stray", "hello.txt")]
    told = world.run("repair").out
    assert "stay under their keys" in told
    assert "quarantine" not in told
    repaired = world.run("repair", "--json").json
    assert [one["path"] for one in repaired["not_repaired"]] == ["hello.txt"]
    assert offsite.get(keys[0]) == b"another's"
    assert offsite.get("hello.txt") == b"a stranger's"


def test_the_same_bytes_put_there_again_are_no_finding(world: World, gateway: Gateway) -> None:
    offsite, keys = sent(world, gateway)
    content = (world.drives["A"] / keys[0]).read_bytes()
    assert offsite.gateway.ask("PUT", f"/{offsite.bucket}/tour 26/{keys[0]}", body=content)[0] == 200
    assert world.run("rescan", "--place", "offsite", "--json").json["findings"] == []


def test_a_picture_that_is_lost_on_both_drives_comes_back_from_offsite(world: World, gateway: Gateway) -> None:
    _, keys = sent(world, gateway)
    before = paths_on(world)
    for drive in world.drives.values():
        (drive / keys[2]).unlink()
    world.run("rescan", "--quick")
    answer = world.run("repair", "--json")
    assert answer.status == 0, answer.out
    assert sorted(one["place"] for one in answer.json["repaired"]) == ["A", "B"]
    assert paths_on(world) == before


def test_a_rotten_object_is_not_made_a_picture_of(world: World, gateway: Gateway) -> None:
    offsite, keys = sent(world, gateway)
    gateway.rot(offsite.bucket, f"tour 26/{keys[0]}")
    for drive in world.drives.values():
        (drive / keys[0]).unlink()
    world.run("rescan", "--quick")
    answer = world.run("repair", "--json")
    assert answer.status == 1
    assert [one["path"] for one in answer.json["repaired"]] == []
    assert not (world.drives["A"] / keys[0]).exists()


def test_a_large_object_is_read_back_in_pieces(world: World, gateway: Gateway) -> None:
    sent(world, gateway, 1, size=BIG)
    assert world.run("rescan", "--place", "offsite", "--json").json["read_back"] == 1


def test_the_catalog_is_offsite_in_a_few_generations(world: World, gateway: Gateway) -> None:
    import gzip

    offsite = Offsite(world, gateway).setup()
    card = world.card()
    card.frames(5)
    assert world.run("offload", card.root, "--shoot", "Harbour").status == 0
    for number in range(1, 6):
        world.run("selects", "add", f"ORR_{number:04d}")
        assert world.run("upload").status == 0
        world.process("--version")  # a second goes by: names of snapshots carry one
    listed = gateway.ask(
        "GET", f"/{offsite.bucket}", {"list-type": "2", "prefix": "tour 26/.tripleguard/catalog/"}
    )
    keys = re.findall(r"<Key>([^<]*)</Key>", listed[1].decode())
    assert 1 <= len(keys) <= 3
    newest = gzip.decompress(gateway.ask("GET", f"/{offsite.bucket}/{max(keys)}")[1])
    assert newest.startswith(b"SQLite format 3")


def test_a_folder_at_home_is_a_third_place_too(world: World) -> None:
    home = world.folder("nas")
    assert world.run("setup", "--offsite", home).status == 0
    card = world.card()
    card.frames(3)
    assert world.run("offload", card.root, "--shoot", "Harbour").status == 0
    world.run("selects", "add", "ORR_0001", "ORR_0002")
    answer = world.run("upload", "--json")
    assert (answer.status, answer.json["sent"]) == (0, 2), answer.err
    wanted = {path: digest for path, digest in paths_on(world).items() if "0003" not in path}
    for path in wanted:
        assert (home / path).read_bytes() == (world.drives["A"] / path).read_bytes()
    first = min(wanted)
    content = bytearray((home / first).read_bytes())
    content[100] ^= 1
    (home / first).write_bytes(content)
    found = world.run("rescan", "--place", "offsite", "--json").json
    assert [path for _, path in kinds(found)] == [first]
    assert world.run("repair").status == 0
    assert (home / first.replace(".DNG", "-2.DNG")).read_bytes() == (world.drives["A"] / first).read_bytes()
    assert bytes(content) == (home / first).read_bytes()


def test_what_lies_in_the_folder_under_that_name_and_size_is_read_before_it_is_believed(world: World) -> None:
    home = world.folder("nas")
    world.run("setup", "--offsite", home)
    card = world.card()
    card.frames(1)
    assert world.run("offload", card.root, "--shoot", "Harbour").status == 0
    world.run("selects", "add", "ORR_0001")
    (path,) = paths_on(world)
    (home / path).parent.mkdir(parents=True)
    (home / path).write_bytes(bytes(64 << 10))
    assert world.run("upload", "--json").json["sent"] == 1
    assert (home / path).read_bytes() == bytes(64 << 10)
    assert (home / path.replace(".DNG", "-2.DNG")).read_bytes() == (world.drives["A"] / path).read_bytes()


def test_a_folder_that_is_not_mounted_is_told_and_nothing_is_written(world: World) -> None:
    home = world.folder("nas")
    world.run("setup", "--offsite", home)
    card = world.card()
    card.frames(1)
    world.run("offload", card.root)
    world.run("selects", "add", "ORR_0001")
    away = home.rename(world.root / "elsewhere")
    home.mkdir()
    assert world.run("upload").status == 3
    assert list(home.iterdir()) == []
    home.rmdir()
    Path(away).rename(home)
    assert world.run("upload").status == 0


def test_the_whole_bag_is_lost_and_the_bucket_alone_knows_what_was_where(world: World, gateway: Gateway) -> None:
    offsite, keys = sent(world, gateway)
    before = paths_on(world)
    shutil.rmtree(world.home)
    for drive in world.drives.values():
        shutil.rmtree(drive)
    answer = world.run("rebuild", offsite.url, "--json")
    assert answer.json["files"] == 3, answer.err
    found = world.run("rescan", "--place", "offsite", "--all", "--json").json
    assert (found["read_back"], found["findings"]) == (3, [])
    copies = [
        copy for key in keys for copy in world.run("where", Path(key).stem, "--json").json["files"][0]["copies"]
    ]
    assert sum(copy["place"] == "offsite" and copy["verified_at"] is not None for copy in copies) == 3
    new = world.folder("drive-new")
    for lost in ("A", "B"):
        world.run("drives", "lost", lost)
    assert world.run("drives", "add", "C", new).status == 0
    assert offsite.objects() == before


def test_a_new_drive_is_filled_from_offsite_when_nothing_else_is_left(world: World, gateway: Gateway) -> None:
    _, keys = sent(world, gateway)
    before = paths_on(world)
    for name in ("A", "B"):
        world.unplug(name)
        world.run("drives", "lost", name)
    new = world.folder("drive-new")
    assert world.run("drives", "add", "C", new).status == 0
    answer = world.run("topup", "--json")
    assert answer.json["made"]["C"] == len(keys), answer.out
    world.drives = {"C": new}
    assert world.on("C") == before


def test_an_etag_is_no_hash_the_same_bytes_in_parts_have_another_and_are_no_finding(
    world: World, gateway: Gateway
) -> None:
    """What an ETag of parts looks like is habit and no promise: MD5 over the parts' MD5s, `-` and their number."""
    offsite, keys = sent(world, gateway, 1)
    path = f"/{offsite.bucket}/tour 26/{keys[0]}"
    content = (world.drives["A"] / keys[0]).read_bytes()
    upload = re.search(rb"<UploadId>(.*?)</UploadId>", gateway.ask("POST", path, {"uploads": ""})[1])
    assert upload is not None
    query = {"uploadId": upload[1].decode()}
    gateway.ask("PUT", path, query | {"partNumber": "1"}, content)
    part = f"<Part><PartNumber>1</PartNumber><ETag>{hashlib.md5(content).hexdigest()}</ETag></Part>"
    body = f"<CompleteMultipartUpload>{part}</CompleteMultipartUpload>".encode()
    assert gateway.ask("POST", path, query, body)[0] == 200
    listed = gateway.ask("GET", f"/{offsite.bucket}", {"list-type": "2", "prefix": f"tour 26/{keys[0]}"})[
        1
    ].decode()
    tag = hashlib.md5(hashlib.md5(content).digest()).hexdigest() + "-1"
    assert tag in listed
    assert tag.partition("-")[0] != hashlib.md5(content).hexdigest()
    answer = world.run("rescan", "--place", "offsite", "--quick", "--json").json
    assert (answer["read_back"], answer["findings"]) == (1, [])
    assert world.run("rescan", "--place", "offsite", "--quick", "--json").json["read_back"] == 0


@pytest.mark.parametrize("harm", ["emptied", "cut off", "rotted"])
def test_an_upload_looks_at_what_is_there_before_it_says_that_all_is(world: World, harm: str) -> None:
    """Nothing is owed by the catalog, and meanwhile the folder was emptied or its disk rots."""
    home = world.folder("nas")
    assert world.run("setup", "--offsite", home).status == 0
    card = world.card()
    card.frames(2)
    assert world.run("offload", card.root, "--shoot", "Harbour").status == 0
    world.run("selects", "add", "ORR_0001", "ORR_0002")
    assert world.run("upload").status == 0
    one, other = sorted(home.rglob("*.DNG"))
    whole, times = other.read_bytes(), other.stat()
    if harm == "emptied":
        one.unlink()
        other.unlink()
    else:
        other.write_bytes(whole[:1000] if harm == "cut off" else bytes(len(whole)))
        os.utime(other, ns=(times.st_atime_ns, times.st_mtime_ns))
    answer = world.run("upload")
    told = world.run("upload", "--json").json
    assert told["listed"] is True
    assert told["read_back"]["files"] == 2
    assert told["read_back"]["oldest"]
    assert "and proved there" not in answer.out
    assert "all of them were listed there just now" in answer.out
    assert "Read back there: 2 of 2, the one longest ago on 20" in answer.out
    if harm == "rotted":
        # A listing can't see that, and does not say that it did.
        assert "A listing does not see rot" in answer.out
    else:
        assert whole in [path.read_bytes() for path in home.rglob("*.DNG")]


def test_an_upload_that_may_not_use_the_line_says_that_nobody_looked(world: World) -> None:
    home = world.folder("nas")
    assert world.run("setup", "--offsite", home).status == 0
    card = world.card()
    card.frames(1)
    assert world.run("offload", card.root, "--shoot", "Harbour").status == 0
    world.run("selects", "add", "ORR_0001")
    assert world.run("upload").status == 0
    settings = (world.home / "settings.toml").read_text()
    world.settings(settings.replace("metered = false", "metered = true"))
    answer = world.run("upload")
    assert "what lies there was not looked at now" in answer.out
