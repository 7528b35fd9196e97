"""Read from a file which camera took a picture, and when.

The camera's clock decides the shoot and its serial the body, so this is read once from every file of a card, from
the head that the copy engine already holds in memory. Only films and old raws that store the metadata elsewhere
need further reads. The first bytes identify the container; most containers hold TIFF blocks with Exif fields.

The head may be cut anywhere and its bytes may be anything. The result is always a `Capture` with what could be
read; a value that is cut or makes no sense is None. Fixed limits on directories, boxes and segments bound the
work.

Tag numbers: Exif (CIPA DC-008), TIFF/EP (ISO 12234-2), DNG 1.7 (0xC62F).
"""

from __future__ import annotations

import datetime
import re
import unicodedata
from collections.abc import Callable
from dataclasses import replace

from tripleguard.cameras.boxes import HeadSpan, find_canon_blocks, find_exif_item, is_box_file
from tripleguard.cameras.film_metadata import find_movie_box, is_avi, is_film, read_avi, read_film
from tripleguard.cameras.head_reader import ContainerMetadata, HeadReader, RandomAccess
from tripleguard.cameras.kinds import extension_of, kind_of
from tripleguard.cameras.maker_notes import read_canon_serial, read_note_serial
from tripleguard.cameras.non_tiff_raws import is_crw, is_mrw, is_x3f, read_crw, read_mrw, read_x3f
from tripleguard.cameras.tiff import TiffBlock, TiffDirectory, find_block, read_directory, read_text, read_uint
from tripleguard.model import Capture, FileKind

MAX_TEXT_LENGTH = 64
"""Characters kept of any text."""

MAX_SEGMENTS = 64
"""Segments of a JPEG that are skipped in search of Exif."""

VALID_YEARS = (1990, 2107)
"""First and last plausible year of a camera's clock; FAT timestamps end with the last one."""


def can_have_capture_time(name: str) -> bool:
    """Return whether a file of this name may record a capture time: an original, or the thumbnail of a film."""
    return kind_of(name).is_original or extension_of(name) in _THUMBNAIL_EXTENSIONS


def read_capture(head: bytes, name: str, random_access: RandomAccess | None = None) -> Capture:
    """Read what a camera wrote about a picture from the first bytes of its file.

    Never raises because of the content.

    Args:
        head: usually the first 256 KiB to 4 MiB, cut anywhere.
        name: the file's name; sounds and sidecars are not examined.
        random_access: reads other parts of files that store their metadata outside the head.
    """
    if kind_of(name) in (FileKind.SOUND, FileKind.COMPANION):
        return Capture()
    if head.startswith(b"\xff\xd8"):
        return _read_jpeg(head, 0)
    if head.startswith(b"FUJIFILMCCD-RAW "):
        return _read_raf(head)
    for matches, read in _CONTAINERS:
        if matches(head):
            return _read_container(read(HeadReader(head, random_access)))
    if is_box_file(head) and head[8:12] in _PICTURE_BRANDS:
        return _read_boxes(head)
    if is_film(head):
        return _read_film_capture(HeadReader(head, random_access))
    block = find_block(head)
    if block is None:
        return Capture()
    return _read_panasonic(block) if head.startswith(b"IIU") else _read_tiff(block)


def clean_text(raw: bytes | None) -> str | None:
    """Return untrusted text as one clean line of at most MAX_TEXT_LENGTH characters.

    Return None if nothing is left of it.
    """
    if raw is None:
        return None
    try:
        text = raw.decode("utf-8")
    except UnicodeDecodeError:
        text = raw.decode("latin-1")
    text = "".join(" " if char.isspace() else char for char in text if char.isspace() or _is_visible(char))
    return " ".join(text.split())[:MAX_TEXT_LENGTH].rstrip() or None


_MAKE, _MODEL, _DATE_TIME = 0x010F, 0x0110, 0x0132
_EXIF, _MAKER_NOTE = 0x8769, 0x927C
_BODY_SERIAL, _DNG_SERIAL = 0xA431, 0xC62F
_PANASONIC_JPEG = 0x002E
_KODAK, _KODAK_SERIAL = 0xFE00, 0xFA00

# Each time tag with its fraction and its zone: Original, then Digitized, then the file's.
_CLOCKS = ((0x9003, 0x9291, 0x9011), (0x9004, 0x9292, 0x9012), (_DATE_TIME, 0x9290, 0x9010))

_WANTED_TAGS = frozenset(
    {_MAKE, _MODEL, _EXIF, _MAKER_NOTE, _BODY_SERIAL, _DNG_SERIAL, _KODAK}
    | {tag for clock in _CLOCKS for tag in clock}
)

_LOCAL_PATTERN = re.compile(rb"([0-9]{4})[:/-]([0-9]{2})[:/-]([0-9]{2})[ T]([0-9]{2}):([0-9]{2}):([0-9]{2})")
_SUBSEC_PATTERN = re.compile(r"[0-9]{1,9}")
_OFFSET_PATTERN = re.compile(r"[+-](0[0-9]|1[0-4]):[0-5][0-9]")
_NO_SERIAL = re.compile(r"[0 .:_-]*|[fx?*]{2,}|n/?a|none|null|unknown|undefined", re.IGNORECASE)

_Source = tuple[TiffBlock, TiffDirectory]

_CONTAINERS: tuple[tuple[Callable[[bytes], bool], Callable[[HeadReader], ContainerMetadata]], ...] = (
    (is_avi, read_avi),
    (is_crw, read_crw),
    (is_mrw, read_mrw),
    (is_x3f, read_x3f),
)
_PICTURE_BRANDS = frozenset({b"heic", b"heix", b"hevc", b"mif1", b"msf1", b"avif"})
_THUMBNAIL_EXTENSIONS = frozenset({"thm"})
_ZONE_PATTERN = re.compile(rb"(?:\.[0-9]+)?([+-][0-9]{2}):?([0-9]{2})|(?:\.[0-9]+)?Z")


def _read_tiff(block: TiffBlock) -> Capture:
    main = read_directory(block, block.first_directory, _WANTED_TAGS)
    exif = read_directory(block, read_uint(block, main.get(_EXIF)) or 0, _WANTED_TAGS)
    capture = _build_capture((block, exif), (block, main))
    note = exif.get(_MAKER_NOTE)
    if capture.serial is None and note is not None:
        written = read_note_serial(block, note, capture.make or "", capture.model or "")
        capture = replace(capture, serial=_clean_serial(written))
    kodak_ifd = read_uint(block, main.get(_KODAK) or exif.get(_KODAK))
    if capture.serial is None and kodak_ifd:
        written = read_text(block, read_directory(block, kodak_ifd, {_KODAK_SERIAL}).get(_KODAK_SERIAL))
        capture = replace(capture, serial=_clean_serial(written))
    return capture


def _read_panasonic(block: TiffBlock) -> Capture:
    """Read the raw's own fields, completed from the JPEG inside it."""
    jpeg = read_directory(block, block.first_directory, {_PANASONIC_JPEG}).get(_PANASONIC_JPEG)
    capture = _read_tiff(block)
    return _merge_captures(capture, _read_jpeg(block.head, jpeg.offset)) if jpeg else capture


def _read_jpeg(head: bytes, start: int) -> Capture:
    block = find_exif_in_jpeg(head, start)
    return _read_tiff(block) if block else Capture()


def _read_raf(head: bytes) -> Capture:
    """Read the fields of the JPEG inside; the header adds a model."""
    if len(head) < 88:
        return Capture()
    jpeg = int.from_bytes(head[84:88], "big")
    return _merge_captures(_read_jpeg(head, jpeg), Capture(model=clean_text(head[28:60].partition(b"\0")[0])))


def _read_boxes(head: bytes) -> Capture:
    canon = find_canon_blocks(head)
    if canon:
        return _read_canon(head, canon)
    span = find_exif_item(head)
    block = find_block(head, *span) if span else None
    return _read_tiff(block) if block else Capture()


def _read_film_capture(reader: HeadReader) -> Capture:
    """Read a film: Canon's blocks as in its raws, else the film's user data."""
    capture = _read_boxes(reader.head)
    if capture.local is None and reader.random_access is not None:
        movie = find_movie_box(reader)
        canon = find_canon_blocks(movie)
        capture = _read_canon(movie, canon) if canon else capture
    return capture if capture.local else _merge_captures(capture, _read_container(read_film(reader)))


def _read_container(metadata: ContainerMetadata) -> Capture:
    """Read the Exif block that came with a container, completed from the container's own fields."""
    block = find_exif_in_jpeg(metadata.exif, 0) or find_block(metadata.exif)
    if block is None and metadata.directory:
        block = TiffBlock(metadata.directory, 0, len(metadata.directory), "<", 0)
    date = metadata.date or b""
    local = _parse_local_time(date)
    zone = _ZONE_PATTERN.fullmatch(date[19:].rstrip(b"\0 \n")) if local else None
    from_container = Capture(
        local=local,
        offset=_match_or_none(_OFFSET_PATTERN, (zone[1] + b":" + zone[2]).decode()) if zone and zone[1] else None,
        make=clean_text(metadata.make),
        model=clean_text(metadata.model),
        serial=_clean_serial(metadata.serial),
        is_zone_known=local is None or (metadata.zone_known and not (zone and not zone[1])),
    )
    return _merge_captures(_read_tiff(block), from_container) if block else from_container


def _read_canon(head: bytes, spans: dict[bytes, HeadSpan]) -> Capture:
    """Read a Canon file, which keeps the main, Exif and maker note directories in separate blocks."""
    exif, main, note = (
        find_block(head, *spans[name]) if name in spans else None for name in (b"CMT2", b"CMT1", b"CMT3")
    )
    capture = _build_capture(*((b, read_directory(b, b.first_directory, _WANTED_TAGS)) for b in (exif, main) if b))
    if capture.serial is None and note:
        capture = replace(
            capture, serial=_clean_serial(read_canon_serial(note, note.first_directory, capture.model or ""))
        )
    return capture


def find_exif_in_jpeg(head: bytes, start: int) -> TiffBlock | None:
    """Return the TIFF block of the first Exif segment of the JPEG that begins at start."""
    if head[start : start + 2] != b"\xff\xd8":
        return None
    at = start + 2
    for _ in range(MAX_SEGMENTS):
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


def _build_capture(*sources: _Source) -> Capture:
    """Build a capture from directories, given from the most specific to the least."""
    local, subsec, offset = _read_clock(sources)
    return Capture(
        local=local,
        subsec=subsec,
        offset=offset,
        make=clean_text(_find_text(sources, _MAKE)),
        model=clean_text(_find_text(sources, _MODEL)),
        serial=_clean_serial(_find_text(sources, _BODY_SERIAL)) or _clean_serial(_find_text(sources, _DNG_SERIAL)),
    )


def _find_text(sources: tuple[_Source, ...], tag: int) -> bytes | None:
    for block, directory in sources:
        raw = read_text(block, directory.get(tag))
        if raw:
            return raw
    return None


def _read_clock(sources: tuple[_Source, ...]) -> tuple[str | None, str | None, str | None]:
    """Return local time, fraction and zone of the first time tag that holds a valid time."""
    for date_tag, subsec_tag, offset_tag in _CLOCKS:
        local = _parse_local_time(_find_text(sources, date_tag) or b"")
        if local:
            subsec, offset = (
                clean_text(_find_text(sources, subsec_tag)),
                clean_text(_find_text(sources, offset_tag)),
            )
            return local, _match_or_none(_SUBSEC_PATTERN, subsec), _match_or_none(_OFFSET_PATTERN, offset)
    return None, None, None


def _parse_local_time(raw: bytes) -> str | None:
    found = _LOCAL_PATTERN.match(raw)
    if not found:
        return None
    year, month, day, hour, minute, second = map(int, found.groups())
    try:
        moment = datetime.datetime(year, month, day, hour, minute, second)
    except ValueError:
        return None
    return moment.isoformat() if VALID_YEARS[0] <= moment.year <= VALID_YEARS[1] else None


def _clean_serial(raw: bytes | None) -> str | None:
    """Return a serial as clean text; None for zeros and placeholder words, which many bodies share."""
    text = clean_text(raw)
    return text if text and not _NO_SERIAL.fullmatch(text) else None


def _match_or_none(pattern: re.Pattern[str], text: str | None) -> str | None:
    return text if text and pattern.fullmatch(text) else None


def _merge_captures(capture: Capture, other: Capture) -> Capture:
    """Return the capture with its missing fields taken from another reading of the same frame."""
    clock = capture if capture.local else other
    return Capture(
        local=clock.local,
        subsec=clock.subsec or (other.subsec if clock.local == other.local else None),
        offset=clock.offset or (other.offset if clock.local == other.local else None),
        make=capture.make or other.make,
        model=capture.model or other.model,
        serial=capture.serial or other.serial,
        is_zone_known=clock.is_zone_known,
    )


def _is_visible(char: str) -> bool:
    return not unicodedata.category(char).startswith("C")
