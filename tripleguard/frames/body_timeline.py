"""One body's session: its frames in order, its count, and the gaps in it.

A body without a serial and without a label has a timeline for each card, since nobody can tell whether two of its
cards came out of one body.
"""

from __future__ import annotations

from collections import Counter as Counts
from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from tripleguard.frames.card_readings import CardReadings, SlotUsage, detect_slot_usage
from tripleguard.frames.counter import FrameCounter, detect_counter
from tripleguard.frames.frame import CardFile, Frame, group_frames
from tripleguard.frames.number_gaps import (
    MAX_DELETION,
    DeletionHabit,
    GapLocation,
    NumberGap,
    find_gap_before,
    find_missing_halves,
    find_number_gaps,
)
from tripleguard.frames.runs import FrameRun, split_into_runs


@dataclass(frozen=True, slots=True)
class BodyHistory:
    """A body as it was known before. label: its name for people; alone: it writes no serial and has no label.

    last: its last frame of an earlier night, with the readings that held it. was_split: in that night it put raws
    and JPEGs on different cards.
    """

    label: str
    is_unidentified: bool = False
    last_frame: Frame | None = None
    habit: DeletionHabit = field(default_factory=DeletionHabit)
    was_split: bool = False


@dataclass(frozen=True, slots=True)
class BodyTimeline:
    """What one body shot, in order. body: which one; runs: never empty; kept_on_card: on its middle card."""

    body_id: int
    history: BodyHistory
    counter: FrameCounter
    runs: Sequence[FrameRun]
    slot_usage: SlotUsage
    gaps: Sequence[NumberGap]
    median_card_frames: int = 0

    @property
    def frame_count(self) -> int:
        return sum(len(run.frames) for run in self.runs)

    @property
    def first_frame(self) -> Frame:
        return self.runs[0].frames[0]

    @property
    def last_frame(self) -> Frame:
        return self.runs[-1].frames[-1]

    @property
    def usual_card_frames(self) -> int:
        """How many frames one of its cards held before some were deleted."""
        return round(self.median_card_frames / (1 - self.get_deleted_share(None)))

    @property
    def deletion_sizes(self) -> tuple[int, ...]:
        """Sizes of the holes inside its cards."""
        return tuple(sorted(hole.frame_count for hole in self.gaps if hole.location is GapLocation.INSIDE_CARD))

    def get_deleted_share(self, excluded_gap: NumberGap | None) -> float:
        """The share of this night's frames that was deleted in the camera, without the hole in question."""
        gone = sum(self._iter_small_gap_sizes(excluded_gap))
        return gone / (gone + self.frame_count)

    def get_habit(self, excluded_gap: NumberGap) -> DeletionHabit:
        """The owner's habit with what this night adds to it: all but the hole that is asked about."""
        here = tuple(
            one.frame_count
            for one in self.gaps
            if one.location is GapLocation.INSIDE_CARD and one is not excluded_gap
        )
        return DeletionHabit(self.history.habit.deletion_sizes + here, self.history.habit.explained_gaps)

    def _iter_small_gap_sizes(self, excluded_gap: NumberGap | None) -> Iterator[int]:
        """Sizes of the holes inside its cards that can't have been cards, but for one."""
        for one in self.gaps:
            if (
                one.location is GapLocation.INSIDE_CARD
                and one is not excluded_gap
                and one.frame_count < MAX_DELETION
            ):
                yield one.frame_count


def build_timelines(
    body_id: int, history: BodyHistory, files: Iterable[CardFile], cards: CardReadings
) -> Iterator[BodyTimeline]:
    """The rows of one body; none if it has no numbered frames among these parts."""
    by_card: dict[int, list[CardFile]] = defaultdict(list)
    for part in files:
        if part.body_id == body_id:
            by_card[cards.card_by_reading[part.reading] if history.is_unidentified else 0].append(part)
    for _, some in sorted(by_card.items()):
        frames = group_frames(some)
        if not frames:
            continue
        counter, slots = detect_counter(frames), detect_slot_usage(frames, cards, was_split=history.was_split)
        runs = split_into_runs(frames, counter, cards)
        holes = list(find_number_gaps(runs, counter, cards))
        if slots is SlotUsage.RAW_AND_JPEG_SPLIT:
            holes += [hole for run in runs for hole in find_missing_halves(run, cards)]
        if history.last_frame is not None and not history.is_unidentified:
            before = find_gap_before(history.last_frame, runs, counter, cards)
            holes += [before] if before else []
        yield BodyTimeline(body_id, history, counter, runs, slots, holes, _get_median_card_frames(frames, cards))


def _get_median_card_frames(frames: Iterable[Frame], cards: CardReadings) -> int:
    """How many of these frames lie on the middle one of their cards by size."""
    sizes = sorted(Counts(card for frame in frames for card in cards.get_cards(frame.readings)).values())
    return sizes[(len(sizes) - 1) // 2] if sizes else 0
