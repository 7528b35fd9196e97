"""What a rating says, wherever it stands.

The rules are those of ISO 16684-1:2019, 8.4 (`xmp:Rating`: -1 rejected, 0 unrated, 1 to 5, decimals allowed by
ISO 16684-2, annex C) and 7 (attribute and element are one). That Exif's rating field is 0x4746 is known
from the tables of Pillow's `ExifTags`.
"""

from __future__ import annotations

import struct
import tracemalloc
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as some

from tripleguard.cameras.image_info import read_embedded_rating
from tripleguard.cameras.rating import (
    MAX_ATTRIBUTES,
    MAX_SIDECAR_BYTES,
    MAX_TAGS,
    REJECTED,
    InvalidXmpError,
    parse_packet_rating,
    parse_rating,
    parse_sidecar_rating,
)

SAMPLES = Path(__file__).resolve().parent.parent.parent / "shared" / "samples"
RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
XMP = "http://ns.adobe.com/xap/1.0/"


def attribute(value: str, prefix: str = "xmp") -> bytes:
    return (
        f'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="{RDF}"><rdf:Description rdf:about=""'
        f' xmlns:{prefix}="{XMP}" {prefix}:Rating="{value}"/></rdf:RDF></x:xmpmeta>'
    ).encode()


def element(value: str) -> bytes:
    return (
        f'<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
        f'<rdf:RDF xmlns:rdf="{RDF}"><rdf:Description rdf:about="" xmlns:xap="{XMP}"><xap:Rating>{value}'
        f'</xap:Rating></rdf:Description></rdf:RDF></x:xmpmeta>{" " * 200}<?xpacket end="w"?>'
    ).encode()


@pytest.mark.parametrize(
    ("text", "rating"),
    [("-1", REJECTED), ("0", 0.0), ("1", 1.0), ("5", 5.0), ("3.0", 3.0), ("2.5", 2.5), (" 4 ", 4.0), ("+3", 3.0)],
)
def test_what_an_editor_writes_is_read_as_it_is_meant(text: str, rating: float) -> None:
    assert parse_rating(text) == rating
    assert parse_sidecar_rating(attribute(text)) == parse_sidecar_rating(element(text)) == rating
    assert parse_packet_rating(attribute(text)) == parse_packet_rating(element(text)) == rating


@pytest.mark.parametrize(
    "text", ["-2", "6", "5.01", "-0.5", "-1.5", "NaN", "inf", "1e0", "five", "", "3,5", "٣", "0x3"]
)
def test_an_impossible_rating_says_nothing_and_rejects_nothing(text: str) -> None:
    assert parse_rating(text) is None
    assert parse_packet_rating(attribute(text)) is None
    assert parse_sidecar_rating(attribute(text)) is None


def test_a_sidecar_without_a_rating_says_nothing() -> None:
    bare = (
        f'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="{RDF}"><rdf:Description/></rdf:RDF></x:xmpmeta>'
    )
    assert parse_sidecar_rating(bare.encode()) is None


def test_the_prefix_is_the_writers_own_choice_and_another_namespace_is_another_property() -> None:
    assert parse_sidecar_rating(attribute("4", prefix="anything")) == 4.0
    assert parse_sidecar_rating(attribute("4").replace(XMP.encode(), b"http://example.org/")) is None


def test_a_rating_deep_in_a_history_is_not_the_pictures_own() -> None:
    history = (
        f'<rdf:RDF xmlns:rdf="{RDF}" xmlns:xmp="{XMP}"><rdf:Description xmp:Rating="2"><xmp:Was><rdf:Description'
        ' xmp:Rating="5"/></xmp:Was></rdf:Description></rdf:RDF>'
    )
    assert parse_sidecar_rating(history.encode()) == 2.0


def test_a_qualified_value_is_read() -> None:
    content = (
        f'<rdf:RDF xmlns:rdf="{RDF}" xmlns:xmp="{XMP}" xmlns:q="urn:q"><rdf:Description>'
        '<xmp:Rating rdf:parseType="Resource"><rdf:value>4</rdf:value><q:by>me</q:by></xmp:Rating>'
        "</rdf:Description></rdf:RDF>"
    )
    assert parse_sidecar_rating(content.encode()) == 4.0


def test_a_sidecar_that_would_fill_the_memory_is_refused() -> None:
    bomb = b'<!DOCTYPE a [<!ENTITY b "bbbbbbbbbb"><!ENTITY c "&b;&b;&b;&b;&b;">]><a>&c;</a>'
    for content in (bomb, b"", b"not xml", b"<a/>", b"\0" * 100, b"<" * 10_000, b"x" * (MAX_SIDECAR_BYTES + 1)):
        with pytest.raises(InvalidXmpError):
            parse_sidecar_rating(content)


def test_a_sidecar_of_millions_of_parts_is_refused_before_it_is_parsed() -> None:
    """Sixteen megabytes of nothing but elements or attributes took half a gigabyte and several seconds."""
    many = b" ".join(b"a%x=''" % number for number in range(MAX_ATTRIBUTES + 1))
    for inside in (b"<a/>" * MAX_TAGS, b"<a " + many + b"/>", b"<a>" * MAX_TAGS):
        content = attribute("3").replace(b"</rdf:RDF>", inside + b"</rdf:RDF>")
        tracemalloc.start()
        with pytest.raises(InvalidXmpError, match="more than any editor"):
            parse_sidecar_rating(content)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert peak < 2 * len(content)


def test_a_deeply_nested_sidecar_ends_in_an_answer() -> None:
    content = b"<a>" * 100_000 + b"</a>" * 100_000
    with pytest.raises(InvalidXmpError):
        parse_sidecar_rating(content)


@given(some.binary(max_size=2000))
def test_no_bytes_make_a_picture_raise(content: bytes) -> None:
    for start in (b"", b"\xff\xd8", b"II*\0\x08\0\0\0", b"FUJIFILMCCD-RAW ", b"\0\0\0\x18ftypcrx "):
        rating = read_embedded_rating(start + content, "A.CR3")
        assert rating is None or rating == REJECTED or 0 <= rating <= 5


def tiff(*entries: tuple[int, int, int, bytes]) -> bytes:
    """A little-endian TIFF of one directory: (tag, type, count, value), long values behind it."""
    where = 8 + 2 + 12 * len(entries) + 4
    table, behind = struct.pack("<H", len(entries)), b""
    for tag, type_, count, value in entries:
        if len(value) > 4:
            table += struct.pack("<HHII", tag, type_, count, where + len(behind))
            behind += value
        else:
            table += struct.pack("<HHI", tag, type_, count) + value.ljust(4, b"\0")
    return b"II*\0" + struct.pack("<I", 8) + table + b"\0\0\0\0" + behind


def app1(content: bytes) -> bytes:
    return b"\xff\xe1" + struct.pack(">H", len(content) + 2) + content


def test_the_cameras_own_rating_button_counts_in_a_raw_and_in_a_jpeg() -> None:
    raw = tiff((0x0112, 3, 1, b"\1\0"), (0x4746, 3, 1, struct.pack("<H", 3)))
    assert read_embedded_rating(raw, "A.NEF") == 3.0
    jpeg = b"\xff\xd8" + app1(b"Exif\0\0" + raw) + b"\xff\xda"
    assert read_embedded_rating(jpeg, "A.JPG") == 3.0
    assert read_embedded_rating(jpeg, "A.WAV") is None


def test_xmp_in_a_picture_outranks_the_exif_field() -> None:
    packet = element("5")
    raw = tiff((0x02BC, 1, len(packet), packet), (0x4746, 3, 1, struct.pack("<H", 1)))
    assert read_embedded_rating(raw, "A.DNG") == 5.0
    field = tiff((0x4746, 3, 1, struct.pack("<H", 1)))
    jpeg = b"\xff\xd8" + app1(b"Exif\0\0" + field) + app1(XMP.encode() + b"\0" + packet) + b"\xff\xda"
    assert read_embedded_rating(jpeg, "A.JPG") == 5.0
    broken = b"\xff\xd8" + app1(b"Exif\0\0" + field) + app1(XMP.encode() + b"\0" + b"<broken") + b"\xff\xda"
    assert read_embedded_rating(broken, "A.JPG") == 1.0


def test_a_packet_at_the_end_of_a_raw_is_fetched_from_there() -> None:
    packet = element("4")
    raw = tiff((0x02BC, 7, len(packet), packet))
    whole = raw[: -len(packet)].replace(struct.pack("<I", len(raw) - len(packet)), struct.pack("<I", 50_000))
    whole = whole.ljust(50_000, b"\0") + packet
    head = whole[:4096]
    assert read_embedded_rating(head, "A.DNG") is None
    assert read_embedded_rating(head, "A.DNG", lambda offset, length: whole[offset : offset + length]) == 4.0
    assert read_embedded_rating(head, "A.DNG", lambda offset, length: b"") is None


@pytest.mark.parametrize(
    ("name", "rating"),
    [
        ("A6400_DSC00008.JPG", 0.0),
        ("filetype_fixture-sony-zv-e10.arw", 0.0),
        ("filetype_fixture.cr3", 0.0),
        ("EOS_RP__MG_0632.JPG", 0.0),
        ("exifr_IMG_5910.xmp", 3.0),
        ("exifr_cookiezen.xmp", None),
    ],
)
def test_real_pictures_say_what_their_cameras_wrote(name: str, rating: float | None) -> None:
    sample = SAMPLES / name
    if not sample.exists():
        pytest.skip(f"no sample {name} beside this checkout")
    if name.endswith(".xmp"):
        assert parse_sidecar_rating(sample.read_bytes()) == rating
    else:
        assert read_embedded_rating(sample.read_bytes()[: 1 << 18], name) == rating
