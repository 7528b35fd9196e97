"""A file that was made to stop an offload: small to look at, endless to follow. It is copied all the same.

Each of these took from 2 to 30 seconds, or more than a gigabyte, before what it counts on had an end.
"""

from __future__ import annotations

import struct
import tracemalloc
import zlib
from collections.abc import Callable

import pytest
from sample_files import box, whole_avi
from steps import at_most

from tripleguard.cameras.integrity.checker import check_integrity
from tripleguard.model import Integrity

STEPS, MEMORY = 20_000_000, 100 << 20
"""Lines of the program that may run: twice what the longest of these takes. Bytes of memory beside the file's."""


def directory(*fields: tuple[int, int, int, int], then: int = 0) -> bytes:
    packed = b"".join(struct.pack("<HHII", *field) for field in fields)
    return struct.pack("<H", len(fields)) + packed + struct.pack("<I", then)


def many_directories_of_the_same_strips() -> bytes:
    """64 directories that all name the same 65,536 strips."""
    count, long, strips = 64, 4, 1 << 16
    size = len(directory(*[(0, 0, 0, 0)] * 4))
    table = 8 + count * size
    lengths = table + 4 * strips
    fields = [
        (tag, long, strips, lengths if tag in (0x117, 0x145) else table) for tag in (0x111, 0x117, 0x144, 0x145)
    ]
    chain = b"".join(directory(*fields, then=8 + n * size if n < count else 0) for n in range(1, count + 1))
    starts = struct.pack(f"<{strips}I", *range(lengths + 4 * strips, lengths + 12 * strips, 8))
    return b"II*\0\x08\0\0\0" + chain + starts + struct.pack("<I", 8) * strips + b"\1" * 8 * strips


def tiles_that_are_nothing_but_markers() -> bytes:
    """4,096 tiles that begin as a JPEG does and go on with bytes to step over, one by one."""
    tiles, size, long = 4096, 4100, 4
    table = 8 + len(directory(*[(0, 0, 0, 0)] * 3))
    begin = table + 8 * tiles
    head = directory((0x103, 3, 1, 7), (0x144, long, tiles, table), (0x145, long, tiles, table + 4 * tiles))
    starts = struct.pack(f"<{tiles}I", *range(begin, begin + size * tiles, size))
    tile = b"\xff\xd8" + b"\xff" * (size - 2)
    return b"II*\0\x08\0\0\0" + head + starts + struct.pack("<I", size) * tiles + tile * tiles


def items_of_countless_parts_of_no_length() -> bytes:
    """A list of places in which an item of eight bytes has 65,535 parts, and a part takes none."""
    items = struct.pack(">HHHH", 1, 0, 0, 0xFFFF) * 4096
    place = box(b"iloc", b"\1\0\0\0\0\0" + struct.pack(">H", 4096) + items)
    return box(b"ftyp", b"heic\0\0\0\0heic") + box(b"meta", bytes(4) + place * 4) + box(b"mdat", bytes(100))


def lists_of_places_that_end_at_once() -> bytes:
    """Thousands of lists that promise 65,535 items and hold none."""
    place = box(b"iloc", b"\1\0\0\0\x44\0\xff\xff")
    return box(b"ftyp", b"heic\0\0\0\0heic") + box(b"meta", bytes(4) + place * 4000) + box(b"mdat", bytes(100))


def one_index_after_the_other() -> bytes:
    """Twenty indexes, each full of tracks."""
    track = box(b"trak", box(b"mdia", box(b"hdlr", b"") + box(b"minf", b"") * 100))
    index = box(b"moov", track * (900_000 // len(track)))
    return box(b"ftyp", b"crx \0\0\0\0crx ") + (index + box(b"mdat", bytes(100))) * 20


def a_gif_of_blocks_of_one_byte() -> bytes:
    return b"GIF89a" + bytes(7) + b"\x21\x01" + b"\1a" * 3_000_000


def a_png_of_empty_chunks() -> bytes:
    return b"\x89PNG\r\n\x1a\n" + (struct.pack(">I4sI", 0, b"tEXt", zlib.crc32(b"tEXt"))) * 300_000


def a_film_of_empty_pictures() -> bytes:
    return whole_avi([b""] * 300_000)


def an_index_of_empty_tracks() -> bytes:
    return box(b"ftyp", b"mp42mp42") + box(b"moov", box(b"trak", b"") * 300_000) + box(b"mdat", bytes(100))


def an_index_of_tracks_in_tracks() -> bytes:
    inside = b""
    for _ in range(3000):
        inside = box(b"trak", inside)
    return box(b"ftyp", b"mp42mp42") + box(b"moov", inside * 20) + box(b"mdat", bytes(100))


def an_index_of_countless_samples() -> bytes:
    """A chunk that is said to hold two milliards of samples."""
    table = box(b"stsc", struct.pack(">5I", 0, 1, 1, 1 << 31, 1)) + box(b"stco", struct.pack(">3I", 0, 1, 100))
    table += box(b"stsz", struct.pack(">3I", 0, 0, 1 << 16) + struct.pack(">I", 1 << 30) * (1 << 16))
    track = box(b"trak", box(b"mdia", box(b"minf", box(b"stbl", table))))
    return box(b"ftyp", b"mp42mp42") + box(b"moov", track * 40) + box(b"mdat", bytes(100))


def a_jpeg_of_fill_bytes() -> bytes:
    return b"\xff\xd8" + (b"\xff" * 70 + b"\xd0") * 60_000


def a_jpeg_xl_of_parts() -> bytes:
    return box(b"JXL ", b"\r\n\x87\n") + box(b"jxlp", bytes(4)) * 300_000


@pytest.mark.parametrize(
    ("name", "made"),
    [
        ("IMG_0001.GIF", a_gif_of_blocks_of_one_byte),
        ("IMG_0001.PNG", a_png_of_empty_chunks),
        ("ORR_0001.AVI", a_film_of_empty_pictures),
        ("ORR_0001.MP4", an_index_of_empty_tracks),
        ("ORR_0001.MP4", an_index_of_tracks_in_tracks),
        ("ORR_0001.MP4", an_index_of_countless_samples),
        ("ORR_0001.JPG", a_jpeg_of_fill_bytes),
        ("IMG_0001.JXL", a_jpeg_xl_of_parts),
        ("ORR_0001.DNG", many_directories_of_the_same_strips),
        ("ORR_0001.DNG", tiles_that_are_nothing_but_markers),
        ("ORR_0001.HIF", items_of_countless_parts_of_no_length),
        ("ORR_0001.HIF", lists_of_places_that_end_at_once),
        ("ORR_0001.CR3", one_index_after_the_other),
    ],
)
def test_a_file_that_was_made_to_stop_an_offload_does_not(name: str, made: Callable[[], bytes]) -> None:
    content = made()
    with at_most(STEPS):
        found = check_integrity(name, content)[0]
    assert "stumbled" not in found.explanation
    if name.endswith(("DNG", "CR3")):
        assert found.integrity is not Integrity.CLEAN, "what was not followed to its end is not called clean"
    if len(content) < 2 << 20:
        tracemalloc.start()
        check_integrity(name, content)
        most = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert most < MEMORY
