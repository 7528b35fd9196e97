"""Reading past the cache goes on where a driver refuses a transfer in the middle of a file."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from pathlib import Path

import pytest
from disk_images import Images, images_below
from fault_file_system import fault_file_system

from tripleguard.model import Medium
from tripleguard.places.cache_bypass import MediumReader, allocate_aligned, detect_cache_bypass
from tripleguard.places.dir_handle import DirHandle

SIZES = (0, 1, 511, 4096, 4097, 131_072, 300_001, (1 << 20) + 77)
PIECE = 64 << 10


@pytest.fixture
def images(here: Path) -> Iterator[Images]:
    with images_below(here) as made:
        yield made


def filled(root: Path) -> dict[str, bytes]:
    """Files of awkward sizes, on the medium."""
    found = {f"f{size}": os.urandom(size) for size in SIZES}
    for name, content in found.items():
        (root / name).write_bytes(content)
    subprocess.run(["sync", "-f", root], check=True)
    return found


def read(folder: DirHandle, name: str, odd: int) -> tuple[bytes, Medium]:
    """A file read in pieces; every second one into memory that is off any boundary by so many bytes."""
    buffer, content = allocate_aligned(PIECE + odd), b""
    reading = MediumReader(folder, name, detect_cache_bypass(folder.root))
    try:
        while True:
            at = odd if len(content) // PIECE % 2 else 0
            count = reading.readinto(buffer[at : at + PIECE])
            if not count:
                return content, reading.medium
            content += bytes(buffer[at : at + count])
    finally:
        reading.close()


@pytest.mark.images
@pytest.mark.parametrize("kind", ["exfat", "ntfs", "ext4", "xfs", "btrfs"])
@pytest.mark.parametrize("odd", [0, 1, 512])
def test_a_transfer_that_is_refused_half_way_is_made_otherwise(images: Images, kind: str, odd: int) -> None:
    """A direct transfer into odd memory is refused by some file systems (EINVAL; open(2) on O_DIRECT)."""
    point = images.mount("a", kind, 16)
    folder = DirHandle(point)
    try:
        for name, content in filled(point).items():
            found, medium = read(folder, name, odd)
            assert found == content, name
            assert medium.is_from_device
    finally:
        folder.close()


def test_a_refused_transfer_on_a_plain_disk(here: Path) -> None:
    folder = DirHandle(here)
    try:
        for name, content in filled(here).items():
            assert read(folder, name, 1)[0] == content, name
    finally:
        folder.close()


@pytest.mark.images
def test_a_driver_that_passes_requests_on_is_read_to_the_end(here: Path) -> None:
    """It refuses a direct transfer whenever its own memory happens to lie badly: now and then."""
    with fault_file_system(here / "backing", here / "card"):
        contents = filled(here / "card")
        folder = DirHandle(here / "card")
        try:
            for _ in range(40):
                for name, content in contents.items():
                    assert read(folder, name, 0)[0] == content, name
        finally:
            folder.close()
