"""One body's night: its frames in order, its count, and the holes in it.

A body without a serial and without a label has a row for each card, since nobody can tell whether two of its cards
came out of one body.
"""

from __future__ import annotations

from collections import Counter as Counts
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from tripleguard.cameras.counter import Counter, counter_of
from tripleguard.cameras.frames import Frame, Part, frames_of
from tripleguard.cameras.holes import DELETED_AT_MOST, Habit, Hole, Where, halves_missing, hole_before, holes_in
from tripleguard.cameras.readings import Cards, Slots, slots_of
from tripleguard.cameras.runs import Run, runs_of


@dataclass(frozen=True, slots=True)
class Known:
    """A body as it was known before. label: its name for people; alone: it writes no serial and has no label.

    last: its last frame of an earlier night, with the readings that held it. was_split: in that night it put raws
    and JPEGs on different cards.
    """

    label: str
    alone: bool = False
    last: Frame | None = None
    habit: Habit = field(default_factory=Habit)
    was_split: bool = False


@dataclass(frozen=True, slots=True)
class Row:
    """What one body shot, in order. body: which one; runs: never empty; kept_on_card: on its middle card."""

    body: int
    known: Known
    counter: Counter
    runs: Sequence[Run]
    slots: Slots
    holes: Sequence[Hole]
    kept_on_card: int = 0

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
    def usual_card(self) -> int:
        """How many frames one of its cards held before some were deleted."""
        return round(self.kept_on_card / (1 - self.deleted_beside(None)))

    @property
    def deleted(self) -> tuple[int, ...]:
        """Sizes of the holes inside its cards."""
        return tuple(sorted(hole.frames for hole in self.holes if hole.where is Where.INSIDE))

    def deleted_beside(self, hole: Hole | None) -> float:
        """The share of this night's frames that was deleted in the camera, without the hole in question."""
        gone = sum(self._small_holes(hole))
        return gone / (gone + self.frames)

    def habit_beside(self, hole: Hole) -> Habit:
        """The owner's habit with what this night adds to it: all but the hole that is asked about."""
        here = tuple(one.frames for one in self.holes if one.where is Where.INSIDE and one is not hole)
        return Habit(self.known.habit.deleted + here, self.known.habit.explained)

    def _small_holes(self, hole: Hole | None) -> Iterator[int]:
        """Sizes of the holes inside its cards that can't have been cards, but for one."""
        for one in self.holes:
            if one.where is Where.INSIDE and one is not hole and one.frames < DELETED_AT_MOST:
                yield one.frames


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
        counter, slots = counter_of(frames), slots_of(frames, cards, was_split=known.was_split)
        runs = runs_of(frames, counter, cards)
        holes = list(holes_in(runs, counter, cards))
        if slots is Slots.SPLIT:
            holes += [hole for run in runs for hole in halves_missing(run, cards)]
        if known.last is not None and not known.alone:
            before = hole_before(known.last, runs, counter, cards)
            holes += [before] if before else []
        yield Row(body, known, counter, runs, slots, holes, _kept_on_card(frames, cards))


def _kept_on_card(frames: Iterable[Frame], cards: Cards) -> int:
    """How many of these frames lie on the middle one of their cards by size."""
    sizes = sorted(Counts(card for frame in frames for card in cards.of(frame.readings)).values())
    return sizes[(len(sizes) - 1) // 2] if sizes else 0
