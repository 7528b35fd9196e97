"""What a drive is: its marker and its file system. A copy of a drive inherits nothing."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from disk_images import Images, images_below, umount
from world import World

from tripleguard.places.dir_handle import DirHandle
from tripleguard.places.fs_identity import (
    FileSystemIdentity,
    decode_identity,
    encode_identity,
    is_different_fs,
    merge_identities,
    parse_fs_uuid,
    read_identity,
)


@pytest.fixture
def images(here: Path) -> Iterator[Images]:
    with images_below(here) as made:
        yield made


@pytest.fixture
def shot(world: World) -> World:
    """Four frames on A and B, cleared."""
    card = world.card()
    card.frames(4)
    assert world.run("offload", card.root).status == 0
    return world


def copied(world: World, name: str, to: str) -> Path:
    """The drive as plain copying copies it, with all times and the marker, in another folder."""
    new = world.root / to
    subprocess.run(["cp", "-a", world.drives[name], new], check=True)
    return new


def zeroed(root: Path) -> int:
    """Make every picture on a drive zeros, keeping size and time; how many."""
    pictures = [path for path in root.rglob("*.DNG") if ".tripleguard" not in path.parts]
    for path in pictures:
        status = path.stat()
        path.write_bytes(bytes(status.st_size))
        subprocess.run(["touch", "-d", f"@{status.st_mtime_ns / 1e9:.9f}", path], check=True)
    return len(pictures)


def verified(world: World, name: str) -> int:
    """How many copies of a drive count as verified."""
    with world.ctx() as ctx:
        row = ctx.catalog.fetch_one(
            "SELECT count(c.verified_at) FROM copies c JOIN places p ON p.id = c.place_id WHERE p.name = ?", name
        )
    assert row is not None
    return int(row[0])


def test_a_copy_of_a_drive_inherits_no_evidence(shot: World) -> None:
    """B is copied into another folder and put away; every picture on the copy is zeros, size and time kept."""
    assert verified(shot, "B") == 4
    new = copied(shot, "B", "new")
    shot.unplug("B")
    assert zeroed(new) == 4
    added = shot.run("drives", "add", "B", new)
    assert added.status == 0
    assert "copy of drive B" in added.err
    assert verified(shot, "B") == 0
    answer = shot.run("clearance", "card", shot.root / "card")
    assert answer.status == 1
    assert "YES" not in answer.out
    assert shot.run("report").status == 1
    assert shot.run("report", "--json").json["counts"]["corrupt"] == 4


def test_an_offload_reads_a_copied_drive_back_and_finds_what_is_wrong(shot: World) -> None:
    new = copied(shot, "B", "new")
    shot.unplug("B")
    zeroed(new)
    shot.run("drives", "add", "B", new)
    again = shot.run("offload", shot.root / "card", "--json")
    with shot.ctx() as ctx:
        bad = ctx.catalog.fetch_all("SELECT state FROM copies WHERE state IN ('quarantined', 'corrupt')")
    assert len(bad) == 4, again.err


def test_it_is_said_once_and_what_is_read_there_counts(shot: World) -> None:
    new = copied(shot, "B", "new")
    shot.unplug("B")
    shot.run("drives", "add", "B", new)
    assert "on another file system" in shot.run("log").out
    assert "Caution" not in shot.run("report").err
    assert shot.run("rescan", "--place", "B").status == 0
    assert verified(shot, "B") == 4
    assert shot.run("report").status == 0


def test_the_first_drive_is_not_the_copy_either(shot: World) -> None:
    """B comes back in place of its copy: what was read on the copy is no evidence for B."""
    new = copied(shot, "B", "new")
    shot.unplug("B")
    shot.run("drives", "add", "B", new)
    shot.run("rescan", "--place", "B")
    shutil.rmtree(new)
    shot.plug("B")
    assert "copy of drive B" in shot.run("drives", "add", "B", shot.drives["B"]).err
    assert verified(shot, "B") == 0


def test_a_renamed_folder_is_the_same_drive(shot: World) -> None:
    moved = shot.root / "other-port"
    shot.drives["B"].rename(moved)
    added = shot.run("drives", "add", "B", moved)
    assert (added.status, "Caution" in added.err) == (0, False)
    assert verified(shot, "B") == 4
    assert shot.run("report").status == 0


def test_a_folder_that_was_filled_anew_is_another(shot: World) -> None:
    """B is removed and restored from a copy: perhaps under the number it had, and not what was verified."""
    saved = copied(shot, "B", "saved")
    shutil.rmtree(shot.drives["B"])
    subprocess.run(["cp", "-a", saved, shot.drives["B"]], check=True)
    shutil.rmtree(saved)
    assert "copy of drive B" in shot.run("report").err
    assert verified(shot, "B") == 0


def test_two_connected_drives_with_one_id_are_an_error_that_names_both(shot: World) -> None:
    new = copied(shot, "B", "new")
    answer = shot.run("drives", "add", "B", new)
    assert answer.status != 0
    assert str(new) in answer.err.replace("\n", "")
    assert str(shot.drives["B"]) in answer.err.replace("\n", "")


FULL = FileSystemIdentity("1234-ABCD", 1 << 30, "naa.1", "path:/")


@pytest.mark.parametrize(
    ("recorded", "now", "another"),
    [
        (FULL, FULL, False),
        (FULL, FileSystemIdentity("9999-0000", 1 << 30, "naa.1", "path:/"), True),
        (FULL, FileSystemIdentity("1234-ABCD", 1 << 31, "naa.1", "path:/"), True),
        (FULL, FileSystemIdentity("1234-ABCD", 1 << 30, "naa.2", "path:/"), True),
        (FULL, FileSystemIdentity("1234-ABCD", 1 << 30, "naa.1", "path:/copy"), True),
        (FULL, FileSystemIdentity("1234-ABCD", 1 << 30, "", "path:/"), False),
        (FULL, FileSystemIdentity("", 1 << 30, "naa.1", "path:/"), True),
        (FULL, FileSystemIdentity(), True),
        (FileSystemIdentity(), FULL, False),
        (FileSystemIdentity(), FileSystemIdentity(), False),
        (FileSystemIdentity("", 1 << 30, "", "path:/"), FULL, False),
        (FileSystemIdentity("u", 5, "", "inode:7.1"), FileSystemIdentity("", 5, "", "inode:7.1"), False),
        (FileSystemIdentity("u", 5, "", "inode:7.1"), FileSystemIdentity("u", 5, "", "inode:7.2"), True),
        (FileSystemIdentity("u", 5, "", "inode:7.1"), FileSystemIdentity("u", 5, "", "path:/x"), False),
    ],
)
def test_in_doubt_it_is_another(recorded: FileSystemIdentity, now: FileSystemIdentity, another: bool) -> None:
    assert is_different_fs(recorded, now) is another
    assert decode_identity(encode_identity(now)) == now
    if not another:
        assert not is_different_fs(merge_identities(recorded, now), now)


def test_a_broken_record_is_an_empty_one() -> None:
    assert decode_identity("not JSON") == decode_identity("[1]") == FileSystemIdentity()


def seen(root: Path) -> FileSystemIdentity:
    folder = DirHandle(root)
    try:
        return read_identity(folder)
    finally:
        folder.close()


@pytest.mark.images
@pytest.mark.parametrize("kind", ["exfat", "ntfs", "ext4", "xfs", "btrfs"])
def test_a_file_system_is_called_as_the_system_calls_it(images: Images, kind: str) -> None:
    """Held against blkid of util-linux, which reads the same superblock."""
    point = images.mount("a", kind)
    mounted = images.up[point]
    told = subprocess.run(
        ["blkid", "-p", "-s", "UUID", "-o", "value", mounted.device], check=True, capture_output=True, text=True
    ).stdout.strip()
    with mounted.image.open("rb") as file:
        assert parse_fs_uuid(file.read(0x11000)) == told
    first = seen(point)
    assert first.uuid in (told, "")
    assert first.size == mounted.image.stat().st_size
    images.unmount(point)
    again = images.mount("a", kind, at="elsewhere")
    assert seen(again) == first
    # Two NTFS volumes that mkntfs makes in one second have one serial number.
    other = images.mount("b", kind, 320)
    assert is_different_fs(first, seen(other))


@pytest.mark.images
@pytest.mark.parametrize("kind", ["exfat", "ntfs", "ext4", "btrfs"])
def test_a_folder_on_a_file_system_is_told_from_a_copy_beside_it(images: Images, here: Path, kind: str) -> None:
    point, bound = images.mount("a", kind, 114), here / "bound"
    bound.mkdir()
    (point / "drive" / "pictures").mkdir(parents=True)
    first = seen(point / "drive")
    subprocess.run(["cp", "-a", point / "drive", point / "copy"], check=True)
    assert is_different_fs(first, seen(point / "copy"))
    subprocess.run(["mount", "--bind", point / "drive", bound], check=True)
    try:
        assert not is_different_fs(first, seen(bound))
    finally:
        umount(bound)
    if kind == "btrfs":
        subprocess.run(["btrfs", "-q", "subvolume", "create", point / "sub"], check=True)
        subprocess.run(["btrfs", "-q", "subvolume", "snapshot", point / "sub", point / "snap"], check=True)
        assert is_different_fs(seen(point / "sub"), seen(point / "snap"))


@pytest.mark.images
def test_a_drive_that_was_copied_to_another_disk_counts_once_it_was_read(bare: World, images: Images) -> None:
    """The whole of B is copied to a new disk, and B stays at home."""
    bare.drives = {"A": bare.folder("drive-a"), "B": images.mount("b", "exfat")}
    given = [f"--drive={name}={path}" for name, path in bare.drives.items()]
    assert bare.run("setup", "--allow-same-disk", *given).status == 0
    card = bare.card()
    card.frames(4)
    assert bare.run("offload", card.root).status == 0
    new = images.mount("new", "exfat")
    subprocess.run(["cp", "-r", "--preserve=timestamps", f"{bare.drives['B']}/.", new], check=True)
    images.unmount(bare.drives["B"])
    images.unmount(new)
    assert images.mount("new", "exfat", at="mnt-b") == bare.drives["B"]
    zeroed(bare.drives["B"])
    assert bare.run("clearance", "card", card.root).status == 1
    assert verified(bare, "B") == 0
    assert bare.run("report", "--json").json["counts"]["corrupt"] == 4


@pytest.mark.images
def test_the_same_disk_in_another_port_is_the_same_drive(bare: World, images: Images) -> None:
    for kind in ("ext4", "ntfs"):
        bare.drives[kind] = images.mount(kind, kind)
    given = [f"--drive={name}={path}" for name, path in bare.drives.items()]
    assert bare.run("setup", "--allow-same-disk", *given).status == 0
    card = bare.card()
    card.frames(2)
    assert bare.run("offload", card.root).status == 0
    for kind in ("ext4", "ntfs"):
        images.unmount(bare.drives[kind])
        images.mount(kind, kind, at=f"other-port-{kind}")
    asked = bare.run("clearance", "card", card.root)
    assert (asked.status, asked.err) == (0, "")
