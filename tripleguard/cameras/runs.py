"""In what order a body took its frames, and where its count did not simply go on.

Times alone can't say it: a clock is corrected in the middle of a show, or falls back to the factory's date when a
battery is changed. Numbers alone can't either: a count is set back, or rolls over. So the frames are taken in
pieces that hold together by themselves (one card, numbers rising), pieces whose numbers join are put together
whatever the clock says, and what is left is ordered by time and judged step by step.

A run is what comes out: frames of one unbroken count, in order. Between two runs the count was set back or jumped.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from tripleguard.cameras.counter import Counter, Moved, Step
from tripleguard.cameras.frames import Frame
from tripleguard.cameras.readings import Cards
from tripleguard.clock import DAY, HOUR, SECOND

JOINS = 12
"""Numbers that follow each other so closely are one count, whatever the clock says."""

_ANOTHER_COUNT = 1000
_WENT_BACK = 10 * SECOND
_OTHER_CLOCK = 2 * DAY
_FIRST_OF_ALL = 3
_HARDLY = 60 * SECOND


@dataclass(frozen=True, slots=True)
class Run:
    """Frames of one unbroken count. at: their places in it, rising; they go on past the counter's top.

    unsure: places that were reached by a roll-over that may have been a count set back. began: how the count came
    to the first frame from the run before; None for the first run of all.
    """

    at: tuple[int, ...]
    frames: tuple[Frame, ...]
    unsure: frozenset[int] = frozenset()
    began: Moved | None = None


def moments_of(runs: Sequence[Run], *, by_offset: bool) -> list[list[int]]:
    """When each frame of each run was taken, ns, by the clock as it was before anybody moved it.

    by_offset: in UTC, by the offsets that the camera wrote; else in camera wall time.

    Where numbers follow each other and the clock goes back, it was moved; a frame without a time has that of the
    one before it. A clock that was put forward by whole hours is seen too, if the next number follows at once.
    """
    found: list[list[int]] = []
    moved, last, number = 0, None, None
    for run in runs:
        row: list[int] = []
        for at, frame in zip(run.at, run.frames, strict=True):
            if frame.taken is not None:
                offset = frame.offset if by_offset and frame.offset is not None else 0
                now = frame.taken - offset * 60 * SECOND + moved
                if last is not None and now < last - _WENT_BACK:
                    moved, now = moved + last - now, last
                elif last is not None and number is not None and row and at - number == 1:
                    ahead = _put_forward(now - last)
                    moved, now = moved - ahead, now - ahead
                last = now
            number = at
            row.append(last or 0)
        found.append(row)
    return found


def _put_forward(pause: int) -> int:
    """The whole hours or days in a pause between two following frames, if there is hardly anything beside them."""
    hours, beside = divmod(pause, HOUR)
    return hours * HOUR if hours and beside < _HARDLY else 0


def runs_of(frames: Iterable[Frame], counter: Counter, cards: Cards) -> list[Run]:
    """The runs of one body, in the order in which it shot them."""
    pieces = _joined(_pieces(list(frames), counter, cards), counter)
    usual = _usual_time(pieces)
    for piece in pieces:
        piece.other_clock = piece.begins is None or abs(piece.begins - usual) > _OTHER_CLOCK
    pieces.sort(key=lambda piece: (piece.other_clock, piece.begins or 0, piece.at[0]))
    counts: list[_Count] = []
    for piece in pieces:
        _take_up(counts, piece, counter)
    return [count.run(first=at == 0) for at, count in enumerate(counts)]


@dataclass(slots=True)
class _Piece:
    """Frames that hold together by themselves. at: unwrapped places, rising."""

    at: list[int]
    frames: list[Frame]
    other_clock: bool = False

    @property
    def begins(self) -> int | None:
        return next((frame.taken for frame in self.frames if frame.taken is not None), None)

    @property
    def ends(self) -> int | None:
        return next((frame.taken for frame in reversed(self.frames) if frame.taken is not None), None)

    def ended_before(self, frame: Frame) -> bool:
        """Whether it may have come first, though by a moved clock it began later: its last frame is older."""
        if self.is_fresh or self.ends is None or frame.taken is None:
            return False
        return self.ends < frame.taken

    @property
    def is_fresh(self) -> bool:
        """Whether the clock and the count both look like those of a body that was without power."""
        return self.other_clock and self.frames[0].number <= _FIRST_OF_ALL


@dataclass(slots=True)
class _Count:
    """One count while pieces are put into it."""

    began: Moved
    places: dict[int, Frame] = field(default_factory=dict)
    unsure: set[int] = field(default_factory=set)

    @property
    def first(self) -> int:
        return min(self.places)

    @property
    def last(self) -> int:
        return max(self.places)

    def free_for(self, piece: _Piece, shift: int) -> bool:
        return not any(at + shift in self.places for at in piece.at)

    def put(self, piece: _Piece, shift: int) -> None:
        self.places.update((at + shift, frame) for at, frame in zip(piece.at, piece.frames, strict=True))

    def go_on(self, piece: _Piece, step: Step) -> None:
        """The piece comes next."""
        at = self.last + 1 + step.missing
        self.unsure |= set() if step.sure else {at}
        self.put(piece, at - piece.at[0])

    def come_from(self, piece: _Piece, step: Step) -> None:
        """The piece came before."""
        first = self.first
        self.unsure |= set() if step.sure else {first}
        self.put(piece, first - 1 - step.missing - piece.at[-1])

    def around(self, at: int) -> tuple[Frame | None, Frame | None]:
        """The frames before and after a place."""
        before = max((place for place in self.places if place < at), default=None)
        after = min((place for place in self.places if place > at), default=None)
        return (
            None if before is None else self.places[before],
            None if after is None else self.places[after],
        )

    def run(self, *, first: bool) -> Run:
        at = tuple(sorted(self.places))
        frames = tuple(self.places[place] for place in at)
        return Run(at, frames, frozenset(self.unsure), None if first else self.began)


def _pieces(frames: Sequence[Frame], counter: Counter, cards: Cards) -> list[_Piece]:
    """What holds together by itself. What lies on two cards (both slots) is one piece."""
    on: dict[int, list[Frame]] = defaultdict(list)
    for frame in frames:
        for card in cards.of(frame.readings):
            on[card].append(frame)
    piece_of: dict[int, int] = {}
    members: list[list[Frame]] = []
    for _, some in sorted(on.items()):
        some.sort(key=lambda frame: (frame.folder, counter.position(frame), frame.taken or 0))
        for row in _rising(some, counter):
            known = sorted({piece_of[id(frame)] for frame in row if id(frame) in piece_of})
            target = known[0] if known else len(members)
            if not known:
                members.append([])
            for other in known[1:]:
                members[target] += members[other]
                piece_of.update((id(frame), target) for frame in members[other])
                members[other] = []
            fresh = [frame for frame in row if id(frame) not in piece_of]
            members[target] += fresh
            piece_of.update((id(frame), target) for frame in fresh)
    found = []
    for some in members:
        some.sort(key=lambda frame: (counter.position(frame), frame.taken or 0))
        found += [_Piece([counter.position(frame) for frame in row], row) for row in _rising(some, counter)]
    return found


def _rising(frames: Sequence[Frame], counter: Counter) -> Iterable[list[Frame]]:
    """Pieces of a row of frames: each with rising numbers, and with no great hole where the clock goes back."""
    row: list[Frame] = []
    for frame in frames:
        if row:
            step = counter.position(frame) - counter.position(row[-1])
            if step <= 0 or (step > _ANOTHER_COUNT and _goes_back(row[-1], frame)):
                yield row
                row = []
        row.append(frame)
    if row:
        yield row


def _goes_back(one: Frame, other: Frame) -> bool:
    return one.taken is not None and other.taken is not None and other.taken < one.taken - _WENT_BACK


def _joined(pieces: list[_Piece], counter: Counter) -> list[_Piece]:
    """Pieces with those put together whose numbers follow each other: nearest in time where there is a choice."""
    pairs = []
    for one, piece in enumerate(pieces):
        for other, following in enumerate(pieces):
            missing = counter.between(piece.at[-1], following.at[0])
            if one != other and missing < JOINS:
                apart = abs((following.begins or 0) - (piece.ends or 0))
                pairs.append((apart, missing, one, other))
    after: dict[int, int] = {}
    before: dict[int, int] = {}
    for _, _, one, other in sorted(pairs):
        if one not in after and other not in before and not _leads_to(after, other, one):
            after[one], before[other] = other, one
    found = []
    for first in (number for number in range(len(pieces)) if number not in before):
        whole, number = pieces[first], first
        while number in after:
            number = after[number]
            following = pieces[number]
            shift = whole.at[-1] + 1 + counter.between(whole.at[-1], following.at[0])
            moved = [at - following.at[0] + shift for at in following.at]
            whole = _Piece(whole.at + moved, whole.frames + following.frames)
        found.append(whole)
    return found


def _leads_to(after: dict[int, int], start: int, target: int) -> bool:
    while start != target and start in after:
        start = after[start]
    return start == target


def _usual_time(pieces: Sequence[_Piece]) -> int:
    """A moment of the night: a clock that fails falls back, so the latest ones are right."""
    return max((piece.begins for piece in pieces if piece.begins is not None), default=0)


def _take_up(counts: list[_Count], piece: _Piece, counter: Counter) -> None:
    """Put a piece into the count it belongs to, or begin a new one with it."""
    for count in reversed(counts):
        shift = _shift_within(count, piece, counter)
        if shift is not None:
            count.put(piece, shift)
            return
    if not counts:
        counts.append(_Count(Moved.BACK))
        counts[-1].put(piece, 0)
        return
    latest = counts[-1]
    step = counter.step(latest.places[latest.last], piece.frames[0])
    if step.goes_on:
        latest.go_on(piece, step)
        return
    step_back = counter.step(piece.frames[-1], latest.places[latest.first])
    if step_back.goes_on and piece.ended_before(latest.places[latest.first]):
        latest.come_from(piece, step_back)
        return
    counts.append(_Count(step.moved))
    counts[-1].put(piece, 0)


def _shift_within(count: _Count, piece: _Piece, counter: Counter) -> int | None:
    """By how much the piece's places are to be moved to fill a hole of the count; None if it fits in none.

    A piece whose clock is another one also fits before the first frame: there only its numbers speak.
    """
    turn = (count.last - 1) // counter.top
    for cycle in (turn, turn - 1, turn + 1):
        shift = cycle * counter.top
        first, last = piece.at[0] + shift, piece.at[-1] + shift
        if last > count.last or not count.free_for(piece, shift):
            continue
        before, after = count.around(first)
        if before is None:
            near = after is not None and counter.step(piece.frames[-1], after).goes_on
            if piece.other_clock and near and not piece.is_fresh:
                return shift
            continue
        if piece.other_clock or _fits_in_time(before, piece, after):
            return shift
    return None


def _fits_in_time(before: Frame, piece: _Piece, after: Frame | None) -> bool:
    begins, ends = piece.begins, piece.ends
    if begins is None or ends is None:
        return True
    early = before.taken is not None and begins < before.taken - _WENT_BACK
    late = after is not None and after.taken is not None and ends > after.taken + _WENT_BACK
    return not early and not late
