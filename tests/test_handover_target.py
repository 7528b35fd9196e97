"""Where a shoot may be handed over, and what is in the way: nothing is overwritten, no drive or card touched."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from disk_images import Images, images_below, wait_until
from test_handover import SHOOT, library_validates, named, offloaded, on_card, payload
from world import World, contents, finished

from tripleguard.catalog.shoots import resolve_shoot
from tripleguard.digest import compute_digest
from tripleguard.errors import NoSpaceError
from tripleguard.jobs.drives import locate_drives, open_drives
from tripleguard.jobs.handover.handover import HandoverRequest, hand_over
from tripleguard.places.handover_folder import open_handover_folder


@pytest.fixture
def after(world: World) -> World:
    """The morning after: a card is on both drives."""
    card = world.card()
    card.frames(4)
    offloaded(world, card)
    return world


def test_nothing_is_handed_over_on_a_drive_or_on_a_card(after: World) -> None:
    drive, card = after.drives["A"], after.root / "card"
    stranger = after.folder("strangers-drive")
    (stranger / ".tripleguard").mkdir()
    (stranger / ".tripleguard" / "place.json").write_text("{}")
    after.folder("a-bag")
    (after.root / "a-bag" / "bagit.txt").write_text("BagIt-Version: 1.0\n")
    (after.root / "link").symlink_to(drive)
    before = contents(after.root)
    for folder in (
        drive,
        drive / "client",
        drive / "2026" / SHOOT / "client",
        drive / ".tripleguard" / "client",
        after.root / "link" / "client",
        card,
        card / "client",
        card / "DCIM" / "client",
        stranger / "client",
        after.root / "a-bag" / "client",
        after.root,
        after.root / "nowhere" / "client",
    ):
        answer = after.run("handover", "quay", folder)
        assert answer.status == 2, folder
        assert "Nothing can be handed over in" in answer.err, folder
    assert {path: digest for path, digest in contents(after.root).items() if "home" not in path} == {
        path: digest for path, digest in before.items() if "home" not in path
    }


def test_a_folder_that_holds_something_is_left_alone(after: World) -> None:
    out = after.folder("client")
    (out / "contract.txt").write_text("signed")
    answer = after.run("handover", "quay", out)
    assert answer.status == 2
    assert "it holds contract.txt" in answer.err
    assert contents(out).keys() == {"contract.txt"}
    assert not (out / ".tripleguard").exists()


@pytest.mark.parametrize(
    "left", ["quarantine/x/ORR_0001.DNG", "catalog/catalog.db.gz", "incoming/../place.json.old"]
)
def test_a_drive_that_lost_its_marker_is_left_alone(after: World, left: str) -> None:
    """What unfinished copies lie on it stays, too."""
    out = after.folder("was-a-drive")
    for path in (left, "incoming/0123.part"):
        (out / ".tripleguard" / path).parent.mkdir(parents=True, exist_ok=True)
        (out / ".tripleguard" / path).write_bytes(b"x")
    before = contents(out)
    answer = after.run("handover", "quay", out)
    assert answer.status == 2
    assert "a drive that lost its marker" in answer.err
    assert contents(out) == before


def test_a_finished_bag_is_not_filled_again(after: World) -> None:
    out = after.root / "client"
    assert after.run("handover", "quay", out).status == 0
    before = contents(out)
    answer = after.run("handover", "quay", out)
    assert answer.status == 2
    assert "handed over already" in answer.err
    assert contents(out) == before


def unfinished(world: World, *arguments: object) -> Path:
    """A folder that waits for a drive that is away."""
    for drive in world.drives.values():
        next(drive.rglob("ORR_0002.DNG")).rename(world.root / f"kept-{drive.name}")
    out = world.root / "client"
    assert world.run("handover", "quay", out, *arguments).status == 1
    for drive in world.drives.values():
        (world.root / f"kept-{drive.name}").rename(next(drive.rglob("ORR_0001.DNG")).with_name("ORR_0002.DNG"))
    return out


def test_what_stands_in_the_way_is_never_overwritten(after: World) -> None:
    out = unfinished(after)
    in_the_way = next(out.rglob("ORR_0001.DNG")).with_name("ORR_0002.DNG")
    in_the_way.write_bytes(b"the client's own")
    answer = after.run("handover", "quay", out)
    assert answer.status == 3
    assert "holds something else where" in answer.err
    assert in_the_way.read_bytes() == b"the client's own"
    assert not (out / "bagit.txt").exists()
    in_the_way.unlink()
    assert after.run("handover", "quay", out).status == 0
    library_validates(out)


def test_a_file_that_nobody_listed_is_not_handed_over_by_mistake(after: World) -> None:
    out = unfinished(after)
    (out / "data" / "invoice.txt").write_text("x")
    answer = after.run("handover", "quay", out)
    assert answer.status == 2
    assert "data/invoice.txt, which is not part of this shoot" in answer.err


def test_an_unfinished_folder_is_not_filled_with_something_else(after: World) -> None:
    out = unfinished(after)
    assert after.run("handover", "quay", out, "--list").status == 2
    answer = after.run("handover", "quay", out, "--selects")
    assert answer.status == 2
    assert after.run("handover", "quay", out).status == 0


def test_the_shoot_must_be_the_one_that_is_meant(after: World) -> None:
    card = after.card("second")
    card.frames(1, first=90)
    assert after.run("offload", card.root, "--shoot", "Quay night two").status == 0
    answer = after.run("handover", "quay", after.root / "client")
    assert answer.status == 2
    assert "2 shoots match" in answer.err
    assert not (after.root / "client").exists()
    assert after.run("handover", "no such", after.root / "client").status == 2
    # A whole name is that shoot, although another one's name begins with it.
    assert after.run("handover", "Quay night", after.root / "client").status == 0


def test_what_changed_between_two_runs_is_told(after: World) -> None:
    out = unfinished(after)
    card = after.card("later")
    card.frames(1, first=50)
    offloaded(after, card)
    assert after.run("handover", "quay", out).status == 0
    assert len(payload(out)) == 5
    library_validates(out)


@pytest.fixture
def images(here: Path) -> Iterator[Images]:
    with images_below(here) as made:
        yield made


@pytest.mark.images
def test_a_bag_on_the_clients_exfat_disk(world: World, images: Images) -> None:
    """Names that exFAT can't hold are fitted; after a remount the bag is valid."""
    card = world.card()
    card.frames(3)
    card.put("DCIM/100ORREY/what?.DAT", b"x" * 5000)
    offloaded(world, card)
    disk = images.mount("client", "exfat", 32)
    answer = world.run("handover", "quay", disk / "client", "--json")
    assert answer.status == 0, answer.err
    assert [one["path"].rpartition("/")[2] for one in answer.json["renamed"]] == ["what_.DAT"]
    assert answer.json["medium"] == "dropped"
    images.unmount(disk)
    images.mount("client", "exfat")
    library_validates(disk / "client")
    assert sorted(payload(disk / "client").values()) == sorted(on_card(card.root).values())


@pytest.mark.images
def test_a_disk_that_is_too_small_is_told_before_the_first_byte(after: World, images: Images) -> None:
    card = after.card("large")
    card.put("DCIM/100ORREY/FILM.BIN", b"x" * 9_000_000)
    offloaded(after, card)
    disk = images.mount("client", "ext4", 8)
    answer = after.run("handover", "quay", disk / "client")
    assert answer.status == 3
    assert "has no room" in answer.err
    assert not list((disk / "client").rglob("*.DNG"))


@pytest.mark.images
def test_a_disk_that_fills_up_meanwhile_goes_on_once_there_is_room(after: World, images: Images) -> None:
    card = after.card("large")
    for number in range(6):
        card.put(f"DCIM/100ORREY/FILM{number}.BIN", bytes([number]) * 2_000_000)
    offloaded(after, card)
    disk = images.mount("client", "ext4", 24)
    with after.ctx() as ctx:
        target = open_handover_folder(disk / "client", [], ("DCIM",))
        with open_drives(ctx, locate_drives(ctx), "a test", for_writing=False) as ready:
            job = hand_over(ctx, ready.writable, target, HandoverRequest(resolve_shoot(ctx.catalog, "quay")))
            # There was room when it was asked for, and the first piece of the first file is on its way.
            next(job)
            next(job)
            filled = disk / "filled"
            _fill(filled)
            with pytest.raises(NoSpaceError) as caught:
                finished(job)
        target.close()
    assert "same command again" in caught.value.do
    assert "topup" not in str(caught.value)
    filled.unlink()
    answer = after.run("handover", "quay", disk / "client", "--json")
    assert answer.status == 0, answer.err
    library_validates(disk / "client")


def _fill(path: Path) -> None:
    """Take all the room that is left on a disk."""
    try:
        with path.open("wb", buffering=0) as file:
            while True:
                file.write(b"\1" * 65536)
    except OSError:
        return


@pytest.mark.images
@pytest.mark.parametrize("kind", ["ext4", "exfat"])
def test_after_a_power_cut_what_has_a_name_is_whole_and_it_goes_on(
    world: World, images: Images, kind: str
) -> None:
    card = world.card()
    card.frames(60)
    offloaded(world, card)
    disk = images.mount("client", kind, 64)
    out = disk / "client"
    process = subprocess.Popen(
        world.command_line("handover", "quay", out), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    wait_until(lambda: process.poll() is not None or sum(1 for _ in named(out)) >= 20, "twenty files have names")
    wake = images.cut(disk)
    process.kill()
    process.wait()
    wake()
    digests = on_card(card.root)
    there = {path.name: path for path in named(out)}
    assert all(compute_digest(path.read_bytes()) == digests[name] for name, path in there.items())
    assert not (out / "bagit.txt").exists()
    answer = world.run("handover", "quay", out, "--json")
    assert answer.status == 0, answer.err
    assert answer.json["already_there"] == len(there)
    library_validates(out)
    assert payload(out) == digests


@pytest.mark.parametrize("form", ["bag", "list"])
def test_a_file_that_rotted_in_the_folder_since_it_was_named_is_not_handed_over(after: World, form: str) -> None:
    """The notes of the run that was cut off say that it is whole; only reading it tells what it is now."""
    out = unfinished(after, *(["--list"] if form == "list" else []))
    rotten = next(out.rglob("ORR_0001.DNG"))
    times = rotten.stat()
    rotten.write_bytes(bytes(times.st_size))
    os.utime(rotten, ns=(times.st_atime_ns, times.st_mtime_ns))
    answer = after.run("handover", "quay", out, *(["--list"] if form == "list" else []))
    assert answer.status == 3
    assert "ORR_0001.DNG was whole when it was handed over, and is not what it was" in answer.err
    assert rotten.read_bytes() == bytes(times.st_size)
    assert not (out / "bagit.txt").exists()
    assert not (out / "checksums.sha256").exists()
    # The next step that is named.
    rotten.rename(after.root / "rotten.DNG")
    assert after.run("handover", "quay", out, *(["--list"] if form == "list" else [])).status == 0
    assert compute_digest(rotten.read_bytes()) == compute_digest(
        next(after.drives["A"].rglob("ORR_0001.DNG")).read_bytes()
    )
