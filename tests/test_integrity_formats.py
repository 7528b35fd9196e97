"""Every kind of picture and film that a card may hold: whole, cut, and other bytes under its name.

PNG, GIF, WebP, AVIF, JPEG 2000 and TIFF are written by Pillow and the libraries it carries, which know nothing of
what is looked for here; the other forms are made by hand after their published descriptions (`files`).
"""

from __future__ import annotations

import random

import pytest
from sample_files import (
    asf,
    coded,
    heic,
    jxl,
    matroska,
    mrw,
    noise,
    picture,
    raw,
    rw2,
    whole_avi,
    whole_film,
    written,
)

from tripleguard.cameras.integrity.checker import check_integrity, get_uncheckable_kind
from tripleguard.cameras.integrity.signatures import detect_format, get_allowed_formats
from tripleguard.cameras.kinds import kind_of, list_extensions
from tripleguard.model import FileKind, Integrity, IntegrityVerdict

CLEAN = IntegrityVerdict(Integrity.CLEAN)
DAMAGED = (Integrity.BROKEN, Integrity.SUSPICIOUS)

NO_KNOWN_BEGINNING = {"bay", "cs1", "mdc", "rmf"}
"""Kinds whose beginning is not published and not known here."""


def samples(count: int = 60, size: int = 700) -> list[bytes]:
    return [coded(size + number, number) for number in range(count)]


MADE = {
    "IMG_0001.PNG": written(noise(90, 60), "PNG"),
    "IMG_0002.PNG": written(noise(300, 200, "L"), "PNG", optimize=True),
    "IMG_0001.GIF": written(noise(90, 60, "P"), "GIF"),
    "IMG_0002.GIF": written(noise(30, 20, "P"), "GIF", save_all=True, append_images=[noise(30, 21, "P")]),
    "IMG_0001.WEBP": written(noise(90, 60), "WEBP"),
    "IMG_0002.WEBP": written(noise(90, 60), "WEBP", lossless=True),
    "IMG_0001.AVIF": written(noise(90, 60), "AVIF", quality=90),
    "IMG_0001.JP2": written(noise(90, 60), "JPEG2000"),
    "IMG_0001.TIF": written(noise(90, 60), "TIFF"),
    "IMG_0002.TIF": written(noise(90, 60), "TIFF", compression="tiff_adobe_deflate"),
    "IMG_0001.JXL": jxl(coded(4000)),
    "IMG_0001.HEIC": heic(),
    "PICT0001.MRW": mrw(),
    "GL010001.LRV": whole_film(b"mp41", samples()),
    "VID_0001.INSV": whole_film(b"avc1", samples(), index_first=True),
    "C0001.MP4": whole_film(b"XAVC", samples()),
    "MOV_0001.MOV": whole_film(b"qt  ", samples()),
    "MOV_0001.AVI": whole_avi(samples()),
    "VID_0001.WEBM": matroska(coded(9000), b"webm"),
    "VID_0001.MKV": matroska(coded(9000)),
    "VID_0001.WMV": asf(coded(9000)),
}
"""Small whole files by name."""


@pytest.mark.parametrize("name", MADE)
def test_a_whole_file_is_clean(name: str) -> None:
    assert check_integrity(name, MADE[name])[0] == CLEAN


@pytest.mark.parametrize("name", MADE)
def test_a_file_that_was_cut_anywhere_is_broken(name: str) -> None:
    content = MADE[name]
    lengths = {len(content) // 3, *range(0, min(len(content), 1500), 7), *range(0, len(content), 499)}
    lengths |= set(range(len(content) - 60, len(content)))
    if name.endswith("WEBP") and content[-1] == 0:
        # The last byte fills up an odd length; nothing is missing without it.
        lengths.remove(len(content) - 1)
    for length in sorted(lengths):
        assert check_integrity(name, content[:length])[0].integrity is Integrity.BROKEN, length


@pytest.mark.parametrize("name", MADE)
def test_the_first_third_is_broken_in_whatever_pieces_it_passes(name: str) -> None:
    from test_integrity_check import in_pieces, sizes_of

    content = MADE[name]
    third = content[: len(content) // 3]
    for seed, largest in enumerate((50, 700, 5000)):
        assert in_pieces(name, content, sizes_of(random.Random(seed), largest)) == CLEAN
        found = in_pieces(name, third, sizes_of(random.Random(seed), largest))
        assert found.integrity is Integrity.BROKEN


@pytest.mark.parametrize(
    "extension", sorted(list_extensions(FileKind.RAW, FileKind.PICTURE, FileKind.VIDEO) - NO_KNOWN_BEGINNING)
)
@pytest.mark.parametrize("what", ["noise", "zeros", "ones", "a page of the web", "another picture"])
def test_what_does_not_begin_as_its_kind_begins_is_damage(extension: str, what: str) -> None:
    other = MADE["IMG_0001.GIF"] if extension != "gif" else MADE["IMG_0001.PNG"]
    content = {
        "noise": random.Random(extension).randbytes(200_000),
        "zeros": bytes(200_000),
        "ones": b"\xff" * 200_000,
        "a page of the web": b"<html>sign in to go on</html>\n" * 8000,
        "another picture": other,
    }[what]
    found = check_integrity(f"IMG_0001.{extension.upper()}", content)[0]
    assert found.integrity in DAMAGED
    assert get_uncheckable_kind(found, f"a.{extension}") is None


@pytest.mark.parametrize("extension", sorted(NO_KNOWN_BEGINNING))
def test_a_kind_whose_beginning_nobody_knows_is_named(extension: str) -> None:
    name = f"IMG_0001.{extension.upper()}"
    found = check_integrity(name, random.Random(1).randbytes(5000))[0]
    assert (found.integrity, get_uncheckable_kind(found, name)) == (Integrity.UNCHECKED, extension.upper())


def test_every_kind_in_the_table_has_a_beginning_but_those_nobody_knows() -> None:
    known = list_extensions(FileKind.RAW, FileKind.PICTURE, FileKind.VIDEO, FileKind.SOUND)
    assert {extension for extension in known if get_allowed_formats(extension) is None} == NO_KNOWN_BEGINNING


@pytest.mark.parametrize(
    ("name", "begin", "kind"),
    [
        ("IMG_0001.JXL", b"\xff\x0a", "JXL"),
        ("IMG_0001.FPX", bytes.fromhex("d0cf11e0a1b11ae1"), "FPX"),
        ("A001_C001.R3D", b"\0\0\1\0RED2", "R3D"),
        ("C0001.MXF", bytes.fromhex("060e2b34020501010d01020101020400"), "MXF"),
        ("P0001.IIQ", b"IIII\x14", "IIQ"),
        ("A0001.ARI", b"ARRI", "ARI"),
        ("IMG_0001.EIP", b"PK\3\4", "EIP"),
    ],
)
def test_a_right_beginning_without_a_walk_is_told_by_its_kind(name: str, begin: bytes, kind: str) -> None:
    """The magic numbers: see `beginnings`."""
    found = check_integrity(name, begin + coded(5000))[0]
    assert (found.integrity, get_uncheckable_kind(found, name)) == (Integrity.UNCHECKED, kind)


def test_a_picture_that_can_be_checked_and_was_not_is_no_matter_of_its_kind() -> None:
    fault_of_ours = IntegrityVerdict(Integrity.UNCHECKED, explanation="it was not read to its end")
    assert get_uncheckable_kind(fault_of_ours, "ORR_0001.NEF") is None
    assert get_uncheckable_kind(fault_of_ours, "ORR_0001.JPG") is None
    assert get_uncheckable_kind(CLEAN, "ORR_0001.JXL") is None


def test_an_rw2_is_known_to_be_cut_and_never_to_be_whole() -> None:
    content = rw2()
    for extension in ("RW2", "RWL"):
        found = check_integrity(f"P0000001.{extension}", content)[0]
        assert (found.integrity, get_uncheckable_kind(found, f"a.{extension}")) == (Integrity.UNCHECKED, extension)
        cut = check_integrity(f"P0000001.{extension}", content[: len(content) // 3])[0]
        assert cut.integrity is Integrity.BROKEN


@pytest.mark.parametrize("name", ["IMG_0001.PNG", "IMG_0002.PNG"])
def test_any_other_byte_in_a_png_is_found(name: str) -> None:
    """W3C PNG, 5.3: each chunk carries its CRC."""
    content = MADE[name]
    for at in range(8, len(content), 211):
        changed = bytearray(content)
        changed[at] ^= 0x10
        assert check_integrity(name, bytes(changed))[0].integrity in DAMAGED, at


def test_raws_that_are_tiff_files_are_walked_under_each_of_their_names() -> None:
    content = raw()
    names = "3fr arw cr2 dng erf fff mef nef nrw pef srw mos dcr kdc iiq"
    for extension in names.split(" "):
        assert kind_of(f"a.{extension}") is FileKind.RAW
        assert check_integrity(f"ORR_0001.{extension.upper()}", content)[0] == CLEAN
        cut = check_integrity(f"ORR_0001.{extension.upper()}", content[: len(content) // 3])[0]
        assert cut.integrity is Integrity.BROKEN


def test_a_file_shorter_than_any_beginning_has_none() -> None:
    assert detect_format(b"") is None
    assert detect_format(b"\xff") is None


def test_a_jpeg_under_the_name_of_a_raw_is_told() -> None:
    for extension in ("MRW", "3FR", "JXL", "PNG", "MOV"):
        found = check_integrity(f"ORR_0001.{extension}", picture())[0]
        assert found.integrity is Integrity.SUSPICIOUS
        assert "as another kind of file does (JPEG)" in found.flaws[0].explanation
