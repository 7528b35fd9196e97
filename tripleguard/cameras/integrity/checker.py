"""Check whether a camera's file is intact while it is read once on its way to the drives.

A perfect copy of a broken file is a broken file, and the time to notice is before the card is emptied. The first
bytes identify the format; a walk then follows its structure (see `walk`). Memory is bounded: the head, a tail, and
what a walk requests.

Lost blocks of a card read as zeros, erased memory as ones. Makers pad with both, so they count only inside image
data, and only in whole blocks of 512 bytes, the smallest unit a card can lose. In the uncompressed pixels of a
finished picture black is zeros, and in any uncompressed pixels white is ones: there they count only where they
take a large share.

The verdict is careful in both directions: `broken` means that the file can't be intact, `clean` that no damage was
found. The file is copied in any case. An error in this program results in `not checkable`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from tripleguard.cameras.integrity.signatures import (
    WEAK_SIGNATURES,
    detect_format,
    get_allowed_formats,
    is_checkable,
)
from tripleguard.cameras.integrity.stream_window import (
    BLOCK_BYTES,
    MIN_RUN_BYTES,
    NOT_YET,
    ONES,
    ZERO,
    BlankRunFinder,
    StreamWindow,
)
from tripleguard.cameras.integrity.walk import ByteRequest, FileStructure, ImageSpan, StructureWalk
from tripleguard.cameras.integrity.walk_boxes import walk_boxes
from tripleguard.cameras.integrity.walk_jpeg import walk_jpeg
from tripleguard.cameras.integrity.walk_non_tiff_raws import walk_ciff, walk_mrw, walk_raf, walk_x3f
from tripleguard.cameras.integrity.walk_pictures import walk_gif, walk_jp2, walk_jxl, walk_png
from tripleguard.cameras.integrity.walk_streams import (
    PACKET_EXTENSIONS,
    PACKET_PROBE_BYTES,
    walk_asf,
    walk_matroska,
    walk_packets,
    walk_riff,
)
from tripleguard.cameras.integrity.walk_tiff import walk_tiff
from tripleguard.cameras.kinds import extension_of, kind_of
from tripleguard.model import EVEN_COLOUR_SIGN, WRONG_START_SIGN, FileKind, Integrity, IntegrityVerdict

MIN_BLANK_BYTES = MIN_RUN_BYTES
"""Bytes of zeros in image data that no camera writes.

A black corner needs a few, a lost memory page is all zeros.
"""

MIN_BLANK_BYTES_IN_FILM = 2 << 20
"""The same in a film, which holds sound between the pictures: no camera writes seconds of silence at once."""

MIN_BLANK_BYTES_IN_FLAT = 48 << 10
"""The same where an even colour may be coded as zeros, as editors do."""

MIN_ONES_AT_END = 16 << 10
"""Bytes of ones at the end of image data that may be fill bytes; lost data that goes on beyond it is longer."""

MAX_BLANK_SHARE = 0.4
"""Share of uncompressed pixels that one blank run may take; a larger run is lost data, not one colour."""

MIN_PICTURE_BYTES = 128
"""Bytes that every picture exceeds, as its headers alone need more."""


MAX_REQUESTS = 1 << 18
"""Requests that a walk may make for one file: many times what a camera's file needs, and half a second of work."""


WALKS: dict[str, Callable[[FileStructure, int], StructureWalk]] = {
    "JPEG": walk_jpeg,
    "RAF": walk_raf,
    "CRW": walk_ciff,
    "X3F": walk_x3f,
    "MRW": walk_mrw,
    "boxes": walk_boxes,
    "TIFF": walk_tiff,
    "AVI": walk_riff,
    "WAVE": walk_riff,
    "WebP": walk_riff,
    "PNG": walk_png,
    "GIF": walk_gif,
    "JPEG 2000": walk_jp2,
    "JPEG XL": walk_jxl,
    "ASF": walk_asf,
    "Matroska": walk_matroska,
    "packets": walk_packets,
}
"""The walk for each format in `signatures` that has one."""


class IntegrityChecker:
    """A check of one file. Call `feed` with its bytes in order, then `get_verdict`.

    Never raises because of the content, nor because of an error in this program.

    Args:
        name: the file's name.
        size: bytes of the whole file, as listed.
    """

    def __init__(self, name: str, size: int) -> None:
        self._name = name
        self._size = size
        self._structure = FileStructure()
        self._walk: StructureWalk | None = None
        self._request: ByteRequest | None = None
        self._request_count = 0
        self._is_walk_started = False
        self._internal_error = ""
        self._window = StreamWindow(size)
        self._kind = kind_of(name)
        self._blank_runs = BlankRunFinder()

    @property
    def structure(self) -> FileStructure:
        """The structure of the file as far as known."""
        return self._structure

    def feed(self, view: memoryview | bytes) -> None:
        """Take the next bytes of the file.

        Only the head, a tail and requested pieces are kept beyond this call.
        """
        if self._internal_error or len(view) == 0:
            return
        try:
            self._window.advance(view)
            self._blank_runs.feed(view)
            if not self._is_walk_started and len(self._window.head) >= min(PACKET_PROBE_BYTES, self._size):
                self._start_walk()
            self._answer_walk()
        except Exception as error:  # noqa: BLE001 - an error in this program must not stop a copy
            self._internal_error = _describe_internal_error(error)
        finally:
            self._window.retain_tail()

    def get_verdict(self) -> IntegrityVerdict:
        """Return the verdict; call it after all bytes were fed."""
        if self._internal_error:
            return self._build_verdict_so_far(self._internal_error)
        try:
            return self._build_verdict()
        except Exception as error:  # noqa: BLE001 - as above
            return self._build_verdict_so_far(_describe_internal_error(error))

    def _start_walk(self) -> None:
        self._is_walk_started = True
        self._walk = _create_walk(self._structure, self._window.head, self._size, extension_of(self._name))
        if self._walk is not None:
            self._request = next(self._walk, None)

    def _answer_walk(self) -> None:
        """Answer the walk's requests as long as the requested bytes are available."""
        while self._walk is not None and self._request is not None:
            answer = self._window.answer(self._request)
            if answer is NOT_YET:
                return
            self._request_count += 1
            if self._request_count > MAX_REQUESTS:
                self._request, self._structure.unsure_reason = None, "it has more parts than a camera's"
                return
            try:
                self._request = self._walk.send(answer if isinstance(answer, bytes | int) else None)
            except StopIteration:
                self._request = None

    def _build_verdict(self) -> IntegrityVerdict:
        if self._size == 0:
            self._structure.add_flaw("empty", "it is empty", is_grave=True)
        elif self._window.position != self._size:
            return IntegrityVerdict(Integrity.UNCHECKED, explanation="it was not read to its end")
        elif self._size < MIN_PICTURE_BYTES and self._kind is not FileKind.SOUND:
            self._structure.add_flaw("cut short", f"it is cut short: it has {self._size} bytes", is_grave=True)
        elif self._walk is None:
            self._flag_unknown_format()
        spans = _sort_spans(self._structure)
        zeros, ones = self._blank_runs.list_runs(ZERO), self._blank_runs.list_runs(ONES)
        _flag_blank_runs(
            self._structure, [span for span in spans if span.is_compressed or not span.can_be_flat], zeros, "zeros"
        )
        _flag_blank_runs(
            self._structure, [span for span in spans if span.is_compressed or span.is_film], ones, "ones"
        )
        bare = [span for span in spans if not span.is_compressed and not span.is_film]
        _flag_mostly_blank(self._structure, bare, ones, "ones")
        _flag_mostly_blank(self._structure, [span for span in bare if span.can_be_flat], zeros, "zeros")
        unsure = self._structure.unsure_reason or (
            "it could not be followed to its end" if self._request is not None else ""
        )
        return self._build_verdict_so_far(unsure)

    def _build_verdict_so_far(self, unsure_reason: str) -> IntegrityVerdict:
        """Return a verdict on the flaws found, also if a part of the file could not be checked."""
        flaws = tuple(sorted(self._structure.flaws, key=lambda flaw: not flaw.is_grave))
        if flaws:
            return IntegrityVerdict(Integrity.BROKEN if flaws[0].is_grave else Integrity.SUSPICIOUS, flaws)
        return (
            IntegrityVerdict(Integrity.UNCHECKED, explanation=unsure_reason)
            if unsure_reason
            else IntegrityVerdict(Integrity.CLEAN)
        )

    def _flag_unknown_format(self) -> None:
        """Record what can be said of a file whose structure no walk follows."""
        head = self._window.head
        if not head.strip(b"\0") or not head.strip(b"\xff"):
            what = "zeros" if head[:1] == b"\0" else "ones"
            self._structure.add_flaw(
                "blank start", f"where it should begin there is nothing but {what}", is_grave=True
            )
        elif not self._structure.flaws:
            extension = extension_of(self._name)
            self._structure.unsure_reason = f"the structure of .{extension} files is not known here"


def check_integrity(name: str, content: bytes | memoryview) -> tuple[IntegrityVerdict, FileStructure]:
    """Return the verdict on a file in memory, and its structure."""
    checker = IntegrityChecker(name, len(content))
    checker.feed(content)
    return checker.get_verdict(), checker.structure


_CUT_SHORT_SIGNS = frozenset({"empty", "cut short", "picture has no end", "has no end", "no directory at the end"})


def is_cut_short(verdict: IntegrityVerdict) -> bool:
    """Return whether a file lacks its end, as one does whose copying was interrupted."""
    return any(
        flaw.is_grave and not flaw.is_possible_quirk and flaw.sign in _CUT_SHORT_SIGNS for flaw in verdict.flaws
    )


def get_uncheckable_kind(verdict: IntegrityVerdict, name: str) -> str | None:
    """Return the short name of the kind of a file that is unchecked because files of its kind can't be checked.

    Returns:
        The extension in capitals, such as `JXL`; None for a file that was checked, and for one of a checkable
            kind,
        where the reason is in this very file or in this program.
    """
    extension = extension_of(name)
    if verdict.integrity is not Integrity.UNCHECKED or is_checkable(extension):
        return None
    return extension.upper()


def _describe_internal_error(error: Exception) -> str:
    return f"this program stumbled over it ({type(error).__name__}); it was copied all the same"


def _create_walk(structure: FileStructure, head: bytes, size: int, extension: str) -> StructureWalk | None:
    form, allowed = detect_format(head), get_allowed_formats(extension)
    if extension in PACKET_EXTENSIONS and len(head) < PACKET_PROBE_BYTES:
        form = "packets"
    if allowed is not None and form not in allowed:
        if form is None or form in WEAK_SIGNATURES:
            structure.add_flaw(
                WRONG_START_SIGN,
                f"it does not begin as a .{extension} file does",
                is_grave=False,
                is_possible_quirk=True,
            )
        else:
            # On a damaged file table one file's name leads to the bytes of another.
            why = f"it begins as another kind of file does ({form}), and not as a .{extension} file"
            structure.add_flaw("another kind of file", why, is_grave=False, is_possible_quirk=True)
    walk = WALKS.get(form) if form is not None else None
    return walk(structure, size) if walk is not None else None


def _flag_blank_runs(
    structure: FileStructure, spans: list[ImageSpan], runs: list[tuple[int, int]], what: str
) -> None:
    """Record the longest blank run that lies inside image data and is too long to belong there."""
    longest, where, sign = 0, 0, ""
    for span, _, begin, stop in _iter_overlaps(spans, runs):
        # A maker's blanks are always in the same place; lost blocks are not.
        at_end = span.end - stop < BLOCK_BYTES
        if at_end and not _is_suspicious_at_end(span, stop - begin, what):
            continue
        if stop - begin >= _get_min_blank_bytes(span) and stop - begin > longest:
            longest, where = stop - begin, begin
            sign = (
                f"{what} at the end of image data" if at_end else f"{what} at {begin - span.start} of image data"
            )
            sign = f"{EVEN_COLOUR_SIGN}, {sign}" if span.can_be_flat else sign
    if longest:
        why = f"{longest:,} bytes of its image data, from byte {where:,} on, are nothing but {what}"
        structure.add_flaw(sign, why, is_grave=False, is_possible_quirk=True)


def _is_suspicious_at_end(span: ImageSpan, length: int, what: str) -> bool:
    """Return whether a blank run that reaches to the end of image data may be lost data."""
    if span.has_known_end:
        return True
    if span.is_film:
        # Cameras pad the end of films.
        return False
    # Any number of ones may precede a marker (ITU-T T.81, B.1.1.2), but cameras write few.
    return what == "zeros" or length >= MIN_ONES_AT_END


def _get_min_blank_bytes(span: ImageSpan) -> int:
    if span.is_film:
        return MIN_BLANK_BYTES_IN_FILM
    return MIN_BLANK_BYTES_IN_FLAT if span.can_be_flat else MIN_BLANK_BYTES


def _flag_mostly_blank(
    structure: FileStructure, spans: list[ImageSpan], runs: list[tuple[int, int]], what: str
) -> None:
    """Record a blank run that takes a large share of uncompressed pixels.

    Black or white may fill much of a picture, but not most of it.
    """
    total = sum(span.end - span.start for span in spans)
    blank: dict[int, int] = {}
    for _, run, begin, stop in _iter_overlaps(spans, runs):
        # Strips of one picture follow one another, so a run of lost blocks continues through them.
        blank[run] = blank.get(run, 0) + stop - begin
    longest = max(blank.values(), default=0)
    if longest >= MIN_BLANK_BYTES_IN_FLAT and longest > MAX_BLANK_SHARE * total:
        why = f"{longest:,} of the {total:,} bytes of its image data, all in a row, are nothing but {what}"
        structure.add_flaw(f"mostly {what}", why, is_grave=False, is_possible_quirk=True)


def _sort_spans(structure: FileStructure) -> list[ImageSpan]:
    """Return the spans of image data in order.

    Of two that overlap, which no camera writes, the second is dropped.
    """
    kept: list[ImageSpan] = []
    for span in sorted(structure.image_spans, key=lambda span: (span.start, span.end)):
        if kept and span.start < kept[-1].end:
            structure.add_flaw(
                "image data overlaps",
                "two parts of its image data overlap",
                is_grave=False,
                is_possible_quirk=True,
            )
        else:
            kept.append(span)
    return kept


def _iter_overlaps(
    spans: list[ImageSpan], runs: list[tuple[int, int]]
) -> Iterator[tuple[ImageSpan, int, int, int]]:
    """Yield each overlap of a span and a run, as span, number of the run, start and end.

    Spans must not overlap one another, nor must runs.
    """
    at = 0
    for span in spans:
        while at < len(runs) and runs[at][1] <= span.start:
            at += 1
        number = at
        while number < len(runs) and runs[number][0] < span.end:
            yield span, number, max(runs[number][0], span.start), min(runs[number][1], span.end)
            number += 1
