"""Small files as cameras write them, made by hand: boxes, a RAF, a CRW. And where the sample files lie."""

from __future__ import annotations

import struct
from datetime import datetime
from pathlib import Path

import pytest

from tripleguard.demo.jpeg import write_jpeg
from tripleguard.demo.pictures import picture_file, raw_file
from tripleguard.demo.stage import stage_scene

SAMPLES = Path(__file__).parents[1].parent / "shared" / "samples"

TAKEN = datetime(2026, 6, 13, 21, 30)

WHOLE_SAMPLES = (
    "A6400_DSC00008.JPG",
    "C-5050_PB180007.JPG",
    "CRW_0101.CRW",
    "CRW_0119.CRW",
    "D3100_DSC_0001.JPG",
    "D3100_DSC_0006.JPG",
    "EOS_RP__MG_0632.JPG",
    "GOPR8508.GPR",
    "Hero7Black_GOPR8508.JPG",
    "P003917.KDC",
)
"""Whole files as cameras wrote them (the EOS RP's was edited once)."""

CUT_SAMPLES = ("filetype_fixture-Leica-M10.dng", "filetype_fixture-sony-zv-e10.arw", "filetype_fixture.cr3")
"""The first 100 to 131 kB of real files."""


def sample(name: str) -> bytes:
    """A sample file; skips the test where the samples are not at hand."""
    path = SAMPLES / name
    if not path.is_file():
        pytest.skip(f"no sample file {name} beside the project")
    return path.read_bytes()


def raw(seed: int = 7, size: int = 96 << 10) -> bytes:
    """A raw in the form of a DNG, sensor values in two strips to its very end."""
    return raw_file(seed, taken=TAKEN, subsec=7, offset="+02:00", serial="40017731", size=size)


def picture(seed: int = 7, width: int = 480, height: int = 320) -> bytes:
    """A camera JPEG."""
    return picture_file(
        seed, taken=TAKEN, subsec=7, offset="+02:00", serial="40017731", width=width, height=height
    )


def marked(text: bytes) -> bytes:
    """A small whole JPEG of an unknown camera; this text behind the picture makes it unlike all others."""
    return _SMALL + text


def memo(spoken: bytes) -> bytes:
    """A whole WAVE file of one voice, its samples these bytes (RIFF: IBM and Microsoft, 1991)."""
    form = struct.pack("<HHIIHH", 1, 1, 8000, 8000, 1, 8)
    inside = b"WAVE" + b"fmt " + struct.pack("<I", len(form)) + form + b"data" + struct.pack("<I", len(spoken))
    inside += spoken + b"\0" * (len(spoken) % 2)
    return b"RIFF" + struct.pack("<I", len(inside)) + inside


def tiny_raw(text: bytes, size: int) -> bytes:
    """A raw of so many bytes that names one strip to its end, and carries a text in it."""
    start = 64
    fields = ((0x0100, 16), (0x0101, 16), (0x0111, start), (0x0117, size - start))
    directory = struct.pack("<H", len(fields))
    directory += b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in fields) + bytes(4)
    return (struct.pack("<2sHI", b"II", 42, 8) + directory).ljust(start, b"\0") + text.ljust(size - start, b".")


def strip_raw(content: bytes, *, compression: int, width: int, height: int, bits: int, samples: int) -> bytes:
    """A raw of one strip that says so of itself (TIFF 6.0, section 8)."""
    start = 128
    fields = (
        (0x0100, 4, width),
        (0x0101, 4, height),
        (0x0102, 3, bits),
        (0x0103, 3, compression),
        (0x0111, 4, start),
        (0x0115, 3, samples),
        (0x0117, 4, len(content)),
    )
    directory = struct.pack("<H", len(fields))
    directory += b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in fields) + bytes(4)
    return (struct.pack("<2sHI", b"II", 42, 8) + directory).ljust(start, b"\0") + content


def box(kind: bytes, content: bytes) -> bytes:
    """ISO/IEC 14496-12, 4.2."""
    return struct.pack(">I4s", len(content) + 8, kind) + content


def film(*, index_first: bool = False, sound: bytes = b"\x21\x1b" * 4000) -> bytes:
    """A film in the form of an MP4: `ftyp`, `mdat`, and its index before or behind it."""
    start = box(b"ftyp", b"mp42\0\0\0\0mp42isom")
    index = box(b"moov", box(b"mvhd", bytes(100)))
    body = box(b"mdat", sound)
    return start + (index + body if index_first else body + index)


def canon_raw(jpeg: bytes, image: bytes) -> bytes:
    """A raw in the form of a CR3: an index with one sample a track, and `mdat` with a JPEG and the image data."""
    start = box(b"ftyp", b"crx \0\0\0\1crx isom")

    def track(at: int, size: int, said: bytes) -> bytes:
        table = box(b"stsd", b"\0\0\0\0\0\0\0\1" + box(b"CRAW", bytes(78) + said))
        table += box(b"stsz", struct.pack(">III", 0, size, 1)) + box(b"co64", struct.pack(">IIQ", 0, 1, at))
        media = box(b"hdlr", bytes(8) + b"vide" + bytes(12)) + box(b"minf", box(b"stbl", table))
        return box(b"trak", box(b"mdia", media))

    def index(at: int) -> bytes:
        tracks = track(at, len(jpeg), box(b"JPEG", b"\0\0\0\0"))
        return box(b"moov", tracks + track(at + len(jpeg), len(image), box(b"CMP1", bytes(40))))

    at = len(start) + len(index(0)) + 8
    return start + index(at) + box(b"mdat", jpeg + image)


def heif(image: bytes) -> bytes:
    """A picture in the form of a HEIF file: one item, in one piece."""
    start = box(b"ftyp", b"heic\0\0\0\0mif1heic")

    def meta(at: int) -> bytes:
        iloc = bytes([1, 0, 0, 0, 0x44, 0]) + struct.pack(">H", 1)
        iloc += struct.pack(">HHHHII", 1, 0, 0, 1, at, len(image))
        return box(b"meta", bytes(4) + box(b"hdlr", bytes(24)) + box(b"iloc", iloc))

    return start + meta(len(start) + len(meta(0)) + 8) + box(b"mdat", image)


def raf(jpeg: bytes, image: bytes) -> bytes:
    """A raw in the form of a RAF."""
    head = b"FUJIFILMCCD-RAW 0201FF389201" + b"Orrery R7".ljust(32, b"\0") + b"0712".ljust(24, b"\0")
    fields = b"\0\0\0\1" + bytes(60)
    places = struct.pack(
        ">6I", 148, len(jpeg), 148 + len(jpeg), len(fields), 148 + len(jpeg) + len(fields), len(image)
    )
    return head + places + bytes(40) + jpeg + fields + image


def crw(jpeg: bytes, image: bytes) -> bytes:
    """A raw in the form of a CRW: a heap, its directory at the very end (CIFF 1.0 revision 4; from memory)."""
    inner = struct.pack("<H", 1) + struct.pack("<HII", 0x4810, 1, 2) + struct.pack("<I", 0)
    parts = [(0x2005, image), (0x2007, jpeg), (0x300A, inner)]
    entries, body = [], b""
    for tag, content in parts:
        entries.append(struct.pack("<HII", tag, len(content), len(body)))
        body += content
    directory = struct.pack("<H", len(entries)) + b"".join(entries) + struct.pack("<I", len(body))
    return b"II\x1a\0\0\0HEAPCCDR\2\0\1\0".ljust(26, b"\0") + body + directory


_SMALL = write_jpeg(stage_scene(7, 2, 2), 16, 16)
