"""Tells whether a camera's file holds together, while it streams past on its way to the drives.

A perfect copy of a broken file is a broken file, and the time to notice is before the card is emptied. What kind
of file it is, its first bytes tell; a walk then follows its structure (`asking` says how). Everything here is
bounded: the head, a tail, and what a walk asks for is kept, nothing else.

Runs of zeros are what a hole in a card leaves behind; runs of ones are what its erased memory reads. Makers pad
with both, so they count only inside image data, and only whole blocks of 512 bytes, the smallest a card can lose.
Black is zeros in the bare pixels of a finished picture, white is ones in any: there they count only where they
take a large share.

The verdict is careful on both sides: `broken` is said of what can't be otherwise, `clean` means as far as can be
told, and whatever happens in here, a file is copied. A fault of this program is `not checkable`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from tripleguard.cameras.asking import Ask, Shape, Span, Walk
from tripleguard.cameras.beginnings import TOLD_BY_LITTLE, allowed_forms, form_of, is_checkable
from tripleguard.cameras.kinds import extension_of, kind_of
from tripleguard.cameras.passing import BLOCK, LATER, LEAST, ONES, ZERO, Blanks, Passing
from tripleguard.cameras.walk_boxes import walk_boxes
from tripleguard.cameras.walk_jpeg import walk_jpeg
from tripleguard.cameras.walk_other import walk_ciff, walk_mrw, walk_raf, walk_x3f
from tripleguard.cameras.walk_pictures import walk_gif, walk_jp2, walk_jxl, walk_png
from tripleguard.cameras.walk_streams import (
    PACKETS,
    PACKETS_TOLD_BY,
    walk_asf,
    walk_matroska,
    walk_packets,
    walk_riff,
)
from tripleguard.cameras.walk_tiff import walk_tiff
from tripleguard.model import BEGINS_WRONGLY, EVEN_OR_HOLE, Kind, Verdict, Wholeness

HOLE = LEAST
"""Bytes of zeros in image data that no camera writes: a black corner is a few, a page of a card's memory all."""

HOLE_IN_FILM = 2 << 20
"""The same in a film, where sound stands between the pictures: no camera writes seconds of it at once."""

HOLE_IN_FLAT = 48 << 10
"""The same where an even colour is coded as zeros, as editors do it."""

ONES_AT_END = 16 << 10
"""Bytes of ones at the end of image data that may be fill bytes; a hole that goes on beyond it is longer."""

BLANK_SHARE = 0.4
"""Share of bare pixels that one blank run may take: more of a picture is not of one colour, but lost."""

SMALLEST = 128
"""Bytes that no picture is smaller than: its headers alone are more."""


MOST_ASKED = 1 << 18
"""Pieces and markers that a walk asks for in one file: many times what a camera's needs, and half a second."""


WALKS: dict[str, Callable[[Shape, int], Walk]] = {
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
"""The walk for each form in `beginnings` that has one."""


class Look:
    """One look through one file. `feed` its bytes in order, then ask for the `verdict`.

    size: of the whole file, as listed. Never raises on what the bytes are, nor on a fault of this program.
    """

    def __init__(self, name: str, size: int) -> None:
        self._name = name
        self._size = size
        self._shape = Shape()
        self._walk: Walk | None = None
        self._ask: Ask | None = None
        self._asked = 0
        self._started = False
        self._stumbled = ""
        self._stream = Passing(size)
        self._kind = kind_of(name)
        self._blanks = Blanks()

    @property
    def shape(self) -> Shape:
        """What is known of the file's structure so far."""
        return self._shape

    def feed(self, view: memoryview | bytes) -> None:
        """The next bytes of the file. They are not kept beyond this call, but for what has to be."""
        if self._stumbled or len(view) == 0:
            return
        try:
            self._stream.advance(view)
            self._blanks.feed(view)
            if not self._started and len(self._stream.head) >= min(PACKETS_TOLD_BY, self._size):
                self._start()
            self._go_on()
        except Exception as error:  # noqa: BLE001 - the look's outer edge: a fault in here must not stop a copy
            self._stumbled = _stumbled(error)
        finally:
            self._stream.let_go()

    def verdict(self) -> Verdict:
        """What can be told now that all has been fed."""
        if self._stumbled:
            return self._as_far_as_it_came(self._stumbled)
        try:
            return self._verdict()
        except Exception as error:  # noqa: BLE001 - the look's outer edge, as above
            return self._as_far_as_it_came(_stumbled(error))

    def _start(self) -> None:
        self._started = True
        self._walk = _walk_for(self._shape, self._stream.head, self._size, extension_of(self._name))
        if self._walk is not None:
            self._ask = next(self._walk, None)

    def _go_on(self) -> None:
        """Answer the walk as long as what it asks for is here."""
        while self._walk is not None and self._ask is not None:
            answer = self._stream.answer(self._ask)
            if answer is LATER:
                return
            self._asked += 1
            if self._asked > MOST_ASKED:
                self._ask, self._shape.unsure = None, "it has more parts than a camera's"
                return
            try:
                self._ask = self._walk.send(answer if isinstance(answer, bytes | int) else None)
            except StopIteration:
                self._ask = None

    def _verdict(self) -> Verdict:
        if self._size == 0:
            self._shape.flaw("empty", "it is empty", grave=True)
        elif self._stream.passed != self._size:
            return Verdict(Wholeness.UNCHECKED, why="it was not read to its end")
        elif self._size < SMALLEST and self._kind is not Kind.SOUND:
            self._shape.flaw("cut short", f"it is cut short: it has {self._size} bytes", grave=True)
        elif self._walk is None:
            self._no_walk()
        spans = _side_by_side(self._shape)
        zeros, ones = self._blanks.runs(ZERO), self._blanks.runs(ONES)
        _note_holes(self._shape, [span for span in spans if span.coded or not span.flat], zeros, "zeros")
        _note_holes(self._shape, [span for span in spans if span.coded or span.film], ones, "ones")
        bare = [span for span in spans if not span.coded and not span.film]
        _note_half_blank(self._shape, bare, ones, "ones")
        _note_half_blank(self._shape, [span for span in bare if span.flat], zeros, "zeros")
        unsure = self._shape.unsure or ("it could not be followed to its end" if self._ask is not None else "")
        return self._as_far_as_it_came(unsure)

    def _as_far_as_it_came(self, unsure: str) -> Verdict:
        """What was found counts, also where something was left unseen."""
        flaws = tuple(sorted(self._shape.flaws, key=lambda flaw: not flaw.grave))
        if flaws:
            return Verdict(Wholeness.BROKEN if flaws[0].grave else Wholeness.SUSPICIOUS, flaws)
        return Verdict(Wholeness.UNCHECKED, why=unsure) if unsure else Verdict(Wholeness.CLEAN)

    def _no_walk(self) -> None:
        """Note what can be said of a file whose structure no walk follows."""
        head = self._stream.head
        if not head.strip(b"\0") or not head.strip(b"\xff"):
            what = "zeros" if head[:1] == b"\0" else "ones"
            self._shape.flaw("blank start", f"where it should begin there is nothing but {what}", grave=True)
        elif not self._shape.flaws:
            extension = extension_of(self._name)
            self._shape.unsure = f"the structure of .{extension} files is not known here"


def look_through(name: str, content: bytes | memoryview) -> tuple[Verdict, Shape]:
    """The verdict on a file that is in memory whole, and what is known of its structure."""
    look = Look(name, len(content))
    look.feed(content)
    return look.verdict(), look.shape


def uncheckable_kind(verdict: Verdict, name: str) -> str | None:
    """Return the short name of the kind of a file that is unchecked because files of its kind can't be checked.

    Returns:
        The extension in capitals, such as `JXL`; None for a file that was checked, and for one of a kind that can
        be checked, where the reason lies in this very file or in this program.
    """
    extension = extension_of(name)
    if verdict.wholeness is not Wholeness.UNCHECKED or is_checkable(extension):
        return None
    return extension.upper()


def _stumbled(error: Exception) -> str:
    return f"this program stumbled over it ({type(error).__name__}); it was copied all the same"


def _walk_for(shape: Shape, head: bytes, size: int, extension: str) -> Walk | None:
    form, allowed = form_of(head), allowed_forms(extension)
    if extension in PACKETS and len(head) < PACKETS_TOLD_BY:
        form = "packets"
    if allowed is not None and form not in allowed:
        if form is None or form in TOLD_BY_LITTLE:
            shape.flaw(BEGINS_WRONGLY, f"it does not begin as a .{extension} file does", grave=False, habit=True)
        else:
            # Where a file table is damaged, one file's name leads to the bytes of another.
            why = f"it begins as another kind of file does ({form}), and not as a .{extension} file"
            shape.flaw("another kind of file", why, grave=False, habit=True)
    walk = WALKS.get(form) if form is not None else None
    return walk(shape, size) if walk is not None else None


def _note_holes(shape: Shape, spans: list[Span], runs: list[tuple[int, int]], what: str) -> None:
    """Note the longest blank run that lies inside image data and is too long to belong there."""
    longest, where, sign = 0, 0, ""
    for span, _, begin, stop in _meetings(spans, runs):
        # A maker's blanks are always in the same place; a hole in a card is not.
        at_end = span.end - stop < BLOCK
        if at_end and not _counts_at_end(span, stop - begin, what):
            continue
        if stop - begin >= _hole_in(span) and stop - begin > longest:
            longest, where = stop - begin, begin
            sign = (
                f"{what} at the end of image data" if at_end else f"{what} at {begin - span.start} of image data"
            )
            sign = f"{EVEN_OR_HOLE}, {sign}" if span.flat else sign
    if longest:
        why = f"{longest:,} bytes of its image data, from byte {where:,} on, are nothing but {what}"
        shape.flaw(sign, why, grave=False, habit=True)


def _counts_at_end(span: Span, length: int, what: str) -> bool:
    """Return whether a blank run that reaches to the end of image data may be a hole."""
    if span.full:
        return True
    if span.film:
        # Films keep room at their end.
        return False
    # Any number of ones may stand before a marker (ITU-T T.81, B.1.1.2), but no camera writes many.
    return what == "zeros" or length >= ONES_AT_END


def _hole_in(span: Span) -> int:
    if span.film:
        return HOLE_IN_FILM
    return HOLE_IN_FLAT if span.flat else HOLE


def _note_half_blank(shape: Shape, spans: list[Span], runs: list[tuple[int, int]], what: str) -> None:
    """Note a blank run that takes a large share of bare pixels: black or white may fill much of them, not most."""
    total = sum(span.end - span.start for span in spans)
    blank: dict[int, int] = {}
    for _, run, begin, stop in _meetings(spans, runs):
        # Strips of one picture follow one another, and a hole goes on through them.
        blank[run] = blank.get(run, 0) + stop - begin
    longest = max(blank.values(), default=0)
    if longest >= HOLE_IN_FLAT and longest > BLANK_SHARE * total:
        why = f"{longest:,} of the {total:,} bytes of its image data, all in a row, are nothing but {what}"
        shape.flaw(f"mostly {what}", why, grave=False, habit=True)


def _side_by_side(shape: Shape) -> list[Span]:
    """The spans of image data in order; where two overlap, which no camera writes, the second is dropped."""
    kept: list[Span] = []
    for span in sorted(shape.image, key=lambda span: (span.start, span.end)):
        if kept and span.start < kept[-1].end:
            shape.flaw("image data overlaps", "two parts of its image data overlap", grave=False, habit=True)
        else:
            kept.append(span)
    return kept


def _meetings(spans: list[Span], runs: list[tuple[int, int]]) -> Iterator[tuple[Span, int, int, int]]:
    """Yield where spans and runs meet, with the number of the run; neither overlap themselves."""
    at = 0
    for span in spans:
        while at < len(runs) and runs[at][1] <= span.start:
            at += 1
        number = at
        while number < len(runs) and runs[number][0] < span.end:
            yield span, number, max(runs[number][0], span.start), min(runs[number][1], span.end)
            number += 1
