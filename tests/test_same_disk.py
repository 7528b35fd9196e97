"""Two copies on one disk die together: which drives share one, and which copies are one copy."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from disk_images import Images, images_below, umount
from world import World

from tripleguard.config import parse_settings, read_settings
from tripleguard.config_edit import replace_setting
from tripleguard.errors import SettingsError
from tripleguard.places.cache_bypass import detect_cache_bypass
from tripleguard.places.dir_handle import DirHandle
from tripleguard.places.disks import find_disks, find_shared_disks, is_same_copy
from tripleguard.rules import count_independent

SDA, SDB, SDC = frozenset({"sda"}), frozenset({"sdb"}), frozenset({"sdc"})
BOTH = SDA | SDB


@pytest.fixture
def images(here: Path) -> Iterator[Images]:
    with images_below(here) as made:
        yield made


@pytest.mark.parametrize(
    ("disks", "count"),
    [
        ([], 0),
        ([SDA], 1),
        ([None], 1),
        ([SDA, SDB], 2),
        ([SDA, SDA], 1),
        ([SDA, None], 1),
        ([None, None], 1),
        ([SDA, SDB, None], 2),
        ([SDA, SDA, SDB], 2),
        ([BOTH, SDA, SDB], 2),
        ([BOTH, SDB, SDC], 2),
        ([BOTH, SDA], 1),
        ([SDA, SDB, SDC], 3),
    ],
)
def test_as_many_count_as_cannot_die_together(disks: list[frozenset[str] | None], count: int) -> None:
    assert count_independent(disks, allow_same_disk=False) == count
    assert count_independent(disks, allow_same_disk=True) == len(disks)


def test_folders_and_images_on_one_disk_share_it(here: Path, images: Images) -> None:
    """Two loop devices whose images lie on one disk, one of them in an image within an image, and a folder."""
    one, other = images.mount("one", "ext4", 32), images.mount("other", "exfat", 16)
    inner = one / "inner.img"
    with inner.open("wb") as file:
        file.truncate(8 << 20)
    subprocess.run(["mkfs.ext4", "-q", "-F", inner], check=True)
    point = here / "inside"
    point.mkdir()
    subprocess.run(["mount", "-o", "loop", inner, point], check=True)
    try:
        known = find_disks(here)
        if known is None:
            pytest.skip("the disk of this folder can't be told here")
        assert find_disks(one) == find_disks(other) == find_disks(point) == known
        names = [("A", one), ("B", other), ("C", point)]
        assert [(pair.first, pair.second, pair.is_certain) for pair in find_shared_disks(names)] == [
            ("A", "B", True),
            ("A", "C", True),
            ("B", "C", True),
        ]
    finally:
        umount(point)


def test_a_bind_mount_is_the_folder_it_shows(here: Path, images: Images) -> None:
    point = images.mount("one", "ext4", 16)
    bound = here / "bound"
    bound.mkdir()
    (point / "a").write_bytes(b"a picture")
    subprocess.run(["mount", "--bind", point, bound], check=True)
    try:
        assert find_disks(bound) == find_disks(point)
        assert same(point, "a", bound, "a")
    finally:
        umount(bound)


def test_what_lies_in_no_file_system_of_a_disk_is_not_known() -> None:
    assert find_disks(Path("/proc")) is None


def same(one: Path, path: str, other: Path, other_path: str) -> bool:
    held, beside = DirHandle(one), DirHandle(other)
    try:
        return is_same_copy(held, path, beside, other_path)
    finally:
        held.close()
        beside.close()


def test_a_hard_link_is_one_copy_and_a_second_file_is_another(here: Path) -> None:
    (here / "a").write_bytes(os.urandom(100_000))
    os.link(here / "a", here / "b")
    shutil.copyfile(here / "a", here / "c")
    assert same(here, "a", here, "b")
    assert not same(here, "a", here, "c")


@pytest.mark.parametrize("kind", ["btrfs", "xfs"])
def test_a_clone_that_shares_its_bytes_is_one_copy(images: Images, kind: str) -> None:
    """`cp --reflink` of coreutils shares every extent; a copy that was written has its own."""
    point = images.mount("clones", kind, 300)
    (point / "a").write_bytes(os.urandom(3 << 20))
    made = subprocess.run(["cp", "--reflink=always", point / "a", point / "b"], check=False, capture_output=True)
    if made.returncode:
        pytest.skip(f"{kind} makes no clones here")
    subprocess.run(["cp", "--reflink=never", point / "a", point / "c"], check=True)
    assert same(point, "a", point, "b")
    assert not same(point, "a", point, "c")
    # Half of it was written anew: what is left of the first still dies with it.
    with (point / "b").open("r+b") as file:
        file.write(os.urandom(1 << 20))
    assert same(point, "a", point, "b")
    if kind == "btrfs":
        subprocess.run(["btrfs", "subvolume", "snapshot", point, point / "snap"], check=True, capture_output=True)
        assert same(point, "a", point / "snap", "a")


def test_drives_on_one_disk_are_warned_of_until_the_settings_allow_it(bare: World) -> None:
    given = [f"--drive={name}={bare.folder(name.lower())}" for name in ("A", "B")]
    first = bare.run("setup", *given)
    assert first.status == 0
    assert "no card will be cleared" in " ".join(first.out.split())
    assert not read_settings(bare.home / "settings.toml").rule.allow_same_disk
    before = (bare.home / "settings.toml").read_text()
    allowed = bare.run("setup", "--allow-same-disk")
    assert (allowed.status, "no card will be cleared" in " ".join(allowed.out.split())) == (0, False)
    after = (bare.home / "settings.toml").read_text()
    assert read_settings(bare.home / "settings.toml").rule.allow_same_disk
    changed = [line for line in after.splitlines() if line not in before.splitlines()]
    assert len(changed) == 1
    assert changed[0].startswith("allow_same_disk = true")
    assert bare.run("setup", *given).status == 0
    assert read_settings(bare.home / "settings.toml").rule.allow_same_disk


@pytest.mark.parametrize(
    "text",
    [
        "",
        "[rule]\n",
        "[rule]",
        "[rule]\ndrive_copies = 3 # three\n",
        "[rule] # what counts\nallow_same_disk=false# no\nroad_days = 9\n",
        "rule.allow_same_disk = false\n",
        "[layout]\nshoot = 'x'\n",
        "[layout]\nshoot = 'x'\n\n[rule]\nroad_days = 9",
        "[layout]\nshoot = 'x'",
    ],
)
def test_one_line_of_the_settings_is_set_and_no_other(text: str) -> None:
    before = parse_settings(text, Path("x"))
    after = replace_setting(text, "rule", "allow_same_disk", "true", Path("x"))
    settings = parse_settings(after, Path("x"))
    assert settings.rule.allow_same_disk
    assert (settings.layout, settings.rule.road_days) == (before.layout, before.rule.road_days)
    assert replace_setting(after, "rule", "allow_same_disk", "true", Path("x")) == after


def test_a_key_that_only_a_person_can_change_is_left(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="by a program"):
        replace_setting("rule = {allow_same_disk = false}\n", "rule", "allow_same_disk", "true", Path("x"))


def test_a_folder_in_memory_is_not_taken_for_the_disk_around_it(here: Path, images: Images) -> None:
    """ramfs (kernel documentation, filesystems/ramfs-rootfs-initramfs.rst) is nothing but the cache."""
    point = here / "ram"
    point.mkdir()
    subprocess.run(["mount", "-t", "ramfs", "ramfs", point], check=True)
    try:
        assert not detect_cache_bypass(point).medium.is_from_device
        assert find_disks(point) == frozenset({"memory"})
    finally:
        umount(point)
