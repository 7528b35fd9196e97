"""How large, which way up, and how many stars: from the head of a file, and never more than it says."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sample_files import SAMPLES, TAKEN, picture, raw, sample

from tripleguard.cameras.image_info import read_image_info
from tripleguard.cameras.rating import parse_packet_rating
from tripleguard.demo.camera_files import make_camera_jpeg, make_raw
from tripleguard.model import ImageInfo

# Read once with Pillow 13.0.0 (JPEG; the CR3's CMT1 block) and ExifRead 3.5.1 (the rest), which agree wherever
# both can read a file. Of the KDC both read the small picture only: 80 x 60; 1280 x 960 stands in its SubIFD,
# tags 0x0100 and 0x0101. Ratings: the XMP packets, read by eye; Leica's lies behind the first 100 kB.
READ_BY_OTHERS = {
    "A6400_DSC00008.JPG": ImageInfo(6000, 4000, 1, 0),
    "C-5050_PB180007.JPG": ImageInfo(3200, 2400, 1, None),
    "D3100_DSC_0001.JPG": ImageInfo(4608, 3072, 8, None),
    "D3100_DSC_0006.JPG": ImageInfo(4608, 3072, 8, None),
    "EOS_RP__MG_0632.JPG": ImageInfo(4160, 2768, 1, 0),
    "GOPR8508.GPR": ImageInfo(4000, 3000, 2, None),
    "Hero7Black_GOPR8508.JPG": ImageInfo(4000, 3000, 1, None),
    "P003917.KDC": ImageInfo(1280, 960, 1, None),
    "filetype_fixture-Leica-M10.dng": ImageInfo(5984, 3992, 6, None),
    "filetype_fixture-sony-zv-e10.arw": ImageInfo(6000, 4000, 6, 0),
    "filetype_fixture.cr3": ImageInfo(6720, 4480, 6, 0),
}


@pytest.mark.parametrize("name", READ_BY_OTHERS)
def test_sample_files_read_as_reference_libraries_read_them(name: str) -> None:
    assert read_image_info(sample(name)[: 1 << 20], name) == READ_BY_OTHERS[name]


@pytest.mark.parametrize(("name", "rating"), [("exifr_IMG_5910.xmp", 3), ("exifr_cookiezen.xmp", None)])
def test_sidecars_that_editors_wrote(name: str, rating: float | None) -> None:
    # The first also has another maker's rating of 50 in a namespace of its own, which is none of ours.
    if not (SAMPLES / name).is_file():
        pytest.skip(f"no sample file {name} beside the project")
    assert parse_packet_rating((SAMPLES / name).read_bytes()) == rating


def test_what_the_photographer_gave_in_the_camera_is_read_from_raw_and_jpeg() -> None:
    given_here: Any = {"taken_at": TAKEN, "subsec": 1, "offset": "+02:00", "serial": "1"}
    one = make_raw(1, size=1 << 20, orientation=6, rating=4, **given_here)
    assert read_image_info(one, "ORR_0001.DNG").rating == 4
    assert read_image_info(one, "ORR_0001.DNG").orientation == 6
    other = make_camera_jpeg(1, width=640, height=424, orientation=8, rating=-1, **given_here)
    assert read_image_info(other, "ORR_0001.JPG") == ImageInfo(640, 424, 8, -1)


def packet(inside: str, attribute: str = "") -> bytes:
    return (
        '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        f'<rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" {attribute}>{inside}'
        "</rdf:Description></rdf:RDF></x:xmpmeta>"
    ).encode()


# XMP part 1, 8.4 (ISO 16684-1): -1, or 0 to 5, decimals allowed.
@pytest.mark.parametrize(
    ("text", "rating"),
    [
        ("-1", -1.0),
        ("0", 0.0),
        ("5", 5.0),
        ("3.0", 3.0),
        ("2.5", 2.5),
        ("-2", None),
        ("6", None),
        ("-0.5", None),
        ("NaN", None),
        ("inf", None),
        ("five", None),
        ("", None),
    ],
)
def test_only_what_the_standard_allows_is_a_rating(text: str, rating: float | None) -> None:
    assert parse_packet_rating(packet("", f'xmp:Rating="{text}"')) == rating
    assert parse_packet_rating(packet(f"<xmp:Rating>{text}</xmp:Rating>")) == rating


def test_a_hostile_sidecar_opens_nothing_and_swells_to_nothing() -> None:
    bomb = b'<!DOCTYPE r [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
    assert parse_packet_rating(bomb + packet("<xmp:Rating>&b;</xmp:Rating>")) is None
    outside = packet("<xmp:Rating>&x;</xmp:Rating>").replace(
        b"<rdf:RDF", b'<!DOCTYPE r [<!ENTITY x SYSTEM "file:///etc/passwd">]><rdf:RDF', 1
    )
    assert parse_packet_rating(outside) is None
    assert parse_packet_rating(packet("<a>" * 5000 + "Rating")) is None
    assert parse_packet_rating(b"\xff\xfe" + packet("", 'xmp:Rating="3"')) == 3
    assert parse_packet_rating(packet("", 'xmp:Rating="3"').ljust((1 << 20) + 1)) is None


@given(st.binary(max_size=4000), st.integers(0, 3000))
def test_no_bytes_are_too_strange(rest: bytes, at: int) -> None:
    for name, whole in (("a.DNG", raw()), ("a.JPG", picture())):
        found = read_image_info(whole[:at] + rest, name)
        assert found.rating is None or found.rating == -1 or 0 <= found.rating <= 5
        assert found.orientation in (None, 1, 2, 3, 4, 5, 6, 7, 8)
