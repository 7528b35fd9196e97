"""The tour ends: the work is handed over, and whoever gets it can check it without this program.

Every bag that is made here is validated by the Library of Congress's own program (`bagit` from PyPI) as well.
"""

from __future__ import annotations

import hashlib
import logging
import os
import shutil
import signal
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import bagit
import pytest
from world import CardFolder, World, contents, finished

from tripleguard.catalog.shoots import resolve_shoot
from tripleguard.errors import PlaceFailedError, StoppedError
from tripleguard.jobs.drives import locate_drives, open_drives
from tripleguard.jobs.handover.handover import HandoverRequest, hand_over
from tripleguard.places.cache_bypass import MediumReader
from tripleguard.places.dir_handle import DirHandle
from tripleguard.places.handover_folder import HandoverFolder, open_handover_folder

pytestmark = pytest.mark.alone

SHOOT = "2026-06-13 Quay night"
SETTINGS = """
[handover]
organization = "Brightwater Pictures"
contact = "Ada Example"
phone = "+44 20 7946 0000"
description = "All frames of {shoot}, as the cameras wrote them."
"""


def offloaded(world: World, card: CardFolder) -> None:
    answer = world.run("offload", card.root, "--shoot", "Quay night")
    assert answer.status == 0, answer.out + answer.err


@pytest.fixture
def after(world: World) -> World:
    """The morning after: a card is on both drives."""
    card = world.card()
    card.frames(6)
    card.picture("DCIM/100ORREY/ORR_0001.JPG")
    offloaded(world, card)
    return world


def library_validates(root: Path) -> None:
    """Raises what the Library of Congress's program has against a bag."""
    logging.disable(logging.CRITICAL)
    try:
        bagit.Bag(str(root)).validate()
    finally:
        logging.disable(logging.NOTSET)


def payload(root: Path) -> dict[str, bytes]:
    """The payload without its body's folder: name to BLAKE3."""
    return {Path(path).name: digest for path, digest in contents(root / "data").items()}


def on_card(card: Path) -> dict[str, bytes]:
    return {Path(path).name: digest for path, digest in contents(card).items()}


def rotten(path: Path) -> None:
    """Other bytes; size and time stay."""
    before, status = path.read_bytes(), path.stat()
    path.write_bytes(bytes([before[0] ^ 1]) + before[1:])
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


def frames_on(world: World, drive: str) -> list[Path]:
    return sorted((world.drives[drive] / "2026" / SHOOT).rglob("*.DNG"))


def test_what_is_handed_over_is_a_bag_that_the_library_of_congress_takes(after: World) -> None:
    after.settings(SETTINGS)
    drives = {name: contents(path) for name, path in after.drives.items()}
    out = after.root / "client"
    answer = after.run("handover", "quay", out)
    assert answer.status == 0, answer.err
    assert "7 files" in answer.out
    library_validates(out)
    assert after.run("handover", "--check", out).status == 0
    assert payload(out) == on_card(after.root / "card")
    info = bagit.Bag(str(out)).info
    assert info["Source-Organization"] == "Brightwater Pictures"
    assert info["Contact-Name"] == "Ada Example"
    assert info["External-Description"] == f"All frames of {SHOOT}, as the cameras wrote them."
    assert info["External-Identifier"] == SHOOT
    assert "Contact-Email" not in info
    sizes = [path.stat().st_size for path in (out / "data").rglob("*") if path.is_file()]
    assert info["Payload-Oxum"] == f"{sum(sizes)}.{len(sizes)}"
    assert sorted(path.name for path in out.iterdir()) == [
        "bag-info.txt",
        "bagit.txt",
        "data",
        "manifest-sha256.txt",
        "manifest-sha512.txt",
        "tagmanifest-sha256.txt",
        "tagmanifest-sha512.txt",
    ]
    assert (out / "bagit.txt").read_text() == "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
    # The drives were only read.
    assert {name: contents(path) for name, path in after.drives.items()} == drives
    assert "handed over as a bag: 7 files" in after.run("log").out


def test_times_are_kept_and_sums_are_those_of_plain_tools(after: World) -> None:
    out = after.root / "client"
    assert after.run("handover", SHOOT, out).status == 0
    for line in (out / "manifest-sha512.txt").read_text().splitlines():
        digest, path = line.split("  ", 1)
        assert hashlib.sha512((out / path).read_bytes()).hexdigest() == digest
        source = next(after.drives["A"].rglob(Path(path).name))
        assert abs((out / path).stat().st_mtime_ns - source.stat().st_mtime_ns) < 2_000_000_000


NAMES = {
    "spaces": "a b  c.DAT",
    "line feed": "a\nb.DAT",
    "carriage return": "a\rb.DAT",
    "composed": "N\u00fa\u00f1ez.DAT",
    "decomposed": "Nu\u0301n\u0303ez.DAT",
    "star and hash": "#*a.DAT",
    "backslash": "a\\b.DAT",
    "quotes": "\"a' $(b).DAT",
    "tilde": "~root.DAT",
}


@pytest.mark.parametrize("name", NAMES.values(), ids=NAMES)
def test_a_bag_is_valid_whatever_a_file_is_called(world: World, name: str) -> None:
    card = world.card()
    card.put(f"DCIM/100ORREY/{name}", b"x" * 1000)
    offloaded(world, card)
    out = world.root / "client"
    assert world.run("handover", "quay", out).status == 0
    library_validates(out)
    assert world.run("handover", "--check", out).status == 0
    assert payload(out) == on_card(card.root)


def test_what_the_library_misreads_is_as_the_rfc_has_it(world: World) -> None:
    """RFC 8493, 2.1.3 and 2.3: a % is `%25`, and only LF, CR and CRLF end a line.

    The library (1.9.0) decodes no %25, ends a line at U+2028, and drops spaces at a line's end.
    """
    card = world.card()
    for number, name in enumerate(("100% sure.DAT", "%0A.DAT", "a\u2028b.DAT", "a.DAT ")):
        card.put(f"DCIM/100ORREY/{name}", bytes([number]) * 1000)
    offloaded(world, card)
    out = world.root / "client"
    assert world.run("handover", "quay", out).status == 0
    manifest = (out / "manifest-sha256.txt").read_text()
    assert "/100%25 sure.DAT\n" in manifest
    assert "/%250A.DAT\n" in manifest
    assert world.run("handover", "--check", out).status == 0
    assert payload(out) == on_card(card.root)
    with pytest.raises(bagit.BagValidationError, match="incomplete"):
        library_validates(out)


def test_a_name_that_is_no_text_is_spelled_out_and_told(world: World) -> None:
    card = world.card()
    card.put(b"DCIM/100ORREY/caf\xe9.DAT", b"x" * 1000)
    offloaded(world, card)
    out = world.root / "client"
    answer = world.run("handover", "quay", out, "--json")
    assert answer.status == 0, answer.err
    assert [one["path"].rpartition("/")[2] for one in answer.json["renamed"]] == ["caf_xe9.DAT"]
    library_validates(out)
    # A plain list can hold any bytes, so there the name stays.
    plain = world.root / "plain"
    assert world.run("handover", "quay", plain, "--list").status == 0
    assert next(os.fsencode(path.name) for path in plain.rglob("*.DAT")) == b"caf\xe9.DAT"
    sha256sum_agrees(plain)


def test_two_names_that_some_systems_take_for_one_are_told_apart(world: World) -> None:
    card = world.card()
    for number, name in enumerate(("A.DAT", "a.DAT", "N\u00fa.DAT", "Nu\u0301.DAT")):
        card.put(f"DCIM/100ORREY/{name}", bytes([number]) * 1000)
    offloaded(world, card)
    out = world.root / "client"
    answer = world.run("handover", "quay", out, "--json")
    assert len(answer.json["renamed"]) == 2
    assert sorted(payload(out).values()) == sorted(on_card(card.root).values())
    assert not world.run("handover", "--check", out, "--json").json["notes"]
    library_validates(out)


def sha256sum_agrees(root: Path) -> None:
    if shutil.which("sha256sum") is None:
        pytest.skip("needs sha256sum")
    done = subprocess.run(
        ["sha256sum", "--check", "--strict", "--quiet", "checksums.sha256"],
        cwd=root,
        capture_output=True,
        check=False,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")


def test_a_plain_list_instead_of_a_bag(after: World) -> None:
    card = after.card("second")
    card.put("DCIM/100ORREY/back\\slash.DAT", b"1" * 1000)
    card.put("DCIM/100ORREY/feed\n.DAT", b"2" * 1000)
    offloaded(after, card)
    out = after.root / "client"
    answer = after.run("handover", "quay", out, "--list")
    assert answer.status == 0, answer.err
    sha256sum_agrees(out)
    assert sum(1 for path in out.rglob("*") if path.is_file()) == 10
    again = after.run("handover", "quay", out, "--list")
    assert again.status == 2
    assert "handed over already" in again.err


def test_a_rotten_copy_is_never_handed_over(after: World) -> None:
    """The other drive's copy is taken, and the rot is a finding from then on."""
    rotten(frames_on(after, "A")[2])
    answer = after.run("handover", "quay", after.root / "client", "--json")
    assert answer.status == 0, answer.err
    assert [(one["place"], one["reason"]) for one in answer.json["not_taken"]] == [
        ("A", "it holds other bytes than recorded")
    ]
    assert payload(after.root / "client") == on_card(after.root / "card")
    library_validates(after.root / "client")
    found = after.run("findings", "--json").json["findings"]
    assert ("corrupt", "A") in [(one["kind"], one["place"]) for one in found]


def test_what_is_rotten_everywhere_leaves_the_folder_unfinished(after: World) -> None:
    for drive in "AB":
        rotten(frames_on(after, drive)[2])
    out = after.root / "client"
    answer = after.run("handover", "quay", out)
    assert answer.status == 1
    assert "NOT FINISHED: 1 file" in answer.out
    assert not (out / "bagit.txt").exists()
    assert after.run("handover", "--check", out).status == 1
    rest = after.run("handover", "quay", out, "--leave-out", "--json")
    assert rest.status == 1
    assert (rest.json["finished"], rest.json["copied"], rest.json["already_there"]) == (True, 0, 6)
    assert len(rest.json["left_out"]) == 1
    library_validates(out)
    assert bagit.Bag(str(out)).info["Internal-Sender-Description"].endswith("not in this bag: 1")


def test_a_file_on_a_drive_that_is_away_waits_for_it(after: World) -> None:
    frames_on(after, "A")[0].unlink()
    after.unplug("B")
    out = after.root / "client"
    answer = after.run("handover", "quay", out, "--json")
    assert answer.status == 1
    assert answer.json["left_out"][0]["reason"] == "no good copy of it is on a drive that is connected"
    after.plug("B")
    rest = after.run("handover", "quay", out, "--json")
    assert rest.status == 0, rest.out
    assert (rest.json["copied"], rest.json["already_there"]) == (1, 6)
    library_validates(out)


def test_a_sidecar_is_handed_over_as_it_was_edited_last(after: World) -> None:
    for drive in "AB":
        beside = frames_on(after, drive)[0].with_suffix(".xmp")
        beside.write_text("<x:xmpmeta xmlns:x='adobe:ns:meta/'>one</x:xmpmeta>")
    assert after.run("rescan").status == 0
    edited = frames_on(after, "A")[0].with_suffix(".xmp")
    edited.write_text("<x:xmpmeta xmlns:x='adobe:ns:meta/'>two, later</x:xmpmeta>")
    os.utime(edited, (time.time() + 60, time.time() + 60))
    after.run("rescan")
    out = after.root / "client"
    assert after.run("handover", "quay", out).status == 0
    assert [path.read_text() for path in out.rglob("*.xmp")] == [edited.read_text()]


def test_equal_sidecars_and_empty_files_are_handed_over_under_each_name(world: World) -> None:
    card = world.card()
    card.frames(2)
    for name in ("ORR_0001.xmp", "ORR_0002.xmp"):
        card.put(f"DCIM/100ORREY/{name}", b"<x:xmpmeta xmlns:x='adobe:ns:meta/'>the same</x:xmpmeta>")
    card.put("DCIM/100ORREY/EMPTY.DAT", b"")
    offloaded(world, card)
    out = world.root / "client"
    assert world.run("handover", "quay", out).status == 0
    library_validates(out)
    assert payload(out) == on_card(card.root)


def test_only_the_selects_with_all_of_their_frames(after: World) -> None:
    assert after.run("selects", "add", "ORR_0001").status == 0
    out = after.root / "client"
    answer = after.run("handover", "quay", out, "--selects")
    assert answer.status == 0, answer.err
    assert sorted(payload(out)) == ["ORR_0001.DNG", "ORR_0001.JPG"]
    library_validates(out)


@pytest.mark.parametrize("form", [[], ["--list"]], ids=["bag", "list"])
def test_killed_at_any_moment_it_goes_on_and_nothing_is_copied_twice(world: World, form: list[str]) -> None:
    card = world.card()
    card.frames(60)
    offloaded(world, card)
    out = world.root / "client"
    kills = 0
    for wanted in (1, 17, 35, 59):
        process = subprocess.Popen(
            world.command_line("handover", "quay", out, *form),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        while process.poll() is None and sum(1 for _ in named(out)) < wanted:
            time.sleep(0.001)
        process.send_signal(signal.SIGKILL)
        kills += process.wait() == -signal.SIGKILL
        there = {path.name: path.stat().st_ino for path in named(out)}
        assert not (out / "bagit.txt").exists() or wanted == 59
        digests = on_card(card.root)
        assert all(digest == digests[name] for name, digest in on_card_of(out).items())
        if process.returncode == 0:
            break
    assert kills >= 2
    last = world.run("handover", "quay", out, *form, "--json")
    if last.status == 0:
        assert last.json["already_there"] == len(there)
        assert {path.name: path.stat().st_ino for path in named(out)}.items() >= there.items()
    else:
        assert "handed over already" in last.err
    assert sorted(path.name for path in named(out)) == sorted(on_card(card.root))
    if form:
        sha256sum_agrees(out)
    else:
        library_validates(out)
    assert not (out / ".tripleguard").exists()


def named(out: Path) -> Iterator[Path]:
    return (path for path in out.rglob("*.DNG") if ".tripleguard" not in path.parts)


def on_card_of(out: Path) -> dict[str, bytes]:
    """What stands under final names in a folder that is being filled."""
    return {Path(path).name: digest for path, digest in contents(out).items() if path.endswith(".DNG")}


def test_stopped_it_goes_on(after: World) -> None:
    out = after.root / "client"
    with after.ctx() as ctx:
        target = open_handover_folder(out, [], ("DCIM",))
        with open_drives(ctx, locate_drives(ctx), "a test", for_writing=False) as ready:
            job = hand_over(ctx, ready.writable, target, HandoverRequest(resolve_shoot(ctx.catalog, "quay")))
            next(job)
            ctx.stop.set()
            with pytest.raises(StoppedError):
                finished(job)
        target.close()
    assert after.run("handover", "quay", out).status == 0
    library_validates(out)


class Forgetful(HandoverFolder):
    """A disk that gives back other bytes than were written."""

    def open_reader(self, path: str) -> MediumReader:
        with (self.root / path).open("r+b") as file:
            file.write(b"\0\0\0\0")
        return super().open_reader(path)


def test_a_disk_that_gives_back_other_bytes_is_found_out(after: World) -> None:
    out = after.folder("client")
    with after.ctx() as ctx:
        target = Forgetful(DirHandle(out))
        with open_drives(ctx, locate_drives(ctx), "a test", for_writing=False) as ready:
            job = hand_over(ctx, ready.writable, target, HandoverRequest(resolve_shoot(ctx.catalog, "quay")))
            with pytest.raises(PlaceFailedError, match="does not give back"):
                finished(job)
        target.close()
    assert not list(named(out))
