"""Who took a picture and when, from the head of its file: read right, and never harmed by what stands there."""

from __future__ import annotations

import functools
import os
import struct
import time
import tracemalloc
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tripleguard.cameras.boxes import MAX_BOXES, MAX_ITEMS
from tripleguard.cameras.capture import MAX_SEGMENTS, MAX_TEXT_LENGTH, clean_text, read_capture
from tripleguard.cameras.tiff import MAX_ENTRIES
from tripleguard.model import Capture

SAMPLES = Path(os.environ.get("TRIPLEGUARD_SAMPLES") or Path(__file__).parents[1].parent / "shared" / "samples")

# Read once with ExifRead 3.5.1, Pillow 13.0.0 and exiv2 0.28.8, which agree wherever more than one of them can
# read a file; of the CR3, Pillow 13.0.0 on its CMT1 and CMT2 blocks; Leica, GPR and Nikon serials: exiv2 0.28.8;
# Sony keys: exiftool 12.57, deciphered (test_metadata_oracle.py).
READ_BY_OTHERS = {
    "A6400_DSC00008.JPG": Capture("2024-07-19T09:14:43", None, "-07:00", "SONY", "ILCE-6400", "key e70000001dea"),
    "C-5050_PB180007.JPG": Capture("2020-11-18T17:56:33", None, None, "OLYMPUS OPTICAL CO.,LTD", "C5050Z", None),
    "D3100_DSC_0001.JPG": Capture(
        "2020-07-15T08:34:44", "80", None, "NIKON CORPORATION", "NIKON D3100", "3685428"
    ),
    "D3100_DSC_0006.JPG": Capture(
        "2020-07-15T08:36:15", "20", None, "NIKON CORPORATION", "NIKON D3100", "3685428"
    ),
    "EOS_RP__MG_0632.JPG": Capture("2020-02-18T08:55:40", "64", "-07:00", "Canon", "Canon EOS RP", "082023000439"),
    "Hero7Black_GOPR8508.JPG": Capture(
        "2020-10-28T08:54:19", None, None, "GoPro", "HERO7 Black", "C3281327008278"
    ),
    "GOPR8508.GPR": Capture("2020-10-28T08:54:19", None, None, "GoPro", "HERO7 Black", "C3281327008278"),
    "P003917.KDC": Capture(
        "1994-01-02T16:01:02", None, None, "Eastman Kodak Company", "Kodak DC120 ZOOM Digital Camera", None
    ),
    "filetype_fixture-Leica-M10.dng": Capture(
        "2017-01-05T17:54:40", None, None, "Leica Camera AG", "LEICA M10", None
    ),
    "filetype_fixture-sony-zv-e10.arw": Capture(
        "2021-07-24T14:23:06", "583", "-07:00", "SONY", "ZV-E10", "key 1a00000068ea"
    ),
    "filetype_fixture.cr3": Capture("2019-12-05T13:32:49", "54", "+08:00", "Canon", "Canon EOS R", "085023000606"),
}


def sample(name: str, size: int) -> bytes:
    """The first bytes of a sample file; skips the test where the samples are not at hand."""
    path = SAMPLES / name
    if not path.is_file():
        pytest.skip(f"no sample file {name} beside the project")
    with path.open("rb") as file:
        return file.read(size)


Value = tuple[int, bytes]
Fields = dict[int, Value]
TYPE_BYTES = {1: 1, 2: 1, 3: 2, 4: 4, 7: 1, 13: 4}


def text(value: str) -> Value:
    return 2, value.encode() + b"\0"


def directory(order: str, fields: Fields, at: int) -> bytes:
    """A TIFF 6.0 directory that begins at offset `at`, its longer values behind it."""
    entries, values = struct.pack(order + "H", len(fields)), b""
    behind = at + 2 + 12 * len(fields) + 4
    for tag, (kind, value) in sorted(fields.items()):
        entries += struct.pack(order + "HHI", tag, kind, len(value) // TYPE_BYTES[kind])
        if len(value) <= 4:
            entries += value.ljust(4, b"\0")
        else:
            entries += struct.pack(order + "I", behind + len(values))
            values += value + b"\0" * (len(value) % 2)
    return entries + b"\0\0\0\0" + values


def tiff(
    main: Fields,
    exif: Fields | None = None,
    magic: bytes = b"II*\0",
    note: Callable[[int], bytes] | None = None,
) -> bytes:
    """A TIFF block of a main and an Exif directory. note: the maker note for the offset where it will lie."""
    order = ">" if magic.startswith(b"M") else "<"
    head = magic + struct.pack(order + "I", 8)
    if exif is None:
        return head + directory(order, main, 8)
    at = 8 + len(directory(order, main | {0x8769: (4, b"\0" * 4)}, 8))
    body = head + directory(order, main | {0x8769: (4, struct.pack(order + "I", at))}, 8)
    if note is None:
        return body + directory(order, exif, at)
    mark = b"<the note>".ljust(len(note(0)), b".")
    where = at + directory(order, exif | {0x927C: (7, mark)}, at).index(mark)
    return body + directory(order, exif | {0x927C: (7, note(where))}, at)


def jpeg(block: bytes, before: bytes = b"", after: bytes = b"") -> bytes:
    exif = b"Exif\0\0" + block
    return b"\xff\xd8" + before + b"\xff\xe1" + struct.pack(">H", len(exif) + 2) + exif + after + b"\xff\xda\0\x08"


def box(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I4s", len(content) + 8, kind) + content


CANON_UUID = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")


def cr3(**blocks: bytes) -> bytes:
    inner = box(b"CNCV", b"CanonCR3_001/00.09.00/00.00.00")
    inner += b"".join(box(name.encode(), block) for name, block in blocks.items())
    return box(b"ftyp", b"crx \0\0\0\1crx isom") + box(b"moov", box(b"uuid", CANON_UUID + inner))


def heif(
    block: bytes,
    version: int = 1,
    *,
    method: int = 0,
    index_size: int = 0,
    infe_version: int = 2,
    lead: bytes = b"Exif\0\0",
    others: int = 1,
) -> bytes:
    """A HEIF file as ISO/IEC 14496-12 (8.11) and 23008-12 (annex A) say: picture items, then an Exif item.

    version, method, index_size: of `iloc`. lead: what stands between the item's first number and the block.
    """
    item = struct.pack(">I", len(lead)) + lead + block
    start = box(b"ftyp", b"heic\0\0\0\0mif1heic")
    number = ">I" if version == 2 else ">H"
    index = b"\0" * index_size if version else b""

    def infe(n: int, kind: bytes) -> bytes:
        wide = ">IH" if infe_version == 3 else ">HH"
        return box(b"infe", bytes([infe_version, 0, 0, 0]) + struct.pack(wide, n, 0) + kind + b"\0")

    def meta(at: int) -> bytes:
        places = b""
        for n in range(1, others + 2):
            offset, length = (at, len(item)) if n == others + 1 else (0, 4)
            places += struct.pack(number, n) + (struct.pack(">H", method) if version else b"") + b"\0\0"
            places += struct.pack(">H", 1) + index + struct.pack(">II", offset, length)
        iloc = bytes([version, 0, 0, 0, 0x44, index_size]) + struct.pack(number, others + 1) + places
        iinf = b"\0\0\0\0" + struct.pack(">H", 2) + infe(1, b"hvc1") + infe(others + 1, b"Exif")
        return box(b"meta", b"\0\0\0\0" + box(b"hdlr", b"\0" * 24) + box(b"iinf", iinf) + box(b"iloc", iloc))

    at = len(start) + len(meta(0)) + 8
    return start + meta(at) + box(b"mdat", item)


def raf(model: str, picture: bytes) -> bytes:
    head = b"FUJIFILMCCD-RAW 0201FF389201" + model.encode().ljust(32, b"\0") + b"0712".ljust(24, b"\0")
    return head + struct.pack(">II", 148, len(picture)) + b"\0" * 56 + picture


MAIN: Fields = {0x010F: text("Orrery"), 0x0110: text("Orrery R7"), 0x0132: text("2026:06:13 23:59:59")}
EXIF: Fields = {
    0x9003: text("2026:06:13 21:14:07"),
    0x9004: text("2026:06:13 21:14:08"),
    0x9290: text("90"),
    0x9291: text("07"),
    0x9010: text("+00:00"),
    0x9011: text("+02:00"),
    0xA431: text("30012345"),
}
WHOLE = Capture("2026-06-13T21:14:07", "07", "+02:00", "Orrery", "Orrery R7", "30012345")


def containers() -> dict[str, bytes]:
    block = tiff(MAIN, EXIF)
    cmt1, cmt2 = tiff(MAIN), tiff(EXIF)
    panasonic = tiff(MAIN | {0x002E: (7, jpeg(block))}, {0x9003: EXIF[0x9003]}, b"IIU\0")
    return {
        "big-endian.NEF": tiff(MAIN, EXIF, b"MM\0*"),
        "little-endian.ARW": block,
        "olympus.ORF": tiff(MAIN, EXIF, b"IIRO"),
        "olympus-older.ORF": tiff(MAIN, EXIF, b"IIRS"),
        "olympus-first.ORF": tiff(MAIN, EXIF, b"MMOR"),
        "panasonic.RW2": panasonic,
        "canon.CR3": cr3(CMT1=cmt1, CMT2=cmt2, CMT3=tiff({0x000C: (4, b"\1\0\0\0")})),
        "fujifilm.RAF": raf("Orrery R7", jpeg(block)),
        "plain.JPG": jpeg(block),
        "phone.HEIC": heif(block),
        "older.HEIF": heif(block, 0),
        "large.HIF": heif(block, 2, infe_version=3),
    }


@pytest.mark.parametrize("size", [1 << 18, 4 << 20])
@pytest.mark.parametrize("name", READ_BY_OTHERS)
def test_sample_files_read_as_reference_libraries_read_them(name: str, size: int) -> None:
    assert read_capture(sample(name, size), name) == READ_BY_OTHERS[name]


# Tag numbers as Pillow's ExifTags lists them; Exif: CIPA DC-008. ExifRead 3.5.1 or exiv2 0.28.8 or both read the
# same from each of these files; a HEIC written by libheif (pillow-heif 1.8.1) was read right on the desk.
@pytest.mark.parametrize("name", containers())
def test_every_container_gives_the_same_fields(name: str) -> None:
    assert read_capture(containers()[name], name) == WHOLE


def test_the_container_is_told_by_its_bytes_and_not_by_its_name() -> None:
    assert read_capture(containers()["plain.JPG"], "plain.CR3") == WHOLE
    assert read_capture(containers()["plain.JPG"], "GX010123.THM") == WHOLE
    assert read_capture(containers()["plain.JPG"], "IMG_0001.xmp") == Capture()
    assert read_capture(b"RIFF\0\0\0\0WAVEfmt ", "IMG_0001.WAV") == Capture()


def test_exif_is_found_behind_other_segments_and_fill_bytes() -> None:
    jfif = b"\xff\xe0\0\x10JFIF\0\1\1\0\0\1\0\1\0\0"
    xmp = b"\xff\xe1\0\x1fhttp://ns.adobe.com/xap/1.0/\0"
    assert read_capture(jpeg(tiff(MAIN, EXIF), jfif + b"\xff\xff" + xmp), "x.JPG") == WHOLE


@pytest.mark.parametrize(
    "file",
    [
        heif(tiff(MAIN, EXIF), lead=b""),
        heif(tiff(MAIN, EXIF), 1, index_size=4),
        heif(tiff(MAIN, EXIF), 0, index_size=4),  # version 0 has no index; the bits are reserved
        heif(tiff(MAIN, EXIF), others=MAX_ITEMS - 1),
    ],
)
def test_exif_items_of_heif_are_found_in_every_form_of_their_lists(file: bytes) -> None:
    assert read_capture(file, "x.HEIC") == WHOLE


@pytest.mark.parametrize("file", [heif(tiff(MAIN, EXIF), method=1), heif(tiff(MAIN, EXIF), others=MAX_ITEMS)])
def test_exif_items_of_heif_that_lie_elsewhere_or_too_far_down_are_not_looked_for(file: bytes) -> None:
    assert read_capture(file, "x.HEIC") == Capture()


def test_boxes_of_every_length_are_stepped_over() -> None:
    good = cr3(CMT1=tiff(MAIN), CMT2=tiff(EXIF))
    ftyp, moov = good[:24], good[24:]
    long = struct.pack(">I4sQ", 1, b"mdat", 16 + 100) + b"\xff" * 100
    assert read_capture(ftyp + long + moov, "x.CR3") == WHOLE
    to_the_end = b"\0\0\0\0" + moov[4:]
    assert read_capture(ftyp + to_the_end, "x.CR3") == WHOLE
    shorter_than_itself = struct.pack(">I", 4) + box(b"mdat", b"")
    assert read_capture(ftyp + shorter_than_itself + moov, "x.CR3") == Capture()


def test_nothing_behind_the_exif_segment_is_taken_for_exif() -> None:
    whole = jpeg(tiff(MAIN, EXIF))
    at = whole.index(b"Exif\0\0") - 2
    shorter = whole[:at] + struct.pack(">H", 40) + whole[at + 2 :]
    assert read_capture(shorter, "x.JPG") == Capture()


def test_the_jpeg_inside_a_panasonic_raw_fills_in_only_what_belongs_to_the_same_moment() -> None:
    inner = jpeg(tiff(MAIN, EXIF))
    own = {0x9003: text("2026:06:13 21:14:09")}
    capture = read_capture(tiff(MAIN | {0x002E: (7, inner)}, own, b"IIU\0"), "x.RW2")
    assert capture == Capture("2026-06-13T21:14:09", None, None, "Orrery", "Orrery R7", "30012345")


def test_a_fujifilm_header_names_the_model_where_the_jpeg_is_out_of_reach() -> None:
    assert read_capture(raf("Orrery R7", b"")[:120], "x.RAF") == Capture(model="Orrery R7")


def test_without_the_original_time_the_next_best_clock_is_read_with_its_own_fraction_and_zone() -> None:
    digitized = {tag: value for tag, value in EXIF.items() if tag != 0x9003} | {0x9292: text("33")}
    capture = read_capture(tiff(MAIN, digitized), "x.NEF")
    assert (capture.local, capture.subsec, capture.offset) == ("2026-06-13T21:14:08", "33", None)
    del digitized[0x9004]
    capture = read_capture(tiff(MAIN, digitized), "x.NEF")
    assert (capture.local, capture.subsec, capture.offset) == ("2026-06-13T23:59:59", "90", "+00:00")


@pytest.mark.parametrize(
    ("written", "local"),
    [
        ("1990:01:01 00:00:00", "1990-01-01T00:00:00"),
        ("2107:12:31 23:59:59", "2107-12-31T23:59:59"),
        ("2024:02:29 12:00:00", "2024-02-29T12:00:00"),
        ("2024-02-29T12:00:00Z", "2024-02-29T12:00:00"),
        ("1989:12:31 23:59:59", None),
        ("2108:01:01 00:00:00", None),
        ("2023:02:29 12:00:00", None),
        ("2024:06:31 12:00:00", None),
        ("2024:13:01 12:00:00", None),
        ("2024:06:01 24:00:00", None),
        ("2024:06:01 12:00:60", None),
        ("0000:00:00 00:00:00", None),
        ("    :  :     :  :  ", None),
        ("2024:06:01", None),
        ("२०२४:06:01 12:00:00", None),
        ("", None),
    ],
)
def test_only_a_real_time_counts(written: str, local: str | None) -> None:
    assert read_capture(tiff({0x0132: text(written)}), "x.NEF").local == local


@pytest.mark.parametrize(
    ("subsec", "offset", "expected"),
    [
        ("583", "-07:00", ("583", "-07:00")),
        ("5  ", "+14:00", ("5", "+14:00")),
        ("", "Z", (None, None)),
        ("-1", "+15:00", (None, None)),
        ("1234567890", "02:00", (None, None)),
        ("x", "+02:60", (None, None)),
    ],
)
def test_fractions_and_zones_that_are_none_are_left_out(
    subsec: str, offset: str, expected: tuple[str | None, str | None]
) -> None:
    capture = read_capture(tiff(MAIN, EXIF | {0x9291: text(subsec), 0x9011: text(offset)}), "x.NEF")
    assert (capture.subsec, capture.offset) == expected


def test_a_dng_serial_stands_in_for_exifs_own() -> None:
    # 0xC62F CameraSerialNumber: DNG specification 1.7
    without = {tag: value for tag, value in EXIF.items() if tag != 0xA431}
    main = MAIN | {0xC62F: text("C3281327008278")}
    assert read_capture(tiff(main, without), "x.DNG").serial == "C3281327008278"
    assert read_capture(tiff(main, EXIF), "x.DNG").serial == "30012345"


def nikon(at: int) -> bytes:
    return b"Nikon\0\2\x11\0\0" + tiff({0x001D: text("3685428")}, magic=b"MM\0*")


def canon(at: int) -> bytes:
    return directory("<", {0x000C: (4, struct.pack("<I", 420104567)), 0x0006: text("IMG:EOS")}, at)


def olympus(at: int) -> bytes:
    return b"OLYMPUS\0II\3\0" + olympus_directory(12)


def om_system(at: int) -> bytes:
    return b"OM SYSTEM\0\0\0II\4\0" + olympus_directory(16)


def olympus_directory(at: int) -> bytes:
    equipment = at + len(directory("<", {0x2010: (13, b"\0" * 4)}, at))
    here = directory("<", {0x2010: (13, struct.pack("<I", equipment))}, at)
    return here + directory("<", {0x0101: text("BHP242105")}, equipment)


def fujifilm(at: int) -> bytes:
    return b"FUJIFILM" + struct.pack("<I", 12) + directory("<", {0x0010: text("FF02B5071201    1509034FB330")}, 12)


def panasonic(at: int) -> bytes:
    return b"Panasonic\0\0\0" + directory("<", {0x0025: (7, b"F541101050112\0\0\0")}, at + 12)


# exiv2 0.28.8 finds the same serials in files made of these very bytes (it leaves the spaces of Fujifilm's and the
# digits of Canon's as they are); the Nikon sample file above is a real one.
@pytest.mark.parametrize(
    ("make", "note", "serial"),
    [
        ("NIKON CORPORATION", nikon, "3685428"),
        ("Canon", canon, "0420104567"),
        ("OLYMPUS CORPORATION", olympus, "BHP242105"),
        ("OM Digital Solutions", om_system, "BHP242105"),
        ("FUJIFILM", fujifilm, "FF02B5071201 1509034FB330"),
        ("Panasonic", panasonic, "F541101050112"),
        ("Orrery", canon, None),
    ],
)
def test_serials_from_maker_notes_where_exif_has_none(
    make: str, note: Callable[[int], bytes], serial: str | None
) -> None:
    exif = {tag: value for tag, value in EXIF.items() if tag != 0xA431}
    block = tiff(MAIN | {0x010F: text(make)}, exif, note=note)
    assert read_capture(jpeg(block), "x.JPG").serial == serial
    assert read_capture(jpeg(tiff(MAIN | {0x010F: text(make)}, EXIF, note=note)), "x.JPG").serial == "30012345"


def test_canons_note_stands_in_for_exifs_serial_in_a_cr3() -> None:
    exif = tiff({tag: value for tag, value in EXIF.items() if tag != 0xA431})
    note = tiff({0x000C: (4, struct.pack("<I", 420104567))})
    assert read_capture(cr3(CMT1=tiff(MAIN), CMT2=exif, CMT3=note), "x.CR3").serial == "0420104567"


@pytest.mark.parametrize("written", ["0000000000", "0", "   ", "\0\0\0\0\0\0", "-", "N/A", "unknown", "FFFFFFFF"])
def test_a_row_of_zeros_or_a_word_for_nothing_is_no_serial_so_that_two_bodies_are_not_taken_for_one(
    written: str,
) -> None:
    assert read_capture(tiff(MAIN, EXIF | {0xA431: text(written)}), "x.NEF").serial is None


def test_a_films_own_clock_is_read_and_said_to_be_utc_or_local() -> None:
    mvhd = box(b"mvhd", b"\0\0\0\0" + struct.pack(">II", 3_800_000_000, 3_800_000_000) + b"\0" * 88)
    film = box(b"ftyp", b"mp42\0\0\0\0mp42isom") + box(b"moov", mvhd)
    assert read_capture(film, "C0001.MP4") == Capture("2024-05-31T11:33:20", is_zone_known=False)


@pytest.mark.parametrize(
    ("raw", "clean"),
    [
        (b"GoPro\0\0\0\0", "GoPro"),
        (b"  Orrery \t R7 \n", "Orrery R7"),
        (b"\x1b[31mOrrery\x07", "[31mOrrery"),
        ("Orrery\u202e7R".encode(), "Orrery7R"),
        ("Orrerÿ".encode(), "Orrerÿ"),
        (b"Orrer\xff", "Orrerÿ"),
        (b"x" * 200, "x" * MAX_TEXT_LENGTH),
        (b"y" * 63 + b" z", "y" * 63),
        (b"\0Orrery", None),
        (b" \x00 ", None),
        (b"", None),
        (None, None),
    ],
)
def test_texts_come_out_as_one_clean_line(raw: bytes | None, clean: str | None) -> None:
    assert clean_text(raw.partition(b"\0")[0] if raw is not None else None) == clean


def test_texts_of_a_file_are_cleaned_on_the_way() -> None:
    main = MAIN | {0x0110: (2, b"\x1b]0;Orrery R7\x07" + b" " * 30 + b"\0junk behind")}
    assert read_capture(tiff(main, EXIF), "x.NEF").model == "]0;Orrery R7"


def check_sane(capture: Capture) -> None:
    for value in (capture.local, capture.subsec, capture.offset, capture.make, capture.model, capture.serial):
        assert value is None or (
            0 < len(value) <= MAX_TEXT_LENGTH and value.isprintable() and value == value.strip()
        )


NAMES = st.sampled_from(["x.CR3", "x.NEF", "x.JPG", "x.RAF", "x.HEIC", "x.MP4", "x.RW2", "x"])
SIGNATURES = st.sampled_from(
    [b"", b"II*\0", b"MM\0*", b"IIRO", b"IIU\0", b"\xff\xd8\xff\xe1", b"FUJIFILMCCD-RAW ", b"\0\0\0\x18ftypcrx "]
)


@given(SIGNATURES, st.binary(max_size=600), NAMES)
def test_any_bytes_get_an_answer(signature: bytes, rest: bytes, name: str) -> None:
    check_sane(read_capture(signature + rest, name))


@st.composite
def damaged(draw: st.DrawFn) -> tuple[str, bytes]:
    """A good file of some container with a few bytes overwritten, or words of it by large and small numbers."""
    name = draw(st.sampled_from(sorted(containers())))
    head = bytearray(containers()[name])
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, len(head) - 1))
        new = draw(
            st.one_of(
                st.binary(min_size=1, max_size=4),
                st.sampled_from([b"\xff\xff\xff\xff", b"\0\0\0\0", b"\x08\0\0\0", b"\0\0\0\x08", b"\xff\xff"]),
            )
        )
        head[at : at + len(new)] = new[: len(head) - at]
    return name, bytes(head)


@given(damaged())
@settings(max_examples=500)
def test_damaged_files_get_an_answer(case: tuple[str, bytes]) -> None:
    name, head = case
    check_sane(read_capture(head, name))


def differences(part: Capture, whole: Capture) -> list[str]:
    return [
        name for name in Capture.__dataclass_fields__ if getattr(part, name) not in (None, getattr(whole, name))
    ]


@pytest.mark.parametrize("name", containers())
def test_a_head_cut_at_any_byte_gives_a_field_whole_or_not_at_all(name: str) -> None:
    head = containers()[name]
    moments = {WHOLE.local, "2026-06-13T21:14:08", "2026-06-13T23:59:59"}
    for size in range(len(head)):
        part = read_capture(head[:size], name)
        allowed = {"local", "subsec", "offset"} if part.local != WHOLE.local else set()
        assert set(differences(part, WHOLE)) <= allowed, size
        assert part.local is None or part.local in moments


@pytest.mark.parametrize("name", READ_BY_OTHERS)
def test_a_sample_cut_in_its_metadata_gives_a_field_whole_or_not_at_all(name: str) -> None:
    head = sample(name, 1 << 16)
    for size in range(0, len(head), 97):
        assert differences(read_capture(head[:size], name), READ_BY_OTHERS[name]) == [], size


def hostile() -> dict[str, bytes]:
    """Files made to keep a reader busy: loops, counts and lengths beyond all bounds, endless lists."""
    loop = b"II*\0\x08\0\0\0" + directory("<", {0x8769: (4, struct.pack("<I", 8)), 0x927C: (7, b"OLYMP\0")}, 8)
    entry = struct.pack("<HHII", 0x8769, 4, 1, 8)
    many = b"II*\0\x08\0\0\0" + b"\xff\xff" + entry * 65535
    huge = b"II*\0\x08\0\0\0\2\0" + struct.pack("<HHII", 0x0110, 2, 0xFFFFFFFF, 8) * 2 + b"\0" * 400
    itself = tiff(MAIN | {0x002E: (4, b"\0\0\0\0")}, EXIF, b"IIU\0")
    panasonic = b"IIU\0\x08\0\0\0" + b"\xff\xff" + struct.pack("<HHII", 0x002E, 7, 1 << 20, 0) * 65535
    empty_boxes = box(b"ftyp", b"crx ") + box(b"moov", box(b"free", b"") * 100_000)
    nested = functools.reduce(lambda inner, _: box(b"moov", inner), range(2000), b"")
    iloc = box(b"iloc", b"\1\0\0\0\0\0\xff\xff" + b"\0" * 600_000)
    infe = box(b"infe", b"\2\0\0\0\0\1\0\0Exif")
    items = box(b"ftyp", b"heic") + box(b"meta", b"\0" * 4 + box(b"iinf", b"\0" * 6 + infe) + iloc)
    return {
        "loop.NEF": loop,
        "many.NEF": many,
        "huge.NEF": huge,
        "itself.RW2": itself,
        "panasonic.RW2": panasonic,
        "fill.JPG": b"\xff\xd8" + b"\xff" * 1_000_000,
        "segments.JPG": b"\xff\xd8" + b"\xff\xe1\0\2" * 250_000,
        "raf.RAF": raf("R7", b"") + b"\xff" * 1_000_000,
        "boxes.CR3": empty_boxes,
        "nested.CR3": box(b"ftyp", b"crx ") + nested,
        "long.CR3": box(b"ftyp", b"crx ") + b"\0\0\0\1moov" + b"\xff" * 8 + CANON_UUID,
        "items.HEIC": items,
        "zero.MP4": box(b"ftyp", b"mp42") + b"\0" * 1_000_000,
    }


@pytest.mark.parametrize("name", hostile())
def test_files_made_to_do_harm_cost_little_time_and_memory(name: str) -> None:
    head = hostile()[name]
    check_sane(read_capture(head, name))  # once before, for what is imported and cached at first use
    tracemalloc.start()
    try:
        read_capture(head, name)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 16 << 10
    began = time.process_time()
    read_capture(head, name)
    # Hundreds of times what it takes; an unbounded walk takes longer.
    assert time.process_time() - began < 0.5


def test_a_directory_is_read_up_to_a_fixed_number_of_entries() -> None:
    def with_model_at(index: int) -> bytes:
        filler = struct.pack("<HHI4s", 0x0100, 3, 1, b"\0" * 4)
        model = struct.pack("<HHI4s", 0x0110, 2, 3, b"R7\0\0")
        return b"II*\0\x08\0\0\0" + struct.pack("<H", 65535) + filler * index + model + filler * 4000

    assert read_capture(with_model_at(MAX_ENTRIES - 1), "x.NEF").model == "R7"
    assert read_capture(with_model_at(MAX_ENTRIES), "x.NEF").model is None


def test_of_a_field_written_twice_the_first_counts() -> None:
    first, second = (struct.pack("<HHI4s", 0x0110, 2, 3, value) for value in (b"R7\0\0", b"R8\0\0"))
    assert read_capture(b"II*\0\x08\0\0\0\2\0" + first + second, "x.NEF").model == "R7"


def test_a_level_of_boxes_is_given_up_after_a_fixed_number() -> None:
    good = cr3(CMT1=tiff(MAIN))
    ftyp, rest = good[:24], good[24:]
    assert read_capture(ftyp + box(b"free", b"") * (MAX_BOXES - 2) + rest, "x.CR3").model == "Orrery R7"
    assert read_capture(ftyp + box(b"free", b"") * MAX_BOXES + rest, "x.CR3").model is None


def test_a_jpeg_is_given_up_after_a_fixed_number_of_segments() -> None:
    comment = b"\xff\xfe\0\x04hi"
    assert read_capture(jpeg(tiff(MAIN, EXIF), comment * (MAX_SEGMENTS - 1)), "x.JPG") == WHOLE
    assert read_capture(jpeg(tiff(MAIN, EXIF), comment * MAX_SEGMENTS), "x.JPG") == Capture()
