"""Sounds, older films, and what erased memory leaves: cuts and holes are found there too, whole ones are clean.

Sounds are written by Python's `wave`; the form of an AVI is that of Multimedia Programming Interface and Data
Specifications 1.0 (IBM, Microsoft, 1991), packets are those of ISO/IEC 13818-1, 2.4.3.2.
"""

from __future__ import annotations

import io
import random
import struct
import wave

import pytest
from sample_files import canon_raw, film, heif, picture, strip_raw

from tripleguard.cameras.integrity.checker import MIN_BLANK_BYTES_IN_FILM, check_integrity
from tripleguard.model import Integrity, IntegrityVerdict

CODED = random.Random(5).randbytes(40_000).replace(b"\xff", b"\xfe").replace(b"\0", b"\1")


def verdict(name: str, content: bytes) -> IntegrityVerdict:
    return check_integrity(name, content)[0]


def sound(frames: int = 5000) -> bytes:
    out = io.BytesIO()
    with wave.open(out, "wb") as to:
        to.setnchannels(1)
        to.setsampwidth(1)
        to.setframerate(8000)
        to.writeframes(CODED[:frames])
    return out.getvalue()


def chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack("<4sI", kind, len(content)) + content + b"\0" * (len(content) % 2)


def avi(frames: int = 20) -> bytes:
    header = chunk(b"LIST", b"hdrl" + chunk(b"avih", bytes(56)))
    shown = chunk(b"LIST", b"movi" + b"".join(chunk(b"00dc", CODED[:1001]) for _ in range(frames)))
    return chunk(
        b"RIFF", b"AVI " + header + chunk(b"JUNK", bytes(500)) + shown + chunk(b"idx1", bytes(16 * frames))
    )


def x3f() -> bytes:
    """Foveon's form: sections, a directory of them, and where it begins in the last four bytes. From memory."""
    body = b"FOVb".ljust(104, b"\1") + CODED
    entries = struct.pack("<II4s", 40, 64, b"PROP") + struct.pack("<II4s", 104, len(CODED), b"IMA2")
    return body + b"SECd" + struct.pack("<II", 0x20000, 2) + entries + struct.pack("<I", len(body))


def packets(width: int, number: int = 400) -> bytes:
    source = random.Random(3)
    return b"".join(bytes(width - 188) + b"\x47" + source.randbytes(187) for _ in range(number))


@pytest.mark.parametrize(
    "content",
    [sound(), sound(4999), sound(0), sound() + b"\0", sound() + bytes(9000), sound() + b"a note of mine"],
)
def test_a_spoken_note_is_clean_also_with_an_odd_number_of_bytes(content: bytes) -> None:
    assert verdict("ORR_0001.WAV", content) == IntegrityVerdict(Integrity.CLEAN)


def test_a_sound_over_4_gb_says_its_length_elsewhere() -> None:
    """RF64: EBU Tech 3306, 3."""
    lengths = struct.pack("<QQQI", 0, 4000, 2000, 0)
    inside = b"WAVE" + chunk(b"ds64", lengths) + chunk(b"fmt ", bytes(16)) + b"data\xff\xff\xff\xff" + CODED[:4000]
    content = b"RF64\xff\xff\xff\xff" + inside
    assert verdict("ORR_0001.WAV", content) == IntegrityVerdict(Integrity.CLEAN)
    assert verdict("ORR_0001.WAV", content[:-100]).integrity is Integrity.BROKEN


@pytest.mark.parametrize(
    ("name", "content"), [("ORR_0001.WAV", sound()), ("ORR_0001.AVI", avi()), ("ORR_0001.X3F", x3f())]
)
def test_a_sound_an_older_film_or_an_x3f_that_was_cut_is_broken(name: str, content: bytes) -> None:
    assert verdict(name, content) == IntegrityVerdict(Integrity.CLEAN)
    for length in {*range(128, len(content), 97), *range(len(content) - 40, len(content))}:
        found = verdict(name, content[:length])
        assert found.integrity is Integrity.BROKEN, length


def test_a_recording_that_lost_its_power_is_told_and_not_called_whole() -> None:
    content = bytearray(sound())
    content[4:8] = content[40:44] = bytes(4)
    found = verdict("ORR_0001.WAV", bytes(content))
    assert found.integrity is Integrity.SUSPICIOUS
    assert "could not finish" in found.flaws[0].explanation


@pytest.mark.parametrize("filled", [b"\0", b"\x17", b"d", b""])
def test_pictures_of_odd_lengths_in_a_film_are_followed_however_they_are_filled_up(filled: bytes) -> None:
    pictures = b"".join(struct.pack("<4sI", b"00dc", 1001) + CODED[:1001] + filled for _ in range(40))
    header = chunk(b"LIST", b"hdrl" + chunk(b"avih", bytes(56)))
    shown = chunk(b"LIST", b"movi" + pictures)
    assert verdict("ORR_0001.AVI", chunk(b"RIFF", b"AVI " + header + shown)) == IntegrityVerdict(Integrity.CLEAN)


@pytest.mark.parametrize(("name", "width"), [("00001.MTS", 192), ("00001.M2TS", 192), ("00001.M2T", 188)])
def test_a_stream_of_packets_is_never_called_clean_and_its_damage_is_found(name: str, width: int) -> None:
    content = packets(width)
    found = verdict(name, content)
    assert found.integrity is Integrity.UNCHECKED
    assert not found.flaws
    assert verdict(name, content[: 100 * width - 1]).integrity is Integrity.BROKEN
    assert verdict(name, content[:300]).integrity is Integrity.BROKEN
    holed = bytearray(content)
    holed[40_960:57_344] = bytes(16_384)
    assert verdict(name, bytes(holed)).integrity is Integrity.SUSPICIOUS
    moved = content[: 200 * width] + content[200 * width + 50 :]
    assert "not where they must be" in " ".join(flaw.explanation for flaw in verdict(name, moved).flaws)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("ORR_0001.CR3", canon_raw(picture(), CODED)),
        ("ORR_0001.HIF", heif(CODED)),
        ("ORR_0001.NEF", strip_raw(CODED, compression=34713, width=300, height=300, bits=14, samples=1)),
    ],
)
def test_erased_memory_in_a_compressed_picture_is_a_hole(name: str, content: bytes) -> None:
    """Flash that was erased and not written since reads as ones."""
    assert not verdict(name, content).flaws
    holed = bytearray(content)
    at = len(content) // 512 * 512 - 16_384
    holed[at : at + 8192] = b"\xff" * 8192
    found = verdict(name, bytes(holed))
    assert found.integrity is Integrity.SUSPICIOUS
    assert "nothing but ones" in found.flaws[0].explanation


def test_the_sun_in_bare_sensor_values_is_no_hole() -> None:
    """Twelve bits in a row, all of them at the top: the same ones."""
    bare = bytearray(CODED[:30_000])
    bare[5_000:20_000] = b"\xff" * 15_000
    for compression in (1, 34713):
        content = strip_raw(bytes(bare), compression=compression, width=200, height=100, bits=12, samples=1)
        assert verdict("ORR_0001.NEF", content) == IntegrityVerdict(Integrity.CLEAN)


def test_silence_in_a_film_is_no_hole_and_megabytes_of_nothing_are() -> None:
    silent = b"\1" * 5000 + bytes(MIN_BLANK_BYTES_IN_FILM // 2) + b"\1" * 5000
    assert verdict("ORR_0001.MP4", film(sound=silent)) == IntegrityVerdict(Integrity.CLEAN)
    with_room = b"\1" * 5000 + bytes(2 * MIN_BLANK_BYTES_IN_FILM)
    assert verdict("ORR_0001.MP4", film(sound=with_room)) == IntegrityVerdict(Integrity.CLEAN)
    empty = b"\1" * 5000 + bytes(MIN_BLANK_BYTES_IN_FILM + 4096) + b"\1" * 5000
    found = verdict("ORR_0001.MP4", film(sound=empty))
    assert found.integrity is Integrity.SUSPICIOUS
    assert "nothing but zeros" in found.flaws[0].explanation
