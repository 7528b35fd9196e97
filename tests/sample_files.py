"""Small files as cameras write them, made by hand: boxes, a RAF, a CRW. And where the sample files lie.

`data/stage.heic` is a picture of random discs, drawn by code and encoded once as HEVC, for no encoder of HEVC is
among what the tests need.
"""

from __future__ import annotations

import io
import random
import struct
from datetime import datetime
from pathlib import Path

import pytest
from PIL import Image

from tripleguard.demo.camera_files import make_camera_jpeg, make_raw
from tripleguard.demo.mosaic import encode_jpeg
from tripleguard.demo.stage_scene import paint_stage_scene

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
    return make_raw(seed, taken_at=TAKEN, subsec=7, offset="+02:00", serial="40017731", size=size)


def picture(seed: int = 7, width: int = 480, height: int = 320) -> bytes:
    """A camera JPEG."""
    return make_camera_jpeg(
        seed, taken_at=TAKEN, subsec=7, offset="+02:00", serial="40017731", width=width, height=height
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


def noise(width: int, height: int, mode: str = "RGB") -> Image.Image:
    """A picture of nothing but noise, which no coding makes small."""
    bands = len(mode) if mode != "P" else 1
    return Image.frombytes(mode, (width, height), random.Random(9).randbytes(width * height * bands))


def written(image: Image.Image, form: str, **how: object) -> bytes:
    """A picture as Pillow and the libraries it carries write it."""
    out = io.BytesIO()
    image.save(out, form, **how)
    return out.getvalue()


def heic() -> bytes:
    """A HEIF picture that an encoder wrote."""
    return (Path(__file__).parent / "data" / "stage.heic").read_bytes()


def coded(size: int, seed: int = 5) -> bytes:
    """Bytes as a coder writes them: without zeros and ones."""
    return random.Random(seed).randbytes(size).replace(b"\xff", b"\xfe").replace(b"\0", b"\1")


def whole_film(brand: bytes, samples: list[bytes], *, index_first: bool = False, room: int = 0) -> bytes:
    """A film whose index says where each sample lies (ISO/IEC 14496-12, 8.7), ten samples to a chunk."""
    start = box(b"ftyp", brand + bytes(4) + brand)
    chunks = [samples[at : at + 10] for at in range(0, len(samples), 10)]

    def index(at: int) -> bytes:
        places = []
        for chunk in chunks:
            places.append(at)
            at += sum(map(len, chunk))
        table = box(b"stsd", bytes(8)) + box(b"stts", struct.pack(">IIII", 0, 1, len(samples), 1))
        table += box(b"stsz", struct.pack(f">III{len(samples)}I", 0, 0, len(samples), *map(len, samples)))
        runs = [(1, 10, 1), *([(len(chunks), len(chunks[-1]), 1)] if len(chunks[-1]) != 10 else [])]
        table += box(
            b"stsc", struct.pack(">II", 0, len(runs)) + b"".join(struct.pack(">III", *run) for run in runs)
        )
        table += box(b"stco", struct.pack(f">II{len(places)}I", 0, len(places), *places))
        media = box(b"mdia", box(b"mdhd", bytes(24)) + box(b"minf", box(b"stbl", table)))
        return box(b"moov", box(b"mvhd", bytes(100)) + box(b"trak", box(b"tkhd", bytes(84)) + media))

    body = box(b"mdat", b"".join(samples) + bytes(room))
    if index_first:
        return start + index(len(start) + len(index(0)) + 8) + body
    return start + body + index(len(start) + 8)


def riff_chunk(kind: bytes, content: bytes) -> bytes:
    """RIFF: IBM and Microsoft, 1991."""
    return struct.pack("<4sI", kind, len(content)) + content + b"\0" * (len(content) % 2)


def whole_avi(pictures: list[bytes]) -> bytes:
    """A film of JPEG pictures and an index behind them."""
    shown = b"movi" + b"".join(riff_chunk(b"00dc", one) for one in pictures)
    entries, at = bytearray(), 4
    for one in pictures:
        entries += struct.pack("<4sIII", b"00dc", 16, at, len(one))
        at += 8 + len(one) + len(one) % 2
    header = riff_chunk(b"LIST", b"hdrl" + riff_chunk(b"avih", bytes(56)))
    inside = b"AVI " + header + riff_chunk(b"JUNK", bytes(500)) + riff_chunk(b"LIST", shown)
    return riff_chunk(b"RIFF", inside + riff_chunk(b"idx1", bytes(entries)))


def mrw(width: int = 200, height: int = 100) -> bytes:
    """A raw in the form of an MRW: blocks, among them the sensor's size, and twelve bits for each value."""
    sizes = struct.pack(">4H4BI", height, width, height, width, 12, 12, 0x59, 0, 0x10000)
    blocks = b"\0PRD" + struct.pack(">I", 8 + len(sizes)) + b"27730001" + sizes
    blocks += b"\0TTW" + struct.pack(">I", 200) + b"\1" * 200
    return b"\0MRM" + struct.pack(">I", len(blocks)) + blocks + coded(width * height * 12 // 8)


def rw2(width: int = 200, height: int = 100) -> bytes:
    """A raw in the form of an RW2: its sensor's size, and where 16 bytes for each 14 pixels begin. From memory."""
    start = 256
    fields = ((0x0002, width), (0x0003, height), (0x002D, 4), (0x0118, start))
    directory = struct.pack("<H", len(fields))
    directory += b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in fields) + bytes(4)
    return (b"IIU\0" + struct.pack("<I", 8) + directory).ljust(start, b"\1") + coded(width * height // 14 * 16)


def matroska(content: bytes, kind: bytes = b"matroska") -> bytes:
    """A film in the form of Matroska: its head, and one segment with its length (RFC 8794, 4 and 11)."""
    head = b"\x42\x82" + bytes([0x80 | len(kind)]) + kind
    segment = b"\x18\x53\x80\x67\x01" + len(content).to_bytes(7, "big") + content
    return b"\x1a\x45\xdf\xa3" + bytes([0x80 | len(head)]) + head + segment


def asf(content: bytes) -> bytes:
    """A film in the Advanced Systems Format: a header object and a data object (Microsoft, 2.1)."""
    header = bytes.fromhex("3026b2758e66cf11a6d900aa0062ce6c") + struct.pack("<Q", 24 + 60) + b"\1" * 60
    shown = bytes.fromhex("3626b2758e66cf11a6d900aa0062ce6c") + struct.pack("<Q", 50 + len(content)) + b"\1" * 26
    return header + shown + content


def jxl(content: bytes) -> bytes:
    """A JPEG XL file of boxes, its codestream in two parts (ISO/IEC 18181-2, 9.9)."""
    half = len(content) // 2
    parts = box(b"jxlp", bytes(4) + content[:half]) + box(b"jxlp", b"\x80\0\0\1" + content[half:])
    return box(b"JXL ", b"\r\n\x87\n") + box(b"ftyp", b"jxl \0\0\0\0jxl ") + parts


_SMALL = encode_jpeg(paint_stage_scene(7, 2, 2), 16, 16)
