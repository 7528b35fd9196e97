"""Tells whether a camera's file holds together, while it streams past on its way to the drives.

A perfect copy of a broken file is a broken file, and the time to notice is before the card is emptied. What
kind of file it is, its first bytes tell; a walk then follows its structure (`asking` says how). Everything here
is bounded: the head, a tail, and what a walk asks for is kept, nothing else.

Runs of zeros are what a hole in a card leaves behind; runs of ones are what its erased memory reads. Makers pad
with both, so they count only inside image data, ones only where it is compressed, and only whole blocks of 512
bytes, the smallest a card can lose.

The verdict is careful on both sides: `broken` is said of what can't be otherwise, `clean` means as far as can
be told, and whatever happens in here, a file is copied. A fault of this program is `not checkable`.
"""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.cameras.asking import Ask, Shape, Span, Walk
from tripleguard.cameras.kinds import extension_of, kind_of
from tripleguard.cameras.passing import BLOCK, LATER, LEAST, ONES, ZERO, Blanks, Passing
from tripleguard.cameras.tiff import ORDERS
from tripleguard.cameras.walk_boxes import is_boxes_start, walk_boxes
from tripleguard.cameras.walk_jpeg import walk_jpeg
from tripleguard.cameras.walk_other import RAF_START, X3F_START, is_ciff, walk_ciff, walk_raf, walk_x3f
from tripleguard.cameras.walk_streams import PACKETS, RIFF_FORMS, RIFFS, walk_packets, walk_riff
from tripleguard.cameras.walk_tiff import walk_tiff
from tripleguard.model import Kind, Verdict, Wholeness

HOLE = LEAST
"""Bytes of zeros in image data that no camera writes: a black corner is a few, a page of a card's memory all."""

HOLE_IN_FILM = 4 << 20
"""The same in a film, where sound stands between the pictures: no camera writes seconds of it at once."""

SMALLEST = 128
"""Bytes that no picture is smaller than: its headers alone are more."""


MOST_ASKED = 1 << 18
"""Pieces and markers that a walk asks for in one file: many times what a camera's needs, and half a second."""


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
            if not self._started and len(self._stream.head) >= min(SMALLEST, self._size):
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
        _note_holes(self._shape, [span for span in spans if not span.flat], self._blanks.runs(ZERO), "zeros")
        _note_holes(self._shape, [span for span in spans if span.coded], self._blanks.runs(ONES), "ones")
        unsure = self._shape.unsure or ("it could not be followed to its end" if self._ask is not None else "")
        return self._as_far_as_it_came(unsure)

    def _as_far_as_it_came(self, unsure: str) -> Verdict:
        """What was found counts, also where something was left unseen."""
        flaws = tuple(sorted(self._shape.flaws, key=lambda flaw: not flaw.grave))
        if flaws:
            return Verdict(Wholeness.BROKEN if flaws[0].grave else Wholeness.SUSPICIOUS, flaws)
        return Verdict(Wholeness.UNCHECKED, why=unsure) if unsure else Verdict(Wholeness.CLEAN)

    def _no_walk(self) -> None:
        """What to say of a file that begins like none that is known here."""
        head, extension = self._stream.head, extension_of(self._name)
        large = head[:4] in (b"II+\0", b"MM\0+")
        if not head.strip(b"\0") or not head.strip(b"\xff"):
            what = "zeros" if head[:1] == b"\0" else "ones"
            self._shape.flaw("blank start", f"where it should begin there is nothing but {what}", grave=True)
        elif extension in _KNOWN_STARTS and not large:
            why = f"it does not begin as a .{extension} file does"
            self._shape.flaw("begins wrongly", why, grave=False, habit=True)
        else:
            self._shape.unsure = f"the structure of .{extension} files is not known here"


def look_through(name: str, content: bytes | memoryview) -> tuple[Verdict, Shape]:
    """The verdict on a file that is in memory whole, and what is known of its structure."""
    look = Look(name, len(content))
    look.feed(content)
    return look.verdict(), look.shape


def _stumbled(error: Exception) -> str:
    return f"this program stumbled over it ({type(error).__name__}); it was copied all the same"


def _walk_for(shape: Shape, head: bytes, size: int, extension: str) -> Walk | None:
    form = _form_of(head)
    if form is not None and extension in _KNOWN_STARTS and extension not in _FORMS_OF_NAMES[form]:
        # Where a file table is damaged, one file's name leads to the bytes of another.
        why = f"it begins as another kind of file does ({form}), and not as a .{extension} file"
        shape.flaw("another kind of file", why, grave=False, habit=True)
    match form:
        case "JPEG":
            return walk_jpeg(shape, size)
        case "RAF":
            return walk_raf(shape, size)
        case "CRW":
            return walk_ciff(shape, size)
        case "X3F":
            return walk_x3f(shape, size)
        case "boxes":
            return walk_boxes(shape, size)
        case "TIFF":
            return walk_tiff(shape, size)
        case "RIFF":
            return walk_riff(shape, size)
    return walk_packets(shape, size) if extension in PACKETS and head.strip(head[:1]) else None


def _form_of(head: bytes) -> str | None:
    """What kind of file begins so; None if it is not known here."""
    if head.startswith(b"\xff\xd8"):
        return "JPEG"
    if head.startswith(RAF_START):
        return "RAF"
    if head.startswith(X3F_START):
        return "X3F"
    if is_ciff(head):
        return "CRW"
    if is_boxes_start(head):
        return "boxes"
    if head[:4] in ORDERS:
        return "TIFF"
    return "RIFF" if head.startswith(RIFFS) and head[8:12] in RIFF_FORMS else None


_FORMS = {
    # Phones call pictures that they were asked to share .jpg, whatever they are.
    "JPEG": "jpg jpeg jpe heic heif hif",
    "TIFF": "tif tiff dng nef nrw cr2 arw sr2 srw pef orf ori rw2 rwl gpr",
    "boxes": "cr3 heic heif hif jpg jpeg jpe mp4 mov",
    "RAF": "raf",
    "CRW": "crw",
    "X3F": "x3f",
    "RIFF": "avi",
}
_FORMS_OF_NAMES = {form: frozenset(names.split()) for form, names in _FORMS.items()}
_KNOWN_STARTS = frozenset().union(*_FORMS_OF_NAMES.values())


def _note_holes(shape: Shape, spans: list[Span], runs: list[tuple[int, int]], what: str) -> None:
    """Note the longest blank run that lies inside image data and is too long to belong there."""
    longest, where, sign = 0, 0, ""
    for span, begin, stop in _meetings(spans, runs):
        # A maker's blanks are always in the same place; a hole in a card is not.
        at_end = span.end - stop < BLOCK
        if at_end and (what == "ones" or span.film):
            # Any number of ones may stand before a marker (ITU-T T.81, B.1.1.2); films keep room at their end.
            continue
        if stop - begin >= (HOLE_IN_FILM if span.film else HOLE) and stop - begin > longest:
            longest, where = stop - begin, begin
            sign = (
                f"{what} at the end of image data" if at_end else f"{what} at {begin - span.start} of image data"
            )
    if longest:
        why = f"{longest:,} bytes of its image data, from byte {where:,} on, are nothing but {what}"
        shape.flaw(sign, why, grave=False, habit=True)


def _side_by_side(shape: Shape) -> list[Span]:
    """The spans of image data in order; where two overlap, which no camera writes, the second is dropped."""
    kept: list[Span] = []
    for span in sorted(shape.image, key=lambda span: (span.start, span.end)):
        if kept and span.start < kept[-1].end:
            shape.flaw("image data overlaps", "two parts of its image data overlap", grave=False, habit=True)
        else:
            kept.append(span)
    return kept


def _meetings(spans: list[Span], runs: list[tuple[int, int]]) -> Iterator[tuple[Span, int, int]]:
    """Where spans and runs meet; both are in order and do not overlap themselves."""
    at = 0
    for span in spans:
        while at < len(runs) and runs[at][1] <= span.start:
            at += 1
        number = at
        while number < len(runs) and runs[number][0] < span.end:
            yield span, max(runs[number][0], span.start), min(runs[number][1], span.end)
            number += 1
