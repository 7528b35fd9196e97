"""When a hole in the numbers is a missing card, when it is worth a look, and when it is a habit.

People delete in the camera: holes of one to ten frames, now and then a whole song. So size alone tells little.
What tells is where a hole lies: deleting hardly ever ends just where a card ends, a missing card always does.
Between two cards a dozen frames are therefore enough to cry out; inside one card it takes a few hundred. Both
limits move with what the owner of this very body usually deletes, and with the holes that a person has explained,
but never so far that a whole card could slip through. And who makes room on a full card deletes at its very end:
between two cards or two nights, less than a tenth of what this body's cards usually hold is worth a look and no
more.
"""

from __future__ import annotations

import enum
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tripleguard.cameras.counter import Counter, Moved, could_be_shot
from tripleguard.cameras.frames import Frame
from tripleguard.cameras.readings import Cards
from tripleguard.cameras.runs import Run
from tripleguard.clock import HOUR

OVERNIGHT = 3 * HOUR
"""A pause after which the next frame belongs to another occasion."""


class Verdict(enum.StrEnum):
    """How sure it is that something is missing."""

    MISSING = "a card may be missing"
    LOOK = "look"


class Where(enum.StrEnum):
    """Where frames are missing, which decides how much it means."""

    BETWEEN = "between two cards"
    INSIDE = "inside one card"
    BEFORE = "after a pause"
    START = "before a count's first frame"
    RAWS = "raws of frames whose JPEGs are there"
    JPEGS = "JPEGs of frames whose raws are there"
    BEGIN = "before a body's first frame"
    PAUSE = "while a count was set back"
    END = "after a body's last frame"
    COUNT = "fewer cards than were told"


@dataclass(frozen=True, slots=True)
class Hole:
    """Frames that are on no card seen. first, last: their places in the count; cards: those on either side.

    frames: how many. before, after: the frames around it; before is None where a count has begun.
    """

    where: Where
    frames: int
    first: int
    last: int
    before: Frame | None
    after: Frame
    cards: frozenset[int]
    sure: bool = True


@dataclass(frozen=True, slots=True)
class Habit:
    """What is known of one body's owner.

    deleted: sizes of holes inside cards. explained: what a person has explained before, by where it was: frames,
    or minutes where another body tells.
    """

    deleted: tuple[int, ...] = ()
    explained: tuple[tuple[Where, int], ...] = ()

    def usual(self) -> int:
        """The size that all but two in a hundred of the holes inside this body's cards stay below; 0 unknown."""
        return _share(sorted(size for size in self.deleted if size < DELETED_AT_MOST), 0.98)

    def of(self, where: Where) -> int:
        """The larger of the holes there that a person has explained: what happened twice happens again."""
        sizes = sorted(size for place, size in self.explained if place is where)
        return sizes[-2] if len(sizes) > 1 else 0


DELETED_AT_MOST = 200
"""A larger hole inside a card tells nothing about what somebody usually deletes."""


MUCH_DELETED = 0.1
"""A share of deleted frames from which on somebody clears out their cards while shooting."""


@dataclass(frozen=True, slots=True)
class _Limits:
    """From how many missing frames on to look, and to cry out; by how often a body's usual hole, and at most."""

    look: int
    look_times: int
    look_most: int
    missing: int
    times: int
    most: int


_NEVER = 1 << 30
_LIMITS = {
    Where.BETWEEN: _Limits(look=4, look_times=1, look_most=40, missing=12, times=2, most=150),
    Where.INSIDE: _Limits(look=80, look_times=4, look_most=200, missing=200, times=8, most=400),
    Where.BEFORE: _Limits(look=12, look_times=1, look_most=60, missing=60, times=4, most=300),
    Where.START: _Limits(look=12, look_times=1, look_most=60, missing=_NEVER, times=1, most=_NEVER),
    Where.RAWS: _Limits(look=12, look_times=1, look_most=40, missing=12, times=2, most=150),
    Where.JPEGS: _Limits(look=24, look_times=1, look_most=40, missing=24, times=2, most=150),
}
_SMALLEST_CARD = 10


def verdict(hole: Hole, habit: Habit, usual_card: int = 0, deleted: float = 0.0) -> Verdict | None:
    """What a hole means, given what is usual for its body; None: nothing.

    usual_card: frames that one of its cards holds. deleted: the share of tonight's that was deleted in the camera.
    """
    limits, usual, explained = _LIMITS[hole.where], habit.usual(), habit.of(hole.where)
    missing = min(max(limits.missing, limits.times * usual, explained + 1), limits.most)
    beside_a_card = hole.where in (Where.BETWEEN, Where.BEFORE)
    if beside_a_card:
        missing = max(missing, min(usual_card // _SMALLEST_CARD, limits.most))
    if deleted >= MUCH_DELETED and (beside_a_card or hole.where is Where.INSIDE):
        # Who clears out so much also clears out what lies at the end of a card; a whole card is far more.
        missing = max(missing, usual_card // 2 if beside_a_card else limits.most)
    look = max(limits.look, limits.look_times * usual, explained + 1)
    if hole.frames >= missing and hole.sure:
        return Verdict.MISSING
    return Verdict.LOOK if hole.frames >= min(look, limits.look_most) else None


def holes_in(runs: Sequence[Run], counter: Counter, cards: Cards) -> Iterator[Hole]:
    """Every hole of a body's runs, also those that mean nothing."""
    for number, run in enumerate(runs):
        if run.began is Moved.JUMPED:
            yield from _beyond_half(runs[number - 1].frames[-1], run.frames[0], counter, cards)
        for at, frame in enumerate(run.frames):
            if at == 0:
                if run.began is Moved.BACK and counter.position(frame) > 1:
                    on = cards.of(frame.readings)
                    missing = counter.position(frame) - 1
                    yield Hole(Where.START, missing, 1, missing, None, frame, on)
                continue
            hole = _between(run, at, cards)
            if hole is not None:
                yield hole


def hole_before(last: Frame, runs: Sequence[Run], counter: Counter, cards: Cards) -> Hole | None:
    """The hole between the last frame of an earlier shoot and the first one now. last.readings as in cards."""
    first = runs[0].frames[0]
    step = counter.step(last, first)
    if not step.goes_on or not step.missing:
        return None
    at = counter.position(last) + 1
    on = cards.of(last.readings), cards.of(first.readings)
    pause = _pause(last, first)
    soon = pause is not None and 0 <= pause < OVERNIGHT
    where = Where.INSIDE if on[0] & on[1] else Where.BETWEEN if soon else Where.BEFORE
    return Hole(where, step.missing, at, at + step.missing - 1, last, first, on[0] | on[1], step.sure)


def halves_missing(run: Run, cards: Cards) -> Iterator[Hole]:
    """Rows of frames of which only the JPEG, or only the raw, is on any card seen. For bodies that split the two.

    Films and sounds have no other half; they end no row.
    """
    row: list[int] = []
    lacking: Where | None = None
    sure = any(frame.raws and frame.pictures for frame in run.frames)
    for at, frame in enumerate(run.frames):
        if not frame.raws and not frame.pictures:
            continue
        now = None if frame.raws and frame.pictures else Where.JPEGS if frame.raws else Where.RAWS
        if now is not lacking and row and lacking is not None:
            yield _half_missing(lacking, run, row, cards, sure)
        if now is not lacking:
            row, lacking = [], now
        row.append(at)
    if row and lacking is not None:
        yield _half_missing(lacking, run, row, cards, sure)


def _between(run: Run, at: int, cards: Cards) -> Hole | None:
    before, after = run.frames[at - 1], run.frames[at]
    first, last = run.at[at - 1] + 1, run.at[at] - 1
    if last < first or not could_be_shot(last - first + 1, before, after):
        return None
    on = cards.of(before.readings), cards.of(after.readings)
    later = (_pause(before, after) or 0) >= OVERNIGHT
    where = Where.INSIDE if on[0] & on[1] else Where.BEFORE if later else Where.BETWEEN
    return Hole(where, last - first + 1, first, last, before, after, on[0] | on[1], run.at[at] not in run.unsure)


def _beyond_half(before: Frame, after: Frame, counter: Counter, cards: Cards) -> Iterator[Hole]:
    """So many frames that they may as well be another count: on a large card they would have room."""
    first, last = counter.position(before) + 1, counter.position(after) - 1
    if last > first and could_be_shot(last - first + 1, before, after):
        on = cards.of(before.readings), cards.of(after.readings)
        where = Where.INSIDE if on[0] & on[1] else Where.BETWEEN
        yield Hole(where, last - first + 1, first, last, before, after, on[0] | on[1], sure=False)


def _half_missing(where: Where, run: Run, row: list[int], cards: Cards, sure: bool) -> Hole:
    """A row of halves. sure: tonight's other frames show the split; raws are missed without that too."""
    before, after = run.frames[max(row[0] - 1, 0)], run.frames[min(row[-1] + 1, len(run.frames) - 1)]
    on = cards.of(before.readings) | cards.of(after.readings)
    return Hole(where, len(row), run.at[row[0]], run.at[row[-1]], before, after, on, sure or where is Where.RAWS)


def _pause(last: Frame, first: Frame) -> int | None:
    if last.taken is None or first.taken is None:
        return None
    return first.taken - last.taken


def _share(sizes: Sequence[int], share: float) -> int:
    """The value below which this share lies, by nearest rank; 0 of nothing."""
    if not sizes:
        return 0
    rank = -(-len(sizes) * round(share * 100) // 100)
    return sizes[max(rank, 1) - 1]
