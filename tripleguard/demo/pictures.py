"""Makes the files that the demo's cameras write: small raws and camera JPEGs, real enough to be read as such.

The maker is Orrery, and there is no such maker. Its raw is a TIFF/EP file in the form of a DNG: a main
directory with a JPEG preview, an Exif directory, and behind one more directory the sensor's values in two
strips that end where the file ends, so that a cut anywhere shows. Noise fills the sensor: 12 bits above a
black level, which does not compress, as a real raw does not. All of it follows from the seed and what is
given; nothing is measured, dated or drawn from the machine.

TIFF 6.0; TIFF/EP (ISO 12234-2); Exif (CIPA DC-008); DNG 1.7; XMP (ISO 16684-1).
"""

from __future__ import annotations

import math
import random
import struct
from collections.abc import Iterator
from datetime import datetime

from tripleguard.demo.jpeg import blocks_for, write_jpeg
from tripleguard.demo.stage import stage_scene

MAKE = "Orrery"
MODEL = "Orrery R7"
SMALLEST_RAW = 64 << 10


def raw_file(
    seed: int,
    *,
    taken: datetime,
    subsec: int,
    offset: str,
    serial: str,
    model: str = MODEL,
    size: int,
    orientation: int = 1,
    rating: int | None = None,
) -> bytes:
    """A raw of exactly size bytes, at least SMALLEST_RAW.

    taken: the camera's wall time; a zone in it is ignored. subsec: hundredths of a second, 0 to 99. offset:
    `+HH:MM`. orientation: Exif, 1 to 8. rating: XMP, -1 to 5. Raises ValueError outside these bounds.
    """
    if size < SMALLEST_RAW:
        raise ValueError(f"a raw has at least {SMALLEST_RAW} bytes")
    width, height = _preview_size(size)
    preview = write_jpeg(stage_scene(seed, blocks_for(width), blocks_for(height)), width, height)
    main = _camera_fields(taken, model, orientation) | {
        0x00FE: _longs(1),  # a smaller picture
        0x0100: _longs(width),
        0x0101: _longs(height),
        0x0102: _shorts(8, 8, 8),
        0x0103: _shorts(7),  # JPEG
        0x0106: _shorts(6),  # YCbCr
        0x0115: _shorts(3),
        0x0116: _longs(height),
        0x0117: _longs(len(preview)),
        0x9216: _octets(1, 0, 0, 0),  # TIFF/EP
        0xC612: _octets(1, 4, 0, 0),
        0xC613: _octets(1, 1, 0, 0),
        0xC614: _text(model),
        0xC621: _rationals(*((n, 10000) for n in (9000, -3000, -1000, -5000, 13000, 2000, -1000, 2000, 6000))),
        0xC628: _rationals((1, 2), (1, 1), (3, 5)),
        0xC62F: _text(serial),
        0xC65A: _shorts(21),  # daylight
    }
    if rating is not None:
        main[0x02BC] = _octets(*_xmp(rating))
    exif = _exif_fields(seed, taken, subsec, offset, serial)
    # Laid out twice: first to learn how long the directories are, then to say where everything lies.
    directories = _raw_directories(main, exif, len(preview), 0, size)
    directories = _raw_directories(main, exif, len(preview), len(directories), size)
    sensor = _sensor_bytes(size - len(directories) - len(preview))
    gap = size - len(directories) - len(preview) - sensor
    return b"".join((directories, preview, bytes(gap), *_noise(seed, sensor)))


def picture_file(
    seed: int,
    *,
    taken: datetime,
    subsec: int,
    offset: str,
    serial: str,
    model: str = MODEL,
    width: int = 1200,
    height: int = 800,
    orientation: int = 1,
    rating: int | None = None,
) -> bytes:
    """A camera JPEG of the same scene as the raw of that seed; width and height in pixels, 8 to 8192.

    The rest as for `raw_file`.
    """
    if not (8 <= width <= 8192 and 8 <= height <= 8192):
        raise ValueError("a picture has 8 to 8192 pixels each way")
    exif = _exif_fields(seed, taken, subsec, offset, serial) | {0xA002: _longs(width), 0xA003: _longs(height)}
    block = _with_exif(_camera_fields(taken, model, orientation), exif)
    segments = _app1(b"Exif\0\0" + block)
    if rating is not None:
        segments += _app1(b"http://ns.adobe.com/xap/1.0/\0" + _xmp(rating))
    scene = stage_scene(seed, blocks_for(width), blocks_for(height))
    return write_jpeg(scene, width, height, segments)


_Value = tuple[int, int, bytes]
"""Type, count and bytes of one field, little-endian."""

_Fields = dict[int, _Value]

_BLACK_LEVEL = 512
_WHITE_LEVEL = 16383
_CHUNK = 64 << 10
_NOISE_BITS = int.from_bytes(struct.pack("<H", 0x0FFF) * (_CHUNK // 2), "little")
_BLACK = int.from_bytes(struct.pack("<H", _BLACK_LEVEL) * (_CHUNK // 2), "little")


def _preview_size(size: int) -> tuple[int, int]:
    """Pixels of a preview that takes little of a raw's bytes and of the time to make it."""
    for least, pixels in ((8 << 20, (1440, 960)), (1 << 20, (480, 320))):
        if size >= least:
            return pixels
    return 192, 128


def _sensor_size(room: int) -> tuple[int, int]:
    """Width and height near 3:2 that fill the room with two bytes a value, in two strips of whole rows."""
    width = max(16, math.isqrt(room // 2 * 3 // 2) // 16 * 16)
    return width, room // 2 // width // 2 * 2


def _sensor_bytes(room: int) -> int:
    width, height = _sensor_size(room)
    return width * height * 2


def _noise(seed: int, size: int) -> Iterator[bytes]:
    source = random.Random(seed)
    for start in range(0, size, _CHUNK):
        chunk = source.getrandbits(_CHUNK * 8) & _NOISE_BITS | _BLACK
        yield chunk.to_bytes(_CHUNK, "little")[: size - start]


def _raw_directories(main: _Fields, exif: _Fields, preview: int, header: int, size: int) -> bytes:
    """Header and directories of a raw whose preview begins at offset header."""
    room = max(size - header - preview, SMALLEST_RAW // 2)
    width, height = _sensor_size(room)
    strip = width * height
    sensor: _Fields = {
        0x00FE: _longs(0),
        0x0100: _longs(width),
        0x0101: _longs(height),
        0x0102: _shorts(16),
        0x0103: _shorts(1),  # not compressed
        0x0106: _shorts(32803),  # colour filter array
        0x0111: _longs(size - 2 * strip, size - strip),
        0x0115: _shorts(1),
        0x0116: _longs(height // 2),
        0x0117: _longs(strip, strip),
        0x828D: _shorts(2, 2),
        0x828E: _octets(0, 1, 1, 2),
        0xC61A: _shorts(_BLACK_LEVEL),
        0xC61D: _shorts(_WHITE_LEVEL),
    }
    sensor_at = 8 + len(_directory(main | {0x0111: _longs(0), 0x014A: _longs(0), 0x8769: _longs(0)}, 8))
    exif_at = sensor_at + len(_directory(sensor, sensor_at))
    pointers = {0x0111: _longs(header), 0x014A: _longs(sensor_at), 0x8769: _longs(exif_at)}
    return (
        struct.pack("<2sHI", b"II", 42, 8)
        + _directory(main | pointers, 8)
        + _directory(sensor, sensor_at)
        + _directory(exif, exif_at)
    )


def _with_exif(main: _Fields, exif: _Fields) -> bytes:
    """A TIFF block of a main and an Exif directory."""
    exif_at = 8 + len(_directory(main | {0x8769: _longs(0)}, 8))
    header = struct.pack("<2sHI", b"II", 42, 8)
    return header + _directory(main | {0x8769: _longs(exif_at)}, 8) + _directory(exif, exif_at)


def _directory(fields: _Fields, at: int) -> bytes:
    """One directory at offset at, and behind it the values that are longer than four bytes."""
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


def _camera_fields(taken: datetime, model: str, orientation: int) -> _Fields:
    if not 1 <= orientation <= 8:
        raise ValueError("an orientation is 1 to 8")
    return {
        0x010F: _text(MAKE),
        0x0110: _text(model),
        0x0112: _shorts(orientation),
        0x011A: _rationals((300, 1)),
        0x011B: _rationals((300, 1)),
        0x0128: _shorts(2),
        0x0131: _text("1.04"),
        0x0132: _text(_exif_time(taken)),
    }


def _exif_fields(seed: int, taken: datetime, subsec: int, offset: str, serial: str) -> _Fields:
    if not 0 <= subsec <= 99:
        raise ValueError("hundredths of a second are 0 to 99")
    source = random.Random(f"exposure {seed}")
    clock, fraction, zone = _text(_exif_time(taken)), _text(f"{subsec:02d}"), _text(offset)
    return {
        0x829A: _rationals((1, (125, 200, 250, 320)[int(source.random() * 4)])),
        0x829D: _rationals(((18, 28, 40)[int(source.random() * 3)], 10)),
        0x8827: _shorts((1600, 3200, 6400)[int(source.random() * 3)]),
        0x9000: (7, 4, b"0232"),
        0x9003: clock,
        0x9004: clock,
        0x9010: zone,
        0x9011: zone,
        0x9012: zone,
        0x9290: fraction,
        0x9291: fraction,
        0x9292: fraction,
        0x920A: _rationals(((24, 35, 50, 85, 135)[int(source.random() * 5)], 1)),
        0xA001: _shorts(1),
        0xA431: _text(serial),
    }


def _exif_time(taken: datetime) -> str:
    return f"{taken.year:04d}:{taken.month:02d}:{taken.day:02d} {taken:%H:%M:%S}"


def _xmp(rating: int) -> bytes:
    if not -1 <= rating <= 5:
        raise ValueError("a rating is -1 to 5")
    return (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?><x:xmpmeta xmlns:x="adobe:ns:meta/">'
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about=""'
        f' xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="{rating}"/></rdf:RDF></x:xmpmeta>'
        '<?xpacket end="w"?>'
    ).encode()


def _app1(content: bytes) -> bytes:
    return struct.pack(">HH", 0xFFE1, len(content) + 2) + content


def _text(value: str) -> _Value:
    encoded = value.encode("utf-8") + b"\0"
    return 2, len(encoded), encoded


def _octets(*values: int) -> _Value:
    return 1, len(values), bytes(values)


def _shorts(*values: int) -> _Value:
    return 3, len(values), struct.pack(f"<{len(values)}H", *values)


def _longs(*values: int) -> _Value:
    return 4, len(values), struct.pack(f"<{len(values)}I", *values)


def _rationals(*values: tuple[int, int]) -> _Value:
    """Fractions; signed ones where one is below zero."""
    signed = any(top < 0 for top, _ in values)
    flat = [part for value in values for part in value]
    return (10 if signed else 5), len(values), struct.pack(f"<{len(flat)}{'i' if signed else 'I'}", *flat)
