"""One body's night: its frames in order, its count, and the holes in it.

A body without a serial and without a label has a row for each card, since nobody can tell whether two of its cards
came out of one body.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from tripleguard.cameras.counter import Counter, counter_of
from tripleguard.cameras.frames import Frame, Part, frames_of
from tripleguard.cameras.holes import Habit, Hole, Where, hole_before, holes_in, raws_missing
from tripleguard.cameras.readings import Cards, Slots, slots_of
from tripleguard.cameras.runs import Run, runs_of


@dataclass(frozen=True, slots=True)
class Known:
    """A body as it was known before. label: its name for people; alone: it writes no serial and has no label.

    last: its last frame of an earlier night, with the readings that held it.
    """

    label: str
    alone: bool = False
    last: Frame | None = None
    habit: Habit = field(default_factory=Habit)


@dataclass(frozen=True, slots=True)
class Row:
    """What one body shot, in order. body: which one; runs: never empty."""

    body: int
    known: Known
    counter: Counter
    runs: Sequence[Run]
    slots: Slots
    holes: Sequence[Hole]

    @property
    def frames(self) -> int:
        return sum(len(run.frames) for run in self.runs)

    @property
    def first(self) -> Frame:
        return self.runs[0].frames[0]

    @property
    def last(self) -> Frame:
        return self.runs[-1].frames[-1]

    @property
    def deleted(self) -> tuple[int, ...]:
        """Sizes of the holes inside its cards."""
        return tuple(sorted(hole.frames for hole in self.holes if hole.where is Where.INSIDE))

    def habit_beside(self, hole: Hole) -> Habit:
        """The owner's habit with what this night adds to it: all but the hole that is asked about."""
        here = tuple(one.frames for one in self.holes if one.where is Where.INSIDE and one is not hole)
        return Habit(self.known.habit.deleted + here, self.known.habit.explained)


def rows_of(body: int, known: Known, parts: Iterable[Part], cards: Cards) -> Iterator[Row]:
    """The rows of one body; none if it has no numbered frames among these parts."""
    by_card: dict[int, list[Part]] = defaultdict(list)
    for part in parts:
        if part.body == body:
            by_card[cards.card[part.reading] if known.alone else 0].append(part)
    for _, some in sorted(by_card.items()):
        frames = frames_of(some)
        if not frames:
            continue
        counter, slots = counter_of(frames), slots_of(frames, cards)
        runs = runs_of(frames, counter, cards)
        holes = list(holes_in(runs, counter, cards))
        if slots is Slots.SPLIT:
            holes += [hole for run in runs for hole in raws_missing(run, cards)]
        if known.last is not None and not known.alone:
            before = hole_before(known.last, runs, counter, cards)
            holes += [before] if before else []
        yield Row(body, known, counter, runs, slots, holes)
