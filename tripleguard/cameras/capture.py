"""Reads from a file who took a picture and when.

A shoot is found by the camera's clock and a body by its serial, so this is read from every file of a card,
once, from the head that the copying has in memory anyway; films and old raws that keep it elsewhere are read
there. What kind of container it is, its first bytes tell; inside most of them stands the same: TIFF blocks with
Exif fields.

A head may be cut anywhere and its bytes may be anything. Whatever comes, the answer is a `Capture` that
holds what could be read; a value that is cut or makes no sense is None, never half of itself. The work is
bounded by fixed numbers of directories, boxes and segments, whatever the file says.

Tag numbers: Exif (CIPA DC-008), TIFF/EP (ISO 12234-2), DNG 1.7 (0xC62F).
"""

from __future__ import annotations

import datetime
import re
import unicodedata
from collections.abc import Callable
from dataclasses import replace

from tripleguard.cameras.boxes import Span, canon_blocks, exif_item, is_boxes
from tripleguard.cameras.films import is_film, movie_box, read_film
from tripleguard.cameras.kinds import extension_of, kind_of
from tripleguard.cameras.notes import canon_serial, note_serial
from tripleguard.cameras.old_raws import is_crw, is_mrw, is_x3f, read_crw, read_mrw, read_x3f
from tripleguard.cameras.reach import Far, Reach, Written
from tripleguard.cameras.riff import is_avi, read_avi
from tripleguard.cameras.tiff import Block, Directory, find_block, number, raw_text, read_directory
from tripleguard.model import Capture, Kind

LONGEST = 64
"""Characters kept of any text."""

MOST_SEGMENTS = 64
"""Segments of a JPEG that are stepped over in search of Exif."""

YEARS = (1990, 2107)
"""First and last year believed of a camera's clock; the last is where the times of FAT end."""


def tells_when(name: str) -> bool:
    """Whether a file of this name may say of itself when it was taken: originals, and the small JPEG of a film."""
    return kind_of(name).is_original or extension_of(name) in _SMALL_PICTURES


def read_capture(head: bytes, name: str, far: Far | None = None) -> Capture:
    """What a camera wrote about a picture, from the first bytes of its file.

    head: usually the first 256 KiB to 4 MiB, cut anywhere. name: the file's name; a sound or a sidecar is not
    looked into. far: reads further pieces of those files that keep it elsewhere. Never raises on what the bytes
    are.
    """
    if kind_of(name) in (Kind.SOUND, Kind.COMPANION):
        return Capture()
    if head.startswith(b"\xff\xd8"):
        return _of_jpeg(head, 0)
    if head.startswith(b"FUJIFILMCCD-RAW "):
        return _of_raf(head)
    for is_one, read in _CONTAINERS:
        if is_one(head):
            return _of_written(read(Reach(head, far)))
    if is_boxes(head) and head[8:12] in _PICTURE_BRANDS:
        return _of_boxes(head)
    if is_film(head):
        return _of_film(Reach(head, far))
    block = find_block(head)
    if block is None:
        return Capture()
    return _of_panasonic(block) if head.startswith(b"IIU") else _of_tiff(block)


def text_of(raw: bytes | None) -> str | None:
    """A text from outside as one clean line of at most LONGEST characters; None if nothing is left of it."""
    if raw is None:
        return None
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    text = "".join(" " if char.isspace() else char for char in text if char.isspace() or _is_visible(char))
    return " ".join(text.split())[:LONGEST].rstrip() or None


_MAKE, _MODEL, _DATE_TIME = 0x010F, 0x0110, 0x0132
_EXIF, _MAKER_NOTE = 0x8769, 0x927C
_BODY_SERIAL, _DNG_SERIAL = 0xA431, 0xC62F
_PANASONIC_JPEG = 0x002E
_KODAK, _KODAK_SERIAL = 0xFE00, 0xFA00

# Each clock reading with its own fraction and zone: Original, then Digitized, then the file's.
_CLOCKS = ((0x9003, 0x9291, 0x9011), (0x9004, 0x9292, 0x9012), (_DATE_TIME, 0x9290, 0x9010))

_WANTED = frozenset(
    {_MAKE, _MODEL, _EXIF, _MAKER_NOTE, _BODY_SERIAL, _DNG_SERIAL, _KODAK}
    | {tag for clock in _CLOCKS for tag in clock}
)

_LOCAL = re.compile(rb"([0-9]{4})[:/-]([0-9]{2})[:/-]([0-9]{2})[ T]([0-9]{2}):([0-9]{2}):([0-9]{2})")
_SUBSEC = re.compile(r"[0-9]{1,9}")
_OFFSET = re.compile(r"[+-](0[0-9]|1[0-4]):[0-5][0-9]")
_NO_SERIAL = re.compile(r"[0 .:_-]*|[fx?*]{2,}|n/?a|none|null|unknown|undefined", re.IGNORECASE)

_Source = tuple[Block, Directory]

_CONTAINERS: tuple[tuple[Callable[[bytes], bool], Callable[[Reach], Written]], ...] = (
    (is_avi, read_avi),
    (is_crw, read_crw),
    (is_mrw, read_mrw),
    (is_x3f, read_x3f),
)
_PICTURE_BRANDS = frozenset({b"heic", b"heix", b"hevc", b"mif1", b"msf1", b"avif"})
_SMALL_PICTURES = frozenset({"thm"})
_ZONE = re.compile(rb"(?:\.[0-9]+)?([+-][0-9]{2}):?([0-9]{2})|(?:\.[0-9]+)?Z")


def _of_tiff(block: Block) -> Capture:
    main = read_directory(block, block.first, _WANTED)
    exif = read_directory(block, number(block, main.get(_EXIF)) or 0, _WANTED)
    capture = _from_fields((block, exif), (block, main))
    note = exif.get(_MAKER_NOTE)
    if capture.serial is None and note is not None:
        written = note_serial(block, note, capture.make or "", capture.model or "")
        capture = replace(capture, serial=_serial(written))
    own = number(block, main.get(_KODAK) or exif.get(_KODAK))
    if capture.serial is None and own:
        written = raw_text(block, read_directory(block, own, {_KODAK_SERIAL}).get(_KODAK_SERIAL))
        capture = replace(capture, serial=_serial(written))
    return capture


def _of_panasonic(block: Block) -> Capture:
    """The raw's own fields, and what only the JPEG inside it has."""
    jpeg = read_directory(block, block.first, {_PANASONIC_JPEG}).get(_PANASONIC_JPEG)
    capture = _of_tiff(block)
    return _filled(capture, _of_jpeg(block.head, jpeg.at)) if jpeg else capture


def _of_jpeg(head: bytes, start: int) -> Capture:
    block = exif_of_jpeg(head, start)
    return _of_tiff(block) if block else Capture()


def _of_raf(head: bytes) -> Capture:
    """The fields of the JPEG inside; the header has a model of its own."""
    if len(head) < 88:
        return Capture()
    jpeg = int.from_bytes(head[84:88], "big")
    return _filled(_of_jpeg(head, jpeg), Capture(model=text_of(head[28:60].partition(b"\0")[0])))


def _of_boxes(head: bytes) -> Capture:
    canon = canon_blocks(head)
    if canon:
        return _of_canon(head, canon)
    span = exif_item(head)
    block = find_block(head, *span) if span else None
    return _of_tiff(block) if block else Capture()


def _of_film(reach: Reach) -> Capture:
    """A film: Canon's blocks as in its raws, else what stands in its user data."""
    capture = _of_boxes(reach.head)
    if capture.local is None and reach.far is not None:
        movie = movie_box(reach)
        canon = canon_blocks(movie)
        capture = _of_canon(movie, canon) if canon else capture
    return capture if capture.local else _filled(capture, _of_written(read_film(reach)))


def _of_written(written: Written) -> Capture:
    """The Exif that came with it, filled with what stands beside it."""
    block = exif_of_jpeg(written.exif, 0) or find_block(written.exif)
    if block is None and written.directory:
        block = Block(written.directory, 0, len(written.directory), "<", 0)
    date = written.date or b""
    local = _local(date)
    zone = _ZONE.fullmatch(date[19:].rstrip(b"\0 \n")) if local else None
    beside = Capture(
        local=local,
        offset=_matching(_OFFSET, (zone[1] + b":" + zone[2]).decode()) if zone and zone[1] else None,
        make=text_of(written.make),
        model=text_of(written.model),
        serial=_serial(written.serial),
        zone_known=local is None or (written.zone_known and not (zone and not zone[1])),
    )
    return _filled(_of_tiff(block), beside) if block else beside


def _of_canon(head: bytes, spans: dict[bytes, Span]) -> Capture:
    """Canon keeps the main, Exif and note directories in a block each."""
    exif, main, note = (
        find_block(head, *spans[name]) if name in spans else None for name in (b"CMT2", b"CMT1", b"CMT3")
    )
    capture = _from_fields(*((b, read_directory(b, b.first, _WANTED)) for b in (exif, main) if b))
    if capture.serial is None and note:
        capture = replace(capture, serial=_serial(canon_serial(note, note.first, capture.model or "")))
    return capture


def exif_of_jpeg(head: bytes, start: int) -> Block | None:
    """The TIFF block of the first Exif segment of the JPEG that begins at start."""
    if head[start : start + 2] != b"\xff\xd8":
        return None
    at = start + 2
    for _ in range(MOST_SEGMENTS):
        if head[at : at + 1] != b"\xff" or at + 10 > len(head):
            return None
        marker, length = head[at + 1], int.from_bytes(head[at + 2 : at + 4], "big")
        if marker == 0xFF:
            at += 1
            continue
        if marker in (0xD8, 0xD9, 0xDA) or length < 2:
            return None
        if marker == 0xE1 and head[at + 4 : at + 10] == b"Exif\0\0":
            return find_block(head, at + 10, at + 2 + length)
        at += 2 + length
    return None


def _from_fields(*sources: _Source) -> Capture:
    """A capture from directories, the more particular ones first."""
    local, subsec, offset = _clock(sources)
    return Capture(
        local=local,
        subsec=subsec,
        offset=offset,
        make=text_of(_raw(sources, _MAKE)),
        model=text_of(_raw(sources, _MODEL)),
        serial=_serial(_raw(sources, _BODY_SERIAL)) or _serial(_raw(sources, _DNG_SERIAL)),
    )


def _raw(sources: tuple[_Source, ...], tag: int) -> bytes | None:
    for block, directory in sources:
        raw = raw_text(block, directory.get(tag))
        if raw:
            return raw
    return None


def _clock(sources: tuple[_Source, ...]) -> tuple[str | None, str | None, str | None]:
    """Wall time, fraction and zone of the first clock reading that is a real time."""
    for date_tag, subsec_tag, offset_tag in _CLOCKS:
        local = _local(_raw(sources, date_tag) or b"")
        if local:
            subsec, offset = text_of(_raw(sources, subsec_tag)), text_of(_raw(sources, offset_tag))
            return local, _matching(_SUBSEC, subsec), _matching(_OFFSET, offset)
    return None, None, None


def _local(raw: bytes) -> str | None:
    found = _LOCAL.match(raw)
    if not found:
        return None
    year, month, day, hour, minute, second = map(int, found.groups())
    try:
        moment = datetime.datetime(year, month, day, hour, minute, second)
    except ValueError:
        return None
    return moment.isoformat() if YEARS[0] <= moment.year <= YEARS[1] else None


def _serial(raw: bytes | None) -> str | None:
    """A serial as clean text; a row of zeros or a word for nothing, which many bodies share, is none."""
    text = text_of(raw)
    return text if text and not _NO_SERIAL.fullmatch(text) else None


def _matching(pattern: re.Pattern[str], text: str | None) -> str | None:
    return text if text and pattern.fullmatch(text) else None


def _filled(capture: Capture, other: Capture) -> Capture:
    """The capture with what it lacks taken from another reading of the same frame."""
    clock = capture if capture.local else other
    return Capture(
        local=clock.local,
        subsec=clock.subsec or (other.subsec if clock.local == other.local else None),
        offset=clock.offset or (other.offset if clock.local == other.local else None),
        make=capture.make or other.make,
        model=capture.model or other.model,
        serial=capture.serial or other.serial,
        zone_known=clock.zone_known,
    )


def _is_visible(char: str) -> bool:
    return not unicodedata.category(char).startswith("C")
