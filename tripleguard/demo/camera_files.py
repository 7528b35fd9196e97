"""Make the files that the demo's cameras write: small raws and camera JPEGs that parsers and decoders accept.

The maker is Orrery, which does not exist. Its raw is a TIFF/EP file in the form of a DNG: a main directory with a
JPEG preview, an Exif directory, and behind one more directory the sensor values in two strips that end where the
file ends, so that truncation at any point is detectable. The sensor values are noise: 12 bits above a black level,
which does not compress, as in a real raw. Everything follows from the seed and the arguments; nothing is taken
from the machine.

TIFF 6.0; TIFF/EP (ISO 12234-2); Exif (CIPA DC-008); DNG 1.7; XMP (ISO 16684-1).
"""

from __future__ import annotations

import math
import random
import struct
from collections.abc import Iterator
from datetime import datetime

from tripleguard.demo.mosaic import count_blocks, encode_jpeg
from tripleguard.demo.stage_scene import paint_stage_scene

MAKE = "Orrery"
MODEL = "Orrery R7"
MIN_RAW_BYTES = 64 << 10


def make_raw(
    seed: int,
    *,
    taken_at: datetime,
    subsec: int,
    offset: str,
    serial: str,
    model: str = MODEL,
    size: int,
    orientation: int = 1,
    rating: int | None = None,
) -> bytes:
    """Return a raw of exactly `size` bytes.

    Args:
        seed: determines the scene and the noise.
        taken_at: the camera's local time; a zone in it is ignored.
        subsec: hundredths of a second, 0 to 99.
        offset: the UTC offset, as `+HH:MM`.
        serial, model: of the body.
        size: at least SMALLEST_RAW.
        orientation: Exif, 1 to 8.
        rating: XMP, -1 to 5.

    Raises:
        ValueError: an argument is out of bounds.
    """
    if size < MIN_RAW_BYTES:
        raise ValueError(f"a raw has at least {MIN_RAW_BYTES} bytes")
    width, height = _get_preview_size(size)
    preview = encode_jpeg(paint_stage_scene(seed, count_blocks(width), count_blocks(height)), width, height)
    main = _build_camera_fields(taken_at, model, orientation) | {
        0x00FE: _encode_longs(1),  # a smaller picture
        0x0100: _encode_longs(width),
        0x0101: _encode_longs(height),
        0x0102: _encode_shorts(8, 8, 8),
        0x0103: _encode_shorts(7),  # JPEG
        0x0106: _encode_shorts(6),  # YCbCr
        0x0115: _encode_shorts(3),
        0x0116: _encode_longs(height),
        0x0117: _encode_longs(len(preview)),
        0x9216: _encode_octets(1, 0, 0, 0),  # TIFF/EP
        0xC612: _encode_octets(1, 4, 0, 0),
        0xC613: _encode_octets(1, 1, 0, 0),
        0xC614: _encode_text(model),
        0xC621: _encode_rationals(
            *((n, 10000) for n in (9000, -3000, -1000, -5000, 13000, 2000, -1000, 2000, 6000))
        ),
        0xC628: _encode_rationals((1, 2), (1, 1), (3, 5)),
        0xC62F: _encode_text(serial),
        0xC65A: _encode_shorts(21),  # daylight
    }
    if rating is not None:
        main[0x02BC] = _encode_octets(*_encode_xmp(rating))
    exif = _build_exif_fields(seed, taken_at, subsec, offset, serial)
    # Encode twice: first to learn the size of the directories, then with the final offsets.
    directories = _encode_raw_directories(main, exif, len(preview), 0, size)
    directories = _encode_raw_directories(main, exif, len(preview), len(directories), size)
    sensor = _get_sensor_bytes(size - len(directories) - len(preview))
    gap = size - len(directories) - len(preview) - sensor
    return b"".join((directories, preview, bytes(gap), *_iter_noise(seed, sensor)))


def make_camera_jpeg(
    seed: int,
    *,
    taken_at: datetime,
    subsec: int,
    offset: str,
    serial: str,
    model: str = MODEL,
    width: int = 1200,
    height: int = 800,
    orientation: int = 1,
    rating: int | None = None,
) -> bytes:
    """Return a camera JPEG of the same scene as the raw of that seed; width and height in pixels, 8 to 8192.

    The other arguments are those of `make_raw`.
    """
    if not (8 <= width <= 8192 and 8 <= height <= 8192):
        raise ValueError("a picture has 8 to 8192 pixels each way")
    exif = _build_exif_fields(seed, taken_at, subsec, offset, serial) | {
        0xA002: _encode_longs(width),
        0xA003: _encode_longs(height),
    }
    block = _encode_exif_block(_build_camera_fields(taken_at, model, orientation), exif)
    segments = _encode_app1(b"Exif\0\0" + block)
    if rating is not None:
        segments += _encode_app1(b"http://ns.adobe.com/xap/1.0/\0" + _encode_xmp(rating))
    scene = paint_stage_scene(seed, count_blocks(width), count_blocks(height))
    return encode_jpeg(scene, width, height, segments)


_FieldValue = tuple[int, int, bytes]
"""Type, count and bytes of one field, little-endian."""

_Fields = dict[int, _FieldValue]

_BLACK_LEVEL = 512
_WHITE_LEVEL = 16383
_CHUNK_BYTES = 64 << 10
_NOISE_BITS = int.from_bytes(struct.pack("<H", 0x0FFF) * (_CHUNK_BYTES // 2), "little")
_BLACK = int.from_bytes(struct.pack("<H", _BLACK_LEVEL) * (_CHUNK_BYTES // 2), "little")


def _get_preview_size(size: int) -> tuple[int, int]:
    """Return the size in pixels of a preview that takes little of a raw's bytes and little time to make."""
    for least, pixels in ((8 << 20, (1440, 960)), (1 << 20, (480, 320))):
        if size >= least:
            return pixels
    return 192, 128


def _get_sensor_size(room: int) -> tuple[int, int]:
    """Return width and height near 3:2 that fill the space, with two bytes per value and two strips of rows."""
    width = max(16, math.isqrt(room // 2 * 3 // 2) // 16 * 16)
    return width, room // 2 // width // 2 * 2


def _get_sensor_bytes(room: int) -> int:
    width, height = _get_sensor_size(room)
    return width * height * 2


def _iter_noise(seed: int, size: int) -> Iterator[bytes]:
    source = random.Random(seed)
    for start in range(0, size, _CHUNK_BYTES):
        chunk = source.getrandbits(_CHUNK_BYTES * 8) & _NOISE_BITS | _BLACK
        yield chunk.to_bytes(_CHUNK_BYTES, "little")[: size - start]


def _encode_raw_directories(main: _Fields, exif: _Fields, preview: int, header: int, size: int) -> bytes:
    """Return header and directories of a raw whose preview begins at offset `header`."""
    room = max(size - header - preview, MIN_RAW_BYTES // 2)
    width, height = _get_sensor_size(room)
    strip = width * height
    sensor: _Fields = {
        0x00FE: _encode_longs(0),
        0x0100: _encode_longs(width),
        0x0101: _encode_longs(height),
        0x0102: _encode_shorts(16),
        0x0103: _encode_shorts(1),  # not compressed
        0x0106: _encode_shorts(32803),  # colour filter array
        0x0111: _encode_longs(size - 2 * strip, size - strip),
        0x0115: _encode_shorts(1),
        0x0116: _encode_longs(height // 2),
        0x0117: _encode_longs(strip, strip),
        0x828D: _encode_shorts(2, 2),
        0x828E: _encode_octets(0, 1, 1, 2),
        0xC61A: _encode_shorts(_BLACK_LEVEL),
        0xC61D: _encode_shorts(_WHITE_LEVEL),
    }
    sensor_at = 8 + len(
        _encode_directory(main | {0x0111: _encode_longs(0), 0x014A: _encode_longs(0), 0x8769: _encode_longs(0)}, 8)
    )
    exif_at = sensor_at + len(_encode_directory(sensor, sensor_at))
    pointers = {0x0111: _encode_longs(header), 0x014A: _encode_longs(sensor_at), 0x8769: _encode_longs(exif_at)}
    return (
        struct.pack("<2sHI", b"II", 42, 8)
        + _encode_directory(main | pointers, 8)
        + _encode_directory(sensor, sensor_at)
        + _encode_directory(exif, exif_at)
    )


def _encode_exif_block(main: _Fields, exif: _Fields) -> bytes:
    """Return a TIFF block of a main and an Exif directory."""
    exif_at = 8 + len(_encode_directory(main | {0x8769: _encode_longs(0)}, 8))
    header = struct.pack("<2sHI", b"II", 42, 8)
    return (
        header + _encode_directory(main | {0x8769: _encode_longs(exif_at)}, 8) + _encode_directory(exif, exif_at)
    )


def _encode_directory(fields: _Fields, at: int) -> bytes:
    """Return one directory at offset `at`, followed by the values that are longer than four bytes."""
    entries = [struct.pack("<H", len(fields))]
    behind: list[bytes] = []
    free = at + 2 + 12 * len(fields) + 4
    for tag, (type_, count, value) in sorted(fields.items()):
        if len(value) > 4:
            padded = value + bytes(len(value) % 2)
            behind.append(padded)
            value, free = struct.pack("<I", free), free + len(padded)
        entries.append(struct.pack("<HHI4s", tag, type_, count, value))
    return b"".join((*entries, bytes(4), *behind))


def _build_camera_fields(taken_at: datetime, model: str, orientation: int) -> _Fields:
    if not 1 <= orientation <= 8:
        raise ValueError("an orientation is 1 to 8")
    return {
        0x010F: _encode_text(MAKE),
        0x0110: _encode_text(model),
        0x0112: _encode_shorts(orientation),
        0x011A: _encode_rationals((300, 1)),
        0x011B: _encode_rationals((300, 1)),
        0x0128: _encode_shorts(2),
        0x0131: _encode_text("1.04"),
        0x0132: _encode_text(_format_exif_time(taken_at)),
    }


def _build_exif_fields(seed: int, taken_at: datetime, subsec: int, offset: str, serial: str) -> _Fields:
    if not 0 <= subsec <= 99:
        raise ValueError("hundredths of a second are 0 to 99")
    source = random.Random(f"exposure {seed}")
    clock, fraction, zone = (
        _encode_text(_format_exif_time(taken_at)),
        _encode_text(f"{subsec:02d}"),
        _encode_text(offset),
    )
    return {
        0x829A: _encode_rationals((1, (125, 200, 250, 320)[int(source.random() * 4)])),
        0x829D: _encode_rationals(((18, 28, 40)[int(source.random() * 3)], 10)),
        0x8827: _encode_shorts((1600, 3200, 6400)[int(source.random() * 3)]),
        0x9000: (7, 4, b"0232"),
        0x9003: clock,
        0x9004: clock,
        0x9010: zone,
        0x9011: zone,
        0x9012: zone,
        0x9290: fraction,
        0x9291: fraction,
        0x9292: fraction,
        0x920A: _encode_rationals(((24, 35, 50, 85, 135)[int(source.random() * 5)], 1)),
        0xA001: _encode_shorts(1),
        0xA431: _encode_text(serial),
    }


def _format_exif_time(taken_at: datetime) -> str:
    return f"{taken_at.year:04d}:{taken_at.month:02d}:{taken_at.day:02d} {taken_at:%H:%M:%S}"


def _encode_xmp(rating: int) -> bytes:
    if not -1 <= rating <= 5:
        raise ValueError("a rating is -1 to 5")
    return (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about=""'
        f' xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="{rating}"/></rdf:RDF></x:xmpmeta>'
        '<?xpacket end="w"?>'
    ).encode()


def _encode_app1(content: bytes) -> bytes:
    return struct.pack(">HH", 0xFFE1, len(content) + 2) + content


def _encode_text(value: str) -> _FieldValue:
    encoded = value.encode("utf-8") + b"\0"
    return 2, len(encoded), encoded


def _encode_octets(*values: int) -> _FieldValue:
    return 1, len(values), bytes(values)


def _encode_shorts(*values: int) -> _FieldValue:
    return 3, len(values), struct.pack(f"<{len(values)}H", *values)


def _encode_longs(*values: int) -> _FieldValue:
    return 4, len(values), struct.pack(f"<{len(values)}I", *values)


def _encode_rationals(*values: tuple[int, int]) -> _FieldValue:
    """Encode fractions, as signed ones if any is below zero."""
    signed = any(top < 0 for top, _ in values)
    flat = [part for value in values for part in value]
    return (10 if signed else 5), len(values), struct.pack(f"<{len(flat)}{'i' if signed else 'I'}", *flat)
