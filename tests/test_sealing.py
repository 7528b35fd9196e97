"""What is sent offsite sealed can be opened by whoever has the key, with another program, and by nobody else.

The other end is the age library itself (`pyrage`), which is what a person would use; the format is
age-encryption.org/v1.
"""

from __future__ import annotations

import gzip
import re
import shutil
from pathlib import Path

import pytest
from faulty_network import Faults, Line
from offsite_world import BIG, Offsite, credentials_for
from s3_gateway import Gateway
from world import World

from tripleguard import checklist
from tripleguard.digest import compute_digest
from tripleguard.jobs.offsite.network import RetryPolicy

pyrage = pytest.importorskip("pyrage", reason="the extra `seal` is not installed")


@pytest.fixture(autouse=True)
def credentials(monkeypatch: pytest.MonkeyPatch) -> None:
    credentials_for(monkeypatch)


def sealed_world(world: World, gateway: Gateway, size: int = 64 << 10) -> tuple[Offsite, object]:
    """A world whose selects are sealed for a key that only the test has."""
    key = pyrage.x25519.Identity.generate()
    offsite = Offsite(world, gateway).setup()
    world.settings(f'[offsite]\nseal_for = ["{key.to_public()}"]\n')
    offsite.chosen(2, size=size)
    return offsite, key


def test_what_lies_there_is_opened_with_the_key_and_is_the_picture(world: World, gateway: Gateway) -> None:
    offsite, key = sealed_world(world, gateway)
    assert offsite.send().sent == 2
    there = offsite.objects()
    assert all(name.endswith(".DNG.age") for name in there)
    for name in there:
        content = offsite.get(name)
        assert content.startswith(b"age-encryption.org/v1\n")
        plain = (world.drives["A"] / name.removesuffix(".age")).read_bytes()
        assert pyrage.decrypt(content, [key]) == plain
        assert plain[:4096] not in content
    stranger = pyrage.x25519.Identity.generate()
    with pytest.raises(pyrage.DecryptError):
        pyrage.decrypt(content, [stranger])


def test_the_check_list_speaks_of_the_sealed_bytes_and_the_catalog_is_sealed_too(
    world: World, gateway: Gateway
) -> None:
    offsite, key = sealed_world(world, gateway)
    offsite.send()
    folder = "2026/2026-06-13 Harbour"
    listed = dict(checklist.parse_b3sum(offsite.get(f"{folder}/checksums.b3")))
    assert {f"{folder}/{name}": digest for name, digest in listed.items()} == offsite.objects()
    query = {"list-type": "2", "prefix": "tour 26/.tripleguard/catalog/"}
    (snapshot,) = re.findall(r"<Key>([^<]*)</Key>", gateway.ask("GET", f"/{offsite.bucket}", query)[1].decode())
    assert snapshot.endswith(".db.gz.age")
    packed = pyrage.decrypt(gateway.ask("GET", f"/{offsite.bucket}/{snapshot}")[1], [key])
    assert gzip.decompress(packed).startswith(b"SQLite format 3")


def test_a_sealed_upload_that_was_cut_off_goes_on_with_the_same_bytes(world: World, gateway: Gateway) -> None:

    with Line(gateway.port, Faults()) as line:
        key = pyrage.x25519.Identity.generate()
        offsite = Offsite(world, gateway, line.endpoint).setup()
        world.settings(f'[offsite]\nseal_for = ["{key.to_public()}"]\n')
        offsite.chosen(1, size=BIG)
        line.faults.cut_after = [6 << 20, *[1] * 200]
        few = RetryPolicy(
            first_wait_s=0.01, max_wait_s=0.02, max_tries=3, give_up_after_s=10.0, response_timeout_s=2.0
        )
        assert offsite.send(patience=few).sent == 0
        line.faults.cut_after = []
        before = line.received
        assert offsite.send().sent == 1
    assert line.received - before < BIG - 900_000, "the part that had arrived was sent again"
    (name,) = offsite.objects()
    plain = pyrage.decrypt(offsite.get(name), [key])
    assert compute_digest(plain) == compute_digest((world.drives["A"] / name.removesuffix(".age")).read_bytes())
    assert list((world.home / "scratch").iterdir()) == [], "what was sealed is not left behind"


def test_sealed_copies_are_read_back_as_they_lie_and_rot_in_them_is_found(world: World, gateway: Gateway) -> None:
    offsite, _ = sealed_world(world, gateway)
    offsite.send()
    assert world.run("rescan", "--place", "offsite", "--json").json["findings"] == []
    name = min(offsite.objects())
    gateway.rot(offsite.bucket, f"tour 26/{name}")
    found = world.run("rescan", "--place", "offsite", "--all", "--json").json["findings"]
    assert [(one["kind"], one["path"]) for one in found] == [("corrupt", name)]


def test_a_sealed_copy_is_no_source_without_its_key(world: World, gateway: Gateway) -> None:
    offsite, _ = sealed_world(world, gateway)
    offsite.send()
    name = min(offsite.objects()).removesuffix(".age")
    for drive in world.drives.values():
        (drive / name).unlink()
    world.run("rescan", "--quick")
    answer = world.run("repair")
    assert (answer.status, "--key FILE" in answer.out) == (1, True), answer.out
    assert not (world.drives["A"] / name).exists()
    other = key_file(world, pyrage.x25519.Identity.generate())
    assert world.run("repair", "--key", other).status == 1
    assert not (world.drives["A"] / name).exists()
    assert world.run("rescan", "--place", "offsite", "--all").status == 0, "a wrong key makes no copy a bad one"


def key_file(world: World, key: object) -> Path:
    """A key as programs for age write it."""
    path = world.root / "key.txt"
    path.write_text(f"# created: 2026-06-13\n# public key: age1...\n{key}\n")
    return path


def test_with_the_key_a_sealed_copy_mends_what_both_drives_lost(world: World, gateway: Gateway) -> None:
    offsite, key = sealed_world(world, gateway, size=3 << 20)
    offsite.send()
    before = world.on("A")
    name = min(offsite.objects()).removesuffix(".age")
    for drive in world.drives.values():
        (drive / name).unlink()
    world.run("rescan", "--quick")
    (world.home / "scratch" / f"opened-{2**22 + 1}-of-a-killed-command").write_bytes(b"a picture")
    answer = world.run("repair", "--key", key_file(world, key))
    assert answer.status == 0, answer.out
    assert (world.on("A"), world.on("B")) == (before, before)
    assert list((world.home / "scratch").iterdir()) == [], "nothing that was opened is left behind"
    secret = str(key).encode()
    assert secret.decode() not in answer.out + answer.err
    for path in (path for path in world.home.rglob("*") if path.is_file()):
        assert secret not in path.read_bytes(), "the key is kept nowhere"


def test_the_bag_is_lost_and_the_key_opens_catalog_and_pictures(world: World, gateway: Gateway) -> None:
    offsite, key = sealed_world(world, gateway)
    offsite.send()
    before = world.on("A")
    shutil.rmtree(world.home)
    for drive in world.drives.values():
        shutil.rmtree(drive)
    without = world.run("rebuild", offsite.url)
    assert (without.status, "--key FILE" in without.err) == (3, True), without.err
    assert not (world.home / "catalog.db").exists(), "an empty catalog would only look like one"
    assert world.run("rebuild", offsite.url, "--key", key_file(world, key), "--json").json["files"] == 2
    new = world.folder("drive-new")
    for lost in ("A", "B"):
        world.run("drives", "lost", lost)
    assert world.run("drives", "add", "C", new).status == 0
    without = world.run("topup")
    assert "--key FILE" in without.out
    assert world.run("topup", "--key", key_file(world, key), "--json").json["made"]["C"] == 2
    world.drives = {"C": new}
    assert world.on("C") == before


def test_after_a_rebuild_what_lies_sealed_is_read_back_and_not_sent_again(world: World, gateway: Gateway) -> None:
    offsite, key = sealed_world(world, gateway)
    offsite.send()
    there = offsite.objects()
    shutil.rmtree(world.home)
    answer = world.run("rebuild", *world.drives.values(), offsite.url, "--key", key_file(world, key), "--json")
    assert answer.json["files"] == 2, answer.out + answer.err
    world.settings(f'[offsite]\nseal_for = ["{key.to_public()}"]\n')  # type: ignore[attr-defined]
    world.run("rescan")
    answer = world.run("upload", "--json")
    assert (answer.json["sent"], answer.json["still_owed"]) == (0, 0), answer.out
    assert offsite.objects() == there


def test_what_is_no_key_is_told_and_never_repeated(world: World, gateway: Gateway) -> None:
    sealed_world(world, gateway)
    wrong = world.root / "key.txt"
    for content in ("AGE-SECRET-KEY-1QQQHIDDEN", "", "caf\xe9 hidden"):
        wrong.write_text(content)
        answer = world.run("repair", "--key", wrong)
        assert (answer.status, "gives no key" in answer.err) == (2, True), answer.err
        assert "hidden" not in (answer.out + answer.err).lower()


def test_what_was_sealed_and_rotted_before_it_was_sent_is_sealed_anew(world: World, gateway: Gateway) -> None:
    with Line(gateway.port, Faults()) as line:
        key = pyrage.x25519.Identity.generate()
        offsite = Offsite(world, gateway, line.endpoint).setup()
        world.settings(f'[offsite]\nseal_for = ["{key.to_public()}"]\n')
        offsite.chosen(1)
        line.faults.cut_after = [1] * 50
        few = RetryPolicy(
            first_wait_s=0.01, max_wait_s=0.02, max_tries=2, give_up_after_s=10.0, response_timeout_s=2.0
        )
        assert offsite.send(patience=few).sent == 0
        line.faults.cut_after = []
        (sealed,) = (world.home / "scratch").glob("sealed-*.age")
        content = bytearray(sealed.read_bytes())
        content[-100] ^= 1
        sealed.write_bytes(content)
        assert offsite.send().sent == 1
    (name,) = offsite.objects()
    plain = (world.drives["A"] / name.removesuffix(".age")).read_bytes()
    assert pyrage.decrypt(offsite.get(name), [key]) == plain
    assert list((world.home / "scratch").iterdir()) == []


def test_a_recipient_that_is_none_sends_nothing_at_all(world: World, gateway: Gateway) -> None:
    offsite, _ = sealed_world(world, gateway)
    world.settings('[offsite]\nseal_for = ["age1notakey"]\n')
    answer = world.run("upload", "--json")
    assert answer.status != 0
    assert offsite.objects() == {}
