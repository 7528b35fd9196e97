"""What a name on a card tells: the kind, the frame and its number, and what is only litter."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tripleguard.cameras.kinds import (
    LITTER_HEAD,
    get_frame_key,
    is_appledouble_header,
    is_appledouble_name,
    is_dcf_stem,
    is_litter,
    is_system_litter,
    kind_of,
    parse_dcf_folder,
    parse_frame_number,
)
from tripleguard.model import FileKind

# The raw extensions are the camera makers' own, from memory; common practice, no source.
RAW_NAMES = [
    "IMG_0001.CR2", "IMG_0001.CR3", "CRW_0101.CRW", "DSC_0001.NEF", "DSC_0001.NRW", "DSC00001.ARW",
    "DSC00001.SR2", "DSC00001.SRF", "L1000001.DNG", "GOPR8508.GPR", "DSCF0001.RAF", "PB180007.ORF",
    "P1000001.RW2", "IMGP0001.PEF", "SAM_0001.SRW", "B0000001.3FR", "B0000001.FFF", "CF000001.IIQ",
    "SDIM0001.X3F", "L1000001.RWL", "P003917.KDC", "DCP_0001.DCR", "A0000001.MOS", "A0000001.MEF",
]  # fmt: skip


@pytest.mark.parametrize("name", RAW_NAMES)
def test_every_makers_raw_is_an_original_in_either_case(name: str) -> None:
    assert kind_of(name) is FileKind.RAW
    assert kind_of(name.lower()) is FileKind.RAW
    assert kind_of(f"DCIM/100ORREY/{name}") is FileKind.RAW


@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("IMG_0001.JPG", FileKind.PICTURE),
        ("IMG_0001.heic", FileKind.PICTURE),
        ("DSC00001.HIF", FileKind.PICTURE),
        ("scan.tif", FileKind.PICTURE),
        ("C0001.MP4", FileKind.VIDEO),
        ("00001.MTS", FileKind.VIDEO),
        ("A001_C001.R3D", FileKind.VIDEO),
        ("A001.CRM", FileKind.VIDEO),
        ("ZZ9_0001.NEV", FileKind.VIDEO),
        ("IMG_0001.WAV", FileKind.SOUND),
        ("IMG_0001.xmp", FileKind.COMPANION),
        ("IMG_0001.CR3.XMP", FileKind.COMPANION),
        ("GL010123.LRV", FileKind.VIDEO),
        ("VID_0001.INSV", FileKind.VIDEO),
        ("VID_0001.WEBM", FileKind.VIDEO),
        *(
            (f"IMG_0001.{extension}", FileKind.PICTURE)
            for extension in ("AVIF", "JXL", "PNG", "WEBP", "GIF", "JP2")
        ),
        ("GX010123.THM", FileKind.OTHER),
        ("AUTPRINT.MRK", FileKind.OTHER),
        ("jpg", FileKind.OTHER),
        (".jpg", FileKind.OTHER),
        ("cr3/readme", FileKind.OTHER),
        ("", FileKind.OTHER),
    ],
)
def test_kinds_by_extension(name: str, kind: FileKind) -> None:
    assert kind_of(name) is kind


@pytest.mark.parametrize(
    "path",
    [
        ".DS_Store",
        "DCIM/100CANON/.DS_Store",
        "DCIM/100CANON/._IMG_0001.CR3",
        "._.Trashes",
        "DCIM/Thumbs.db",
        "DCIM/THUMBS.DB",
        "desktop.ini",
        ".Trashes/501/notes.txt",
        ".Trash-1000/info/IMG_0001.CR3.trashinfo",
        "$RECYCLE.BIN/S-1-5-21-1-2-3-1001/desktop.ini",
        "$RECYCLE.BIN/S-1-5-21-1-2-3-1001/$I8VZ4QK.JPG",
        "System Volume Information/IndexerVolumeGuid",
        ".Spotlight-V100/Store-V2/store.db",
        ".fseventsd/000000000012",
        ".TemporaryItems/folders.501/x",
    ],
)
def test_what_systems_leave_on_a_card_is_litter(path: str) -> None:
    assert is_litter(path)


@pytest.mark.parametrize(
    "path",
    [
        "DCIM/100CANON/IMG_0001.CR3",
        "DCIM/100CANON/_DSC0001.ARW",
        ".Trashes/501/IMG_0001.CR3",
        ".Trash-1000/files/DSC_0001.NEF",
        "$RECYCLE.BIN/S-1-5-21-1-2-3-1001/$R8VZ4QK.JPG",
        "$RECYCLE.BIN/S-1-5-21-1-2-3-1001/$R8VZ4QK/C0001.MP4",
        "$RECYCLE.BIN/S-1-5-21-1-2-3-1001/$R8VZ4QK/$I8VZ4QK.JPG",
        "DCIM/.Trashes/notes.txt",
        "FOUND.000/FILE0000.CHK",
        ".tripleguard/place.json",
        "MISC/AUTPRINT.MRK",
        "Thumbs.db/IMG_0001.JPG",
        "DCIM/.IMG_0001.CR3",
        "._",
        ".hidden",
    ],
)
def test_what_could_be_a_picture_is_never_litter(path: str) -> None:
    assert not is_litter(path)


@pytest.mark.parametrize(
    "folder", [".Trashes", ".Trash-1000", "$RECYCLE.BIN", "System Volume Information", ".TemporaryItems"]
)
def test_a_folder_itself_is_not_litter_so_that_nobody_skips_what_is_in_it(folder: str) -> None:
    assert not is_litter(folder)


@given(st.text(max_size=20), st.sampled_from([*RAW_NAMES, "IMG_0001.JPG", "C0001.MP4", "IMG_0001.WAV"]))
def test_no_folder_makes_litter_of_an_original(folder: str, name: str) -> None:
    assert not is_litter(f"{folder}/{name}")


def test_a_mac_half_file_is_told_by_its_magic_and_not_by_its_name() -> None:
    # RFC 1740, appendices A and B, from memory: magic 0x00051607, version 0x00020000, 16 bytes of filler.
    header = bytes.fromhex("00051607 00020000") + b"Mac OS X        "
    assert is_appledouble_name("DCIM/._IMG_0001.CR3")
    assert not is_appledouble_name("DCIM/_IMG0001.CR3")
    assert is_appledouble_header(header)
    assert is_appledouble_header(bytes.fromhex("00051607 00010000"))
    assert not is_appledouble_header(b"II*\0\x08\0\0\0")
    assert not is_appledouble_header(bytes.fromhex("00051600 00020000"))  # AppleSingle holds the file itself
    assert not is_appledouble_header(header[:6])
    assert not is_appledouble_header(b"")


# CIPA DC-009-2010 (DCF 2.0) as restated in device manuals: folder = 100-999 and five of `0-9 A-Z _`;
# file = four of those characters and 0001-9999.
@pytest.mark.parametrize(
    ("name", "number"),
    [("100CANON", 100), ("999_____", 999), ("101nz7_2", 101), ("101MSDCF", 101)],
)
def test_picture_folders_by_dcf(name: str, number: int) -> None:
    assert parse_dcf_folder(name) == number


@pytest.mark.parametrize("name", ["099CANON", "100CANO", "100CANON2", "100CAN N", "100CANON\n", "100ſANON", ""])
def test_other_folders_have_no_number(name: str) -> None:
    assert parse_dcf_folder(name) is None


@pytest.mark.parametrize(
    ("name", "number"),
    [
        ("IMG_0001.CR3", 1),
        ("DSC_9999.NEF", 9999),
        ("_DSC0420.ARW", 420),
        ("dsc_0042.nef", 42),
        ("GOPR8508", 8508),
        ("IMG_0001.CR3.xmp", 1),
        ("IMG_0001.WAV", 1),
    ],
)
def test_frame_numbers_by_dcf(name: str, number: int) -> None:
    assert parse_frame_number(name) == number


@pytest.mark.parametrize(
    "name",
    [
        "DSC_0000.NEF",
        "P003917.KDC",
        "IMG_0001-2.CR3",
        "IMG_00012.CR3",
        "ımg_0001.jpg",
        "IMG_000१.JPG",
        ".JPG",
        "",
    ],
)
def test_other_names_have_no_frame_number(name: str) -> None:
    assert parse_frame_number(name) is None


def test_the_stem_rule_takes_names_without_extension_only() -> None:
    assert is_dcf_stem("IMG_0001")
    assert not is_dcf_stem("IMG_0001.CR3")
    assert not is_dcf_stem("IMG_0000")


def test_all_files_of_one_frame_share_one_key() -> None:
    names = [
        "IMG_0001.CR3",
        "IMG_0001.JPG",
        "img_0001.xmp",
        "IMG_0001.CR3.xmp",
        "IMG_0001.cr3.XMP",
        "IMG_0001.WAV",
    ]
    keys = {get_frame_key(f"DCIM/100CANON/{name}") for name in names}
    assert keys == {("DCIM/100CANON", "IMG_0001")}


def test_frames_of_two_folders_or_two_names_stay_apart() -> None:
    assert get_frame_key("DCIM/100CANON/IMG_0001.CR3") != get_frame_key("DCIM/101CANON/IMG_0001.CR3")
    assert get_frame_key("IMG_0001.CR3") != get_frame_key("IMG_0001-2.CR3")
    assert get_frame_key("tour.day.xmp") == ("", "TOUR.DAY")
    assert get_frame_key(".xmp") == ("", ".XMP")


@given(st.text(st.characters(), max_size=60))
def test_any_name_at_all_gets_its_answers(name: str) -> None:
    assert kind_of(name) in FileKind
    number = parse_frame_number(name)
    assert number is None or 1 <= number <= 9999
    assert get_frame_key(name)[0] == name.rpartition("/")[0]
    assert isinstance(is_litter(name), bool)
    assert parse_dcf_folder(name) is None or 100 <= int(name[:3]) <= 999


def _left(path: str, content: bytes) -> bool:
    return is_system_litter(path, len(content), lambda: content[:LITTER_HEAD])


@pytest.mark.parametrize(
    "path",
    [
        "Thumbs.db",
        "DCIM/100ORREY/Thumbs.db",
        "ehthumbs.db",
        "desktop.ini",
        ".DS_Store",
        "System Volume Information/IndexerVolumeGuid",
        ".Trashes/501/shot",
        "$RECYCLE.BIN/S-1-5-21-1-2-3-1001/$I8VZ4QK.JPG",
        ".Spotlight-V100/Store-V2/store.db",
        ".fseventsd/000000000012",
        ".TemporaryItems/folders.501/x",
        "DCIM/100ORREY/._IMG_0001.JPG",
    ],
)
@pytest.mark.parametrize(
    "start",
    [
        b"\xff\xd8\xff\xe1",
        b"II*\0\x08\0\0\0",
        b"\0\0\0\x18ftypcrx ",
        b"RIFF\0\0\0\0WAVE",
        b"FUJIFILMCCD-RAW ",
    ],
    ids=["JPEG", "TIFF", "CR3", "WAVE", "RAF"],
)
def test_what_begins_as_a_cameras_file_is_no_litter_whatever_it_is_called(path: str, start: bytes) -> None:
    assert not _left(path, start + bytes(5000))


@pytest.mark.parametrize(
    ("path", "content"),
    [
        # MS-CFB, 2.2: what a cache of thumbnails is.
        ("DCIM/100ORREY/Thumbs.db", bytes.fromhex("d0cf11e0a1b11ae1") + bytes(500)),
        ("desktop.ini", "[.ShellClassInfo]\r\n".encode("utf-16")),
        ("desktop.ini", b"[.ShellClassInfo]\r\n"),
        # From memory: how such a file begins.
        (".DS_Store", b"\0\0\0\x01Bud1" + bytes(500)),
        (".Trashes/501/x", b""),
        ("System Volume Information/IndexerVolumeGuid", "{0A1B2C3D}".encode("utf-16-le")),
    ],
)
def test_what_systems_leave_is_still_litter_after_a_look(path: str, content: bytes) -> None:
    assert _left(path, content)


def test_what_is_named_as_litter_and_can_not_be_looked_into_is_no_litter() -> None:
    def fails() -> bytes:
        raise OSError

    assert not is_system_litter("Thumbs.db", 10, fails)
