"""Who took it and when, of films and old raws that keep it outside of Exif: read right, and never harmed."""

from __future__ import annotations

import datetime
import json
import shutil
import struct
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from non_exif_samples import (
    apple_keys,
    apple_text,
    avi,
    box,
    chunk,
    chunks,
    crw,
    film,
    mrw,
    mvhd,
    nikon_records,
    x3f,
)
from test_capture import EXIF, MAIN, TYPE_BYTES, Fields, directory, jpeg, text, tiff

from tripleguard.cameras.capture import read_capture
from tripleguard.cameras.film_metadata import parse_riff_date
from tripleguard.cameras.head_reader import MAX_WINDOWS, WINDOW_BYTES, RandomAccess
from tripleguard.model import Capture

EVENING = datetime.datetime(2026, 6, 13, 21, 14, 7)
LOCAL = EVENING.isoformat()
SINCE_1970 = int((EVENING - datetime.datetime(1970, 1, 1)).total_seconds())
SINCE_1904 = int((EVENING - datetime.datetime(1904, 1, 1)).total_seconds())
WHOLE = jpeg(tiff(MAIN, EXIF))
OF_EXIF = Capture(LOCAL, "07", "+02:00", "Orrery", "Orrery R7", "30012345")
XML = (
    b'<NonRealTimeMeta xmlns="urn:schemas-professionalDisc:nonRealTimeMeta:ver.2.00"><CreationDate'
    b' value="2026-06-13T21:14:07+02:00"/><Device manufacturer="Orrery" modelName="R7" serialNo="30012345"/>'
    b"</NonRealTimeMeta>"
)


def fujifilm_strd() -> bytes:
    """Exif's directory as it lies in `strd`: offsets count from its own beginning."""
    date = b"2026:06:13 21:14:07\0"
    row = struct.pack("<HHHII", 1, 0x9003, 2, len(date), 2 + 12 + 4) + bytes(4)
    return b"AVIF" + bytes(4) + row + date


def files() -> dict[str, tuple[bytes, Capture]]:
    """Each kind of file, with what has to be read from it."""
    exif_in_front = box(b"udta", box(b"CNTH", box(b"CNDA", WHOLE)))
    nikon = box(
        b"udta", box(b"NCDT", box(b"NCTG", nikon_records({1: "NIKON", 2: "R7", 0x12: "2026:06:13 21:14:07"})))
    )
    apple = apple_keys(
        {
            "com.apple.quicktime.make": "Orrery",
            "com.apple.quicktime.model": "R7",
            "com.apple.quicktime.creationdate": "2026-06-13T21:14:07+0200",
        }
    )
    gopro = box(
        b"udta", box(b"GPMF", b"DEVC\0\1\0\x40CASNc\x01\0\x0eC3281327008278\0\0MINFc\x01\0\x0bHERO7 Black\0")
    )
    day = box(
        b"udta", box(b"\xa9day", apple_text("2026-06-13T21:14:07+0200")) + box(b"\xa9mak", apple_text("Orrery"))
    )
    clock = mvhd(SINCE_1904)
    unsure = Capture(LOCAL, is_zone_known=False)
    return {
        "clock.MP4": (film(clock), unsure),
        "clock-of-1970.MP4": (film(mvhd(SINCE_1970)), unsure),
        "long.MP4": (film(clock, padding=3 << 20), unsure),
        "old.MOV": (film(clock, brand=b""), unsure),
        "canon.MOV": (film(clock, exif_in_front, brand=b"qt  "), OF_EXIF),
        "nikon.MOV": (film(clock, nikon, brand=b"qt  "), Capture(LOCAL, make="NIKON", model="R7")),
        "apple.MOV": (film(clock, apple, brand=b"qt  "), Capture(LOCAL, None, "+02:00", "Orrery", "R7")),
        "day.MOV": (film(clock, day, brand=b"qt  "), Capture(LOCAL, None, "+02:00", "Orrery")),
        "gopro.MP4": (
            film(clock, gopro),
            Capture(LOCAL, make="GoPro", model="HERO7 Black", serial="C3281327008278", is_zone_known=False),
        ),
        "sony.MP4": (
            film(clock, behind=box(b"meta", bytes(4) + box(b"xml ", bytes(4) + XML))),
            Capture(LOCAL, None, "+02:00", "Orrery", "R7", "30012345"),
        ),
        "idit.AVI": (avi(chunk(b"IDIT", b"Sat Jun 13 21:14:07 2026\n\0")), Capture(LOCAL)),
        "icrd.AVI": (avi(behind=chunks(b"INFO", chunk(b"ICRD", b"2026-06-13 21:14:07\0"))), Capture(LOCAL)),
        "strd.AVI": (avi(chunks(b"strl", chunk(b"strd", fujifilm_strd()))), Capture(LOCAL)),
        "powershot.CRW": (
            crw("Canon", "Canon PowerShot R7", SINCE_1970, 77),
            Capture(LOCAL, make="Canon", model="Canon PowerShot R7"),
        ),
        "eos.CRW": (
            crw("Canon", "Canon EOS R7D", SINCE_1970, 420104567, padding=3 << 20),
            Capture(LOCAL, make="Canon", model="Canon EOS R7D", serial="0420104567"),
        ),
        "minolta.MRW": (mrw(tiff(MAIN, EXIF, b"MM\0*")), OF_EXIF),
        "sigma.X3F": (
            x3f({"CAMMANUF": "Orrery", "CAMMODEL": "R7", "CAMSERIAL": "30012345", "TIME": str(SINCE_1970)}),
            Capture(LOCAL, make="Orrery", model="R7", serial="30012345"),
        ),
        "newer.X3F": (x3f({"CAMSERIAL": "1", "TIME": "77"}, WHOLE), OF_EXIF),
    }


def read(name: str, content: bytes, head: int = 1 << 20) -> Capture:
    return read_capture(content[:head], name, RandomAccess(len(content), lambda at, size: content[at : at + size]))


@pytest.mark.parametrize("name", files())
@pytest.mark.parametrize("head", [64, 4096, 8 << 20])
def test_every_kind_is_read_wherever_the_head_ends(name: str, head: int) -> None:
    content, expected = files()[name]
    head = max(head, 600) if name.endswith("MRW") else head
    assert read(name, content, head) == expected


@pytest.mark.skipif(
    shutil.which("exiftool") is None, reason="needs exiftool (libimage-exiftool-perl) to compare with"
)
@pytest.mark.parametrize("name", [name for name in files() if name not in ("gopro.MP4", "clock-of-1970.MP4")])
def test_exiftool_reads_the_same_from_these_very_files(name: str, tmp_path: Path) -> None:
    content, expected = files()[name]
    path = tmp_path / name
    path.write_bytes(content)
    words = ["exiftool", "-j", "-DateTimeOriginal", "-CreateDate", "-CreationDate", "-DateCreated"]
    words += [
        "-ContentCreateDate",
        "-CreationDateValue",
        "-SerialNumber",
        "-DeviceSerialNo",
        "-CameraSerialNumber",
        str(path),
    ]
    answer = json.loads(subprocess.run(words, capture_output=True, check=False, timeout=60).stdout)[0]
    times = {str(value)[:19].replace("-", ":").replace("T", " ") for tag, value in answer.items() if "Date" in tag}
    assert EVENING.strftime("%Y:%m:%d %H:%M:%S") in times
    serials = {str(value).lstrip("0") for tag, value in answer.items() if "Serial" in tag}
    assert not expected.serial or expected.serial.lstrip("0") in serials


@pytest.mark.parametrize(
    ("written", "date"),
    [
        (b"Sat Jun 13 21:14:07 2026\n\0", b"2026:06:13 21:14:07"),
        (b"SAT JUN  3 09:14:07 2026", b"2026:06:03 09:14:07"),
        (b"2026/06/13 21:14:07\0", b"2026:06:13 21:14:07"),
        (b"2026/06/13/ 21:14\0", b"2026:06:13 21:14:00"),
        (b"2026/ 6/13  9:14PM", b"2026:06:13 21:14:00"),
        (b"2026:06:13 12: 4: 7 AM", b"2026:06:13 00:04:07"),
        (b"2026-06-13", None),
        (b"Sat Foo 13 21:14:07 2026", None),
        (b"\xff" * 40, None),
    ],
)
def test_the_time_of_an_avi_in_the_forms_that_cameras_write(written: bytes, date: bytes | None) -> None:
    """Forms that exiftool 12.57 knows for IDIT; which camera writes which is not published."""
    assert parse_riff_date(written) == date


def test_a_file_whose_rest_cannot_be_read_has_no_time_and_costs_little() -> None:
    content, _ = files()["long.MP4"]
    asked: list[int] = []

    def read_at(at: int, size: int) -> bytes:
        asked.append(size)
        raise OSError(5, "the card was pulled")

    assert read_capture(content[:4096], "long.MP4", RandomAccess(len(content), read_at)) == Capture()
    assert len(asked) <= MAX_WINDOWS


def test_a_film_made_to_do_harm_is_read_in_a_fixed_number_of_pieces() -> None:
    """A thousand boxes, each far from the next: no more is read than the bound says."""
    spread = b"".join(box(b"free", bytes(WINDOW_BYTES + 9)) for _ in range(1000))
    content = box(b"ftyp", b"mp42" + bytes(8)) + spread
    asked: list[int] = []

    def read_at(at: int, size: int) -> bytes:
        asked.append(size)
        return content[at : at + size]

    assert read_capture(content[:4096], "x.MP4", RandomAccess(len(content), read_at)) == Capture()
    assert len(asked) <= MAX_WINDOWS
    assert max(asked) <= WINDOW_BYTES


@settings(max_examples=100, deadline=None)
@given(st.sampled_from(sorted(files())), st.data())
def test_damaged_files_of_these_kinds_get_an_answer(name: str, data: st.DataObject) -> None:
    content = bytearray(files()[name][0][-6000:] if name == "long.MP4" else files()[name][0][: 1 << 16])
    for _ in range(data.draw(st.integers(1, 6))):
        at = data.draw(st.integers(0, len(content) - 1))
        new = data.draw(st.sampled_from([b"\xff\xff\xff\xff", b"\0\0\0\0", b"\0\0\0\x08", b"\x08\0\0\0", b"\1"]))
        content[at : at + len(new)] = new[: len(content) - at]
    capture = read(name, bytes(content), data.draw(st.integers(16, 1 << 16)))
    assert capture.local is None or datetime.datetime.fromisoformat(capture.local)


def with_note(make: str, model: str, note: Callable[[int], bytes]) -> bytes:
    exif = {tag: value for tag, value in EXIF.items() if tag != 0xA431}
    return jpeg(tiff(MAIN | {0x010F: text(make), 0x0110: text(model)}, exif, note=note))


def nikon(*fields: tuple[int, str]) -> bytes:
    return b"Nikon\0\2\x11\0\0" + tiff({tag: text(value) for tag, value in fields}, magic=b"MM\0*")


def fields_at(mark: bytes, fields: Fields) -> Callable[[int], bytes]:
    """A note behind a mark whose offsets count from the block that it lies in."""
    return lambda at: mark + directory("<", fields, at + len(mark))


NOTES: list[tuple[str, str, Callable[[int], bytes], str | None]] = [
    (
        "PENTAX",
        "PENTAX R7",
        lambda at: b"PENTAX \0MM" + directory(">", {0x0229: text("4182237")}, 10),
        "4182237",
    ),
    ("NIKON CORPORATION", "NIKON R70", lambda at: nikon((0x00A0, "NO= 2003e1d5")), "NO= 2003e1d5"),
    ("NIKON CORPORATION", "NIKON R70", lambda at: nikon((0x001D, "3685428"), (0x00A0, "3685428")), "3685428"),
    ("EASTMAN KODAK COMPANY", "KODAK R7", lambda at: b"KCXFA52300123\0" + bytes(40), "KCXFA52300123"),
    ("EASTMAN KODAK COMPANY", "KODAK R7", lambda at: b"a note of another form" + bytes(40), None),
    ("OLYMPUS OPTICAL CO.,LTD", "R7Z", fields_at(b"OLYMP\0\1\0", {0x0404: text("223805555")}), "223805555"),
    ("SIGMA", "SIGMA R7", fields_at(b"SIGMA\0\0\0\1\0", {2: text("1004523")}), "1004523"),
    ("RICOH", "R7R", fields_at(b"Ricoh\0\0\0", {5: (7, b"CX0123456789ABCD")}), "CX0123456789ABCD"),
    ("SAMSUNG", "R7X", fields_at(b"", {1: (7, b"0100"), 0xA002: text("A32B7XYZ123")}), "A32B7XYZ123"),
    ("Canon", "Canon PowerShot R7", fields_at(b"", {6: text("IMG:R7"), 0x96: text("VK0119623")}), "VK0119623"),
    ("Canon", "Canon EOS R7", fields_at(b"", {6: text("IMG:R7"), 0x96: text("VK0119623")}), None),
]


@pytest.mark.parametrize(("make", "model", "note", "serial"), NOTES)
def test_serials_of_further_makers_are_read(
    make: str, model: str, note: Callable[[int], bytes], serial: str | None
) -> None:
    """Tags as exiftool's documentation lists them (12.57)."""
    assert read_capture(with_note(make, model, note), "x.JPG").serial == serial


@pytest.mark.skipif(
    shutil.which("exiftool") is None, reason="needs exiftool (libimage-exiftool-perl) to compare with"
)
@pytest.mark.parametrize(("make", "model", "note", "serial"), [row for row in NOTES if row[3]])
def test_exiftool_reads_the_same_serials(
    make: str, model: str, note: Callable[[int], bytes], serial: str, tmp_path: Path
) -> None:
    path = tmp_path / "x.jpg"
    path.write_bytes(with_note(make, model, note))
    words = ["exiftool", "-s3", "-SerialNumber", "-InternalSerialNumber", str(path)]
    read = subprocess.run(words, capture_output=True, text=True, check=False, timeout=60).stdout
    plain = "".join(char for char in read.splitlines()[0] if char not in "() ")
    assert plain.casefold() == serial.replace(" ", "").casefold()


def sony(model: str, place: int, key: bytes) -> bytes:
    content = bytearray(range(2, 200)) + bytearray(800)
    content[place : place + len(key)] = key
    exif = {tag: value for tag, value in EXIF.items() if tag != 0xA431}
    main = MAIN | {0x010F: text("SONY"), 0x0110: text(model)}

    def note(at: int) -> bytes:
        return b"SONY DSC \0\0\0" + directory("<", {0x9050: (7, bytes(content))}, at + 12)

    assert TYPE_BYTES[7] == 1
    return jpeg(tiff(main, exif, note=note))


@pytest.mark.parametrize(
    ("model", "place", "key", "serial"),
    [
        ("ILCE-6400", 0x88, b"\xe7\0\0\0\x1d\xea", "key e70000001dea"),
        ("ILCE-1", 0x8A, b"\xe7\0\0\0\x1d\xea", "key e70000001dea"),
        ("SLT-A99", 0xF0, b"\xe7\x1b\0\x1d\xea", "key e71b001dea"),
        ("NEX-6", 0x7C, b"\xe7\x1b\x1d\xea", "key e71b1dea"),
        ("ILCE-6400", 0x88, bytes(6), None),  # an empty place
        ("DSC-RX100", 0x7C, b"\xe7\x1b\x1d\xea", None),  # no such place is known of these
        ("ILCE-99", 0x88, b"\xe7\0\0\0\x1d\xea", None),
    ],
)
def test_what_sony_enciphers_is_taken_as_it_stands_as_a_key(
    model: str, place: int, key: bytes, serial: str | None
) -> None:
    """Places by model as exiftool's documentation lists them for tag 0x9050 (InternalSerialNumber, 12.57)."""
    assert read_capture(sony(model, place, key), "x.JPG").serial == serial
