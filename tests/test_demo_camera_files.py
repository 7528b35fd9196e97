"""The demo's raws and camera JPEGs: real enough to be read, decoded and checked like any other."""

from __future__ import annotations

import io
import itertools
import struct
import zlib
from datetime import datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from tripleguard.cameras.capture import read_capture
from tripleguard.cameras.integrity.checker import check_integrity
from tripleguard.demo.camera_files import MIN_RAW_BYTES, make_camera_jpeg, make_raw
from tripleguard.demo.mosaic import Mosaic, encode_jpeg
from tripleguard.demo.stage_scene import paint_stage_scene
from tripleguard.model import Capture, Integrity

GIVEN: dict[str, Any] = {
    "taken_at": datetime(2026, 6, 13, 21, 14, 7, 990_000),
    "subsec": 7,
    "offset": "+02:00",
    "serial": "30012345",
    "model": "Orrery R7",
}
READ = Capture("2026-06-13T21:14:07", "07", "+02:00", "Orrery", "Orrery R7", "30012345")
SIZES = [MIN_RAW_BYTES, MIN_RAW_BYTES + 1, 99_999, 1 << 20, (3 << 20) + 7, 9 << 20]


def tiff_fields(block: bytes, at: int) -> dict[int, tuple[int, ...] | bytes]:
    """A directory of a little-endian TIFF as TIFF 6.0 says, for the types that are looked at here."""
    (count,) = struct.unpack_from("<H", block, at)
    found: dict[int, tuple[int, ...] | bytes] = {}
    for entry in range(at + 2, at + 2 + 12 * count, 12):
        tag, kind, values = struct.unpack_from("<HHI", block, entry)
        size = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 10: 8}[kind] * values
        start = entry + 8 if size <= 4 else struct.unpack_from("<I", block, entry + 8)[0]
        assert start + size <= len(block), hex(tag)
        raw = block[start : start + size]
        codes = {1: "B", 3: "H", 4: "I"}
        found[tag] = struct.unpack(f"<{values}{codes[kind]}", raw) if kind in codes else raw
    return found


def numbers(fields: dict[int, tuple[int, ...] | bytes], tag: int) -> tuple[int, ...]:
    value = fields[tag]
    assert isinstance(value, tuple)
    return value


def raw_layout(raw: bytes) -> tuple[dict[int, tuple[int, ...] | bytes], dict[int, tuple[int, ...] | bytes]]:
    assert raw[:4] == b"II*\0"
    main = tiff_fields(raw, struct.unpack_from("<I", raw, 4)[0])
    return main, tiff_fields(raw, numbers(main, 0x014A)[0])


def preview_of(raw: bytes) -> bytes:
    main, _ = raw_layout(raw)
    (start,), (size,) = numbers(main, 0x0111), numbers(main, 0x0117)
    return raw[start : start + size]


@pytest.mark.parametrize("size", SIZES)
def test_a_raw_has_exactly_the_size_asked_for_and_tells_who_took_it_and_when(size: int) -> None:
    raw = make_raw(1, size=size, **GIVEN)
    assert len(raw) == size
    assert read_capture(raw[: 1 << 18], "ORR_0001.DNG") == READ


@given(st.integers(MIN_RAW_BYTES, 300_000), st.integers(0, 1 << 64))
@settings(max_examples=20, deadline=None)
def test_any_size_and_seed_make_a_whole_raw(size: int, seed: int) -> None:
    raw = make_raw(seed, size=size, **GIVEN)
    assert len(raw) == size
    assert read_capture(raw, "ORR_0001.DNG") == READ


@pytest.mark.parametrize("size", SIZES)
def test_the_parts_of_a_raw_follow_each_other_and_its_strips_end_with_the_file(size: int) -> None:
    main, sensor = raw_layout(make_raw(1, size=size, **GIVEN))
    (width,), (height,) = numbers(sensor, 0x0100), numbers(sensor, 0x0101)
    strips = list(zip(numbers(sensor, 0x0111), numbers(sensor, 0x0117), strict=True))
    assert len(strips) == 2
    assert [length for _, length in strips] == [numbers(sensor, 0x0116)[0] * width * 2] * 2
    assert sum(length for _, length in strips) == width * height * 2
    assert strips[0][0] + strips[0][1] == strips[1][0]
    assert strips[1][0] + strips[1][1] == size
    preview_end = numbers(main, 0x0111)[0] + numbers(main, 0x0117)[0]
    assert 0 <= strips[0][0] - preview_end < 4 * width + 2
    assert 1.2 < width / height < 1.8
    assert 2 * width * height > size * 0.9


def test_the_sensor_holds_noise_above_its_black_level_and_no_run_of_zeros() -> None:
    raw = make_raw(1, size=1 << 20, **GIVEN)
    _, sensor = raw_layout(raw)
    values = struct.unpack(f"<{sum(numbers(sensor, 0x0117)) // 2}H", raw[numbers(sensor, 0x0111)[0] :])
    assert min(values) >= numbers(sensor, 0xC61A)[0]
    assert max(values) <= numbers(sensor, 0xC61D)[0]
    assert len(set(values)) > 1000
    packed = zlib.compress(raw, 6)
    assert len(packed) > len(raw) * 0.6


@pytest.mark.parametrize("rating", [-1, 0, 5])
def test_a_rating_stands_in_an_xmp_packet(rating: int) -> None:
    raw = make_raw(1, size=MIN_RAW_BYTES, rating=rating, **GIVEN)
    packet = bytes(numbers(raw_layout(raw)[0], 0x02BC))  # 700: XMP in TIFF, XMP specification part 3
    assert f'xmp:Rating="{rating}"'.encode() in packet
    assert read_capture(raw, "ORR_0001.DNG") == READ
    picture = make_camera_jpeg(1, rating=rating, **GIVEN)
    assert b"http://ns.adobe.com/xap/1.0/\0" + packet in picture
    assert read_capture(picture, "ORR_0001.JPG") == READ


def test_without_a_rating_there_is_no_xmp() -> None:
    assert 0x02BC not in raw_layout(make_raw(1, size=MIN_RAW_BYTES, **GIVEN))[0]
    assert b"ns.adobe.com" not in make_camera_jpeg(1, **GIVEN)


def test_orientation_is_written() -> None:
    main, _ = raw_layout(make_raw(1, size=MIN_RAW_BYTES, orientation=6, **GIVEN))
    assert numbers(main, 0x0112) == (6,)


@pytest.mark.parametrize(
    "wrong",
    [
        {"size": MIN_RAW_BYTES - 1},
        {"subsec": 100},
        {"subsec": -1},
        {"orientation": 9},
        {"rating": 6},
    ],
)
def test_a_raw_that_can_not_be_is_refused(wrong: dict[str, int]) -> None:
    with pytest.raises(ValueError, match=" "):
        make_raw(1, **(GIVEN | {"size": MIN_RAW_BYTES} | wrong))


@pytest.mark.parametrize("wrong", [{"width": 7}, {"height": 8193}, {"subsec": 100}])
def test_a_picture_that_can_not_be_is_refused(wrong: dict[str, int]) -> None:
    with pytest.raises(ValueError, match=" "):
        make_camera_jpeg(1, **(GIVEN | wrong))


def test_one_seed_makes_one_file() -> None:
    assert make_raw(7, size=MIN_RAW_BYTES, **GIVEN) == make_raw(7, size=MIN_RAW_BYTES, **GIVEN)
    assert make_camera_jpeg(7, **GIVEN) == make_camera_jpeg(7, **GIVEN)
    assert make_raw(7, size=MIN_RAW_BYTES, **GIVEN) != make_raw(8, size=MIN_RAW_BYTES, **GIVEN)


def assert_shows(jpeg: bytes, seed: int, width: int, height: int) -> None:
    """Each block of the decoded picture has its colour, to within what quantization may take."""
    with Image.open(io.BytesIO(jpeg)) as opened:
        assert (opened.format, opened.size) == ("JPEG", (width, height))
        opened.draft("YCbCr", opened.size)
        pixels = opened.convert("YCbCr")
    columns, rows = -(-width // 8), -(-height // 8)
    scene = paint_stage_scene(seed, columns, rows)
    for row, column in itertools.product(range(rows), range(columns)):
        at = row * columns + column
        shown = pixels.getpixel((min(8 * column + 3, width - 1), min(8 * row + 4, height - 1)))
        assert isinstance(shown, tuple)
        wanted = (scene.luma[at], scene.blue[at], scene.red[at])
        assert all(abs(one - other) <= 4 for one, other in zip(shown, wanted, strict=True)), (row, column)


@pytest.mark.parametrize(("width", "height"), [(8, 8), (9, 17), (640, 424), (1200, 800)])
def test_a_camera_jpeg_shows_its_scene(width: int, height: int) -> None:
    jpeg = make_camera_jpeg(3, width=width, height=height, **GIVEN)
    assert check_integrity("ORR_0001.JPG", jpeg)[0].integrity is Integrity.CLEAN
    assert_shows(jpeg, 3, width, height)


@pytest.mark.parametrize("size", [MIN_RAW_BYTES, 1 << 20, 9 << 20])
def test_the_preview_of_a_raw_shows_its_scene(size: int) -> None:
    preview = preview_of(make_raw(3, size=size, **GIVEN))
    with Image.open(io.BytesIO(preview)) as opened:
        width, height = opened.size
    assert_shows(preview, 3, width, height)


def test_a_mosaic_of_another_size_is_refused() -> None:
    with pytest.raises(ValueError, match="blocks"):
        encode_jpeg(Mosaic(2, b"\0" * 4, b"\0" * 4, b"\0" * 4), 16, 8)
