"""The demo's raws and camera JPEGs: real enough to be read, decoded and checked like any other."""

from __future__ import annotations

import io
import itertools
import struct
import zlib
from collections.abc import Iterator
from datetime import datetime
from typing import Any

import blake3
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tripleguard.cameras.capture import read_capture
from tripleguard.demo.camera_files import MIN_RAW_BYTES, make_camera_jpeg, make_raw
from tripleguard.demo.jpeg_encoder import Mosaic, encode_jpeg
from tripleguard.demo.stage_scene import paint_stage_scene
from tripleguard.model import Capture

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


# Made by this program; they hold it to the same files on every machine and every Python.
def test_one_seed_makes_one_file_everywhere() -> None:
    assert blake3.blake3(make_raw(7, size=100_000, **GIVEN)).hexdigest()[:16] == "b77e880a561696a2"
    assert blake3.blake3(make_camera_jpeg(7, **GIVEN)).hexdigest()[:16] == "061e20436f9166a3"
    assert make_raw(7, size=MIN_RAW_BYTES, **GIVEN) != make_raw(8, size=MIN_RAW_BYTES, **GIVEN)


# A decoder for what the encoder promises: baseline, every block of one colour (ITU-T T.81, annex F.2.2).


def segments(jpeg: bytes) -> Iterator[tuple[int, bytes]]:
    """Marker and content of each segment up to the scan, then marker 0 and what follows its header."""
    assert jpeg[:2] == b"\xff\xd8"
    at = 2
    while True:
        assert jpeg[at] == 0xFF
        marker, length = jpeg[at + 1], int.from_bytes(jpeg[at + 2 : at + 4], "big")
        yield marker, jpeg[at + 4 : at + 2 + length]
        at += 2 + length
        if marker == 0xDA:
            yield 0, jpeg[at:]
            return


def huffman_codes(content: bytes) -> tuple[int, dict[str, int]]:
    """Table place, and code to symbol, of one DHT segment (annex C)."""
    codes, code, symbols = {}, 0, iter(content[17:])
    for length, count in enumerate(content[1:17], 1):
        for _ in range(count):
            codes[f"{code:0{length}b}"] = next(symbols)
            code += 1
        code *= 2
    return content[0], codes


def tables(jpeg: bytes) -> dict[int, dict[str, int]]:
    return dict(huffman_codes(content) for marker, content in segments(jpeg) if marker == 0xC4)


def decoded_means(jpeg: bytes) -> tuple[int, int, list[list[int]]]:
    """Width, height, and the mean of every block of each of the three components."""
    parts = list(segments(jpeg))
    frame = next(content for marker, content in parts if marker == 0xC0)
    _, height, width = struct.unpack_from(">BHH", frame)
    step = next(content for marker, content in parts if marker == 0xDB)[1]
    codes = tables(jpeg)
    scan = parts[-1][1]
    assert scan.endswith(b"\xff\xd9")
    stuffed = scan[:-2]
    assert stuffed.count(b"\xff") == stuffed.count(b"\xff\0")
    bits = "".join(f"{byte:08b}" for byte in stuffed.replace(b"\xff\0", b"\xff"))
    at = 0

    def symbol(table: dict[str, int]) -> int:
        nonlocal at
        for length in range(1, 17):
            if bits[at : at + length] in table:
                found = table[bits[at : at + length]]
                at += length
                return found
        raise AssertionError(f"no code at bit {at}")

    planes: list[list[int]] = [[], [], []]
    before = [0, 0, 0]
    for _ in range(-(-width // 8) * -(-height // 8)):
        for component, place in enumerate((0, 1, 1)):
            size = symbol(codes[place])
            extra = bits[at : at + size]
            at += size
            if size:
                before[component] += int(extra, 2) if extra[0] == "1" else int(extra, 2) - (1 << size) + 1
            assert symbol(codes[0x10 | place]) == 0
            planes[component].append(before[component] * step // 8 + 128)
    assert set(bits[at:]) <= {"1"}
    assert len(bits) - at < 8
    return width, height, planes


@pytest.mark.parametrize(("width", "height"), [(8, 8), (9, 17), (640, 424), (1200, 800)])
def test_a_camera_jpeg_decodes_to_its_scene(width: int, height: int) -> None:
    picture = make_camera_jpeg(3, width=width, height=height, **GIVEN)
    scene = paint_stage_scene(3, -(-width // 8), -(-height // 8))
    assert decoded_means(picture) == (width, height, [list(scene.luma), list(scene.blue), list(scene.red)])


@pytest.mark.parametrize("size", [MIN_RAW_BYTES, 1 << 20, 9 << 20])
def test_the_preview_of_a_raw_decodes_to_its_scene(size: int) -> None:
    width, height, planes = decoded_means(preview_of(make_raw(3, size=size, **GIVEN)))
    scene = paint_stage_scene(3, width // 8, height // 8)
    assert planes == [list(scene.luma), list(scene.blue), list(scene.red)]


@given(st.lists(st.tuples(*[st.integers(0, 255)] * 3), min_size=1, max_size=40))
def test_every_step_of_colour_survives_coding(blocks: list[tuple[int, int, int]]) -> None:
    luma, blue, red = (bytes(plane) for plane in zip(*blocks, strict=True))
    jpeg = encode_jpeg(Mosaic(len(blocks), luma, blue, red), 8 * len(blocks), 8)
    assert decoded_means(jpeg)[2] == [list(luma), list(blue), list(red)]


def test_bytes_that_look_like_a_marker_are_stuffed() -> None:
    leaps = bytes([0, 255] * 50)  # T.81, B.1.1.5: a zero follows every 0xFF of coded data
    jpeg = encode_jpeg(Mosaic(100, leaps, leaps, leaps), 800, 8)
    assert b"\xff\0" in list(segments(jpeg))[-1][1]
    assert decoded_means(jpeg)[2] == [list(leaps)] * 3


def test_a_mosaic_of_another_size_is_refused() -> None:
    with pytest.raises(ValueError, match="blocks"):
        encode_jpeg(Mosaic(2, b"\0" * 4, b"\0" * 4, b"\0" * 4), 16, 8)


# ITU-T T.81, tables K.3 to K.6; codes from memory, the whole tables agree with those libjpeg writes.
@pytest.mark.parametrize(
    ("place", "symbol", "code"),
    [
        (0x00, 0, "00"),
        (0x00, 5, "110"),
        (0x00, 11, "111111110"),
        (0x01, 0, "00"),
        (0x01, 11, "11111111110"),
        (0x10, 0x00, "1010"),
        (0x10, 0x01, "00"),
        (0x10, 0xF0, "11111111001"),
        (0x10, 0xFA, "1111111111111110"),
        (0x11, 0x00, "00"),
        (0x11, 0xF0, "1111111010"),
        (0x11, 0xFA, "1111111111111110"),
    ],
)
def test_the_huffman_tables_are_those_of_the_standard(place: int, symbol: int, code: str) -> None:
    assert tables(make_camera_jpeg(1, **GIVEN))[place][code] == symbol


def test_the_tables_hold_every_run_and_size() -> None:
    # T.81, F.1.2.2: runs 0 to 15 with sizes 1 to 10, the end of a block, and sixteen zeros.
    symbols = {run << 4 | size for run, size in itertools.product(range(16), range(1, 11))} | {0x00, 0xF0}
    found = tables(make_camera_jpeg(1, **GIVEN))
    assert set(found[0x10].values()) == set(found[0x11].values()) == symbols
    assert set(found[0x00].values()) == set(found[0x01].values()) == set(range(12))


def test_another_decoder_sees_the_same_picture() -> None:
    image = pytest.importorskip("PIL.Image", reason="Pillow is not installed; it is no part of this project")
    for jpeg in (
        make_camera_jpeg(3, width=640, height=424, **GIVEN),
        preview_of(make_raw(3, size=1 << 20, **GIVEN)),
    ):
        with image.open(io.BytesIO(jpeg)) as opened:
            opened.draft("YCbCr", opened.size)
            pixels = opened.convert("YCbCr")
        columns, rows = pixels.width // 8, pixels.height // 8
        scene = paint_stage_scene(3, columns, rows)
        for row, column in itertools.product(range(rows), range(columns)):
            at = row * columns + column
            seen = pixels.getpixel((8 * column + 3, 8 * row + 4))
            assert seen == (scene.luma[at], scene.blue[at], scene.red[at])
