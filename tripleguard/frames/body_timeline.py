"""The timeline of one body in a session: its frames in order, its counter, and the gaps.

A body with neither serial nor label has a timeline for each card, since it is unknown whether two such cards came
from one body.
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
    """A body as known from earlier sessions.

    Attributes:
        label: its name for people.
        is_unidentified: it writes no serial and has no label.
        last_frame: its last frame of an earlier session, with the readings that contained it.
        habit: how its owner deletes frames.
        was_split: in that session it wrote raws and JPEGs to different cards.
    """

    label: str
    is_unidentified: bool = False
    last_frame: Frame | None = None
    habit: DeletionHabit = field(default_factory=DeletionHabit)
    was_split: bool = False


@dataclass(frozen=True, slots=True)
class BodyTimeline:
    """What one body shot, in order.

    Attributes:
        runs: at least one.
        gaps: every gap in its numbers, also those that mean nothing.
        median_card_frames: frames on its card of median size.
    """

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
        """Frames on a typical card before some were deleted."""
        return round(self.median_card_frames / (1 - self.get_deleted_share(None)))

    @property
    def deletion_sizes(self) -> tuple[int, ...]:
        """Sizes of the gaps inside its cards, in frames."""
        return tuple(sorted(gap.frame_count for gap in self.gaps if gap.location is GapLocation.INSIDE_CARD))

    def get_deleted_share(self, excluded_gap: NumberGap | None) -> float:
        """Return the share of this session's frames that was deleted in the camera, without the given gap."""
        deleted = sum(self._iter_small_gap_sizes(excluded_gap))
        return deleted / (deleted + self.frame_count)

    def get_habit(self, excluded_gap: NumberGap) -> DeletionHabit:
        """Return the owner's habit extended by this session's gaps, without the given one."""
        session_sizes = tuple(
            one.frame_count
            for one in self.gaps
            if one.location is GapLocation.INSIDE_CARD and one is not excluded_gap
        )
        return DeletionHabit(self.history.habit.deletion_sizes + session_sizes, self.history.habit.explained_gaps)

    def _iter_small_gap_sizes(self, excluded_gap: NumberGap | None) -> Iterator[int]:
        """Yield sizes of the gaps inside cards that are too small for a missing card, without the given gap."""
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
    """Yield the timelines of one body; none if it has no numbered frames among these files."""
    by_card: dict[int, list[CardFile]] = defaultdict(list)
    for part in files:
        if part.body_id == body_id:
            by_card[cards.card_by_reading[part.reading] if history.is_unidentified else 0].append(part)
    for _, files_of_card in sorted(by_card.items()):
        frames = group_frames(files_of_card)
        if not frames:
            continue
        counter, slots = detect_counter(frames), detect_slot_usage(frames, cards, was_split=history.was_split)
        runs = split_into_runs(frames, counter, cards)
        gaps = list(find_number_gaps(runs, counter, cards))
        if slots is SlotUsage.RAW_AND_JPEG_SPLIT:
            gaps += [gap for run in runs for gap in find_missing_halves(run, cards)]
        if history.last_frame is not None and not history.is_unidentified:
            before = find_gap_before(history.last_frame, runs, counter, cards)
            gaps += [before] if before else []
        yield BodyTimeline(body_id, history, counter, runs, slots, gaps, _get_median_card_frames(frames, cards))


def _get_median_card_frames(frames: Iterable[Frame], cards: CardReadings) -> int:
    """Return how many of these frames are on the card of median size."""
    sizes = sorted(Counts(card for frame in frames for card in cards.get_cards(frame.readings)).values())
    return sizes[(len(sizes) - 1) // 2] if sizes else 0
