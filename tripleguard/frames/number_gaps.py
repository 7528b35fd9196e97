"""Find gaps in the frame numbers, and tell missing cards from gaps to check and from deletion habits.

People delete in the camera: gaps of one to ten frames, now and then a whole song. So size alone says little. The
position says more: deletions hardly ever end exactly where a card ends, a missing card always does. Between two
cards a dozen frames are therefore enough for an alarm; inside one card it takes a few hundred. Both limits follow
what the owner of this very body usually deletes, and the gaps that a person has explained, but never so far that a
whole card could go unnoticed. People who make space on a full card delete at its very end: between two cards or
two sessions, less than a tenth of a typical card of this body is only reported for checking.
"""

from __future__ import annotations

import enum
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tripleguard.clock import HOUR
from tripleguard.frames.card_readings import CardReadings
from tripleguard.frames.counter import CountChange, FrameCounter, is_within_burst_rate
from tripleguard.frames.frame import Frame
from tripleguard.frames.runs import FrameRun

LONG_PAUSE_NS = 3 * HOUR
"""A pause after which the next frame belongs to another occasion."""


class GapVerdict(enum.StrEnum):
    """How certain it is that something is missing."""

    MISSING = "a card may be missing"
    CHECK = "look"


class GapLocation(enum.StrEnum):
    """Where frames are missing, which decides how much the gap means."""

    BETWEEN_CARDS = "between two cards"
    INSIDE_CARD = "inside one card"
    AFTER_PAUSE = "after a pause"
    BEFORE_COUNT = "before a count's first frame"
    RAWS_MISSING = "raws of frames whose JPEGs are there"
    JPEGS_MISSING = "JPEGs of frames whose raws are there"
    BEFORE_BODY = "before a body's first frame"
    DURING_RESET = "while a count was set back"
    AFTER_BODY = "after a body's last frame"
    CARD_COUNT = "fewer cards than were told"


@dataclass(frozen=True, slots=True)
class NumberGap:
    """Frames that are on no card read.

    Attributes:
        frame_count: frames missing.
        first_position, last_position: positions in the count.
        frame_before, frame_after: the frames around the gap; frame_before is None at the start of a count.
        cards: those on either side.
    """

    location: GapLocation
    frame_count: int
    first_position: int
    last_position: int
    frame_before: Frame | None
    frame_after: Frame
    cards: frozenset[int]
    is_certain: bool = True


@dataclass(frozen=True, slots=True)
class DeletionHabit:
    """How the owner of one body deletes frames.

    Attributes:
        deletion_sizes: sizes of gaps inside cards.
        explained_gaps: location and size of gaps that a person explained before, in frames, or in minutes where
            another body shows the gap.
    """

    deletion_sizes: tuple[int, ...] = ()
    explained_gaps: tuple[tuple[GapLocation, int], ...] = ()

    def get_usual_size(self) -> int:
        """Return the size that 98 % of the gaps inside this body's cards stay below; 0 if unknown."""
        return _get_percentile(sorted(size for size in self.deletion_sizes if size < MAX_DELETION), 0.98)

    def get_explained_size(self, location: GapLocation) -> int:
        """Return the second largest gap that a person explained at this location.

        What happened twice happens again.
        """
        sizes = sorted(size for place, size in self.explained_gaps if place is location)
        return sizes[-2] if len(sizes) > 1 else 0


MAX_DELETION = 200
"""A larger gap inside a card says nothing about what somebody usually deletes."""


HEAVY_DELETION_SHARE = 0.1
"""Share of deleted frames from which on somebody is considered to clear their cards while shooting."""


@dataclass(frozen=True, slots=True)
class _GapLimits:
    """Missing frames needed for a check and for an alarm: minimum, multiple of the body's usual gap, and cap."""

    check_from: int
    check_factor: int
    check_cap: int
    missing_from: int
    missing_factor: int
    missing_cap: int


_NEVER = 1 << 30
_LIMITS = {
    GapLocation.BETWEEN_CARDS: _GapLimits(
        check_from=4, check_factor=1, check_cap=40, missing_from=12, missing_factor=2, missing_cap=150
    ),
    GapLocation.INSIDE_CARD: _GapLimits(
        check_from=80, check_factor=4, check_cap=200, missing_from=200, missing_factor=8, missing_cap=400
    ),
    GapLocation.AFTER_PAUSE: _GapLimits(
        check_from=12, check_factor=1, check_cap=60, missing_from=60, missing_factor=4, missing_cap=300
    ),
    GapLocation.BEFORE_COUNT: _GapLimits(
        check_from=12, check_factor=1, check_cap=60, missing_from=_NEVER, missing_factor=1, missing_cap=_NEVER
    ),
    GapLocation.RAWS_MISSING: _GapLimits(
        check_from=12, check_factor=1, check_cap=40, missing_from=12, missing_factor=2, missing_cap=150
    ),
    GapLocation.JPEGS_MISSING: _GapLimits(
        check_from=24, check_factor=1, check_cap=40, missing_from=24, missing_factor=2, missing_cap=150
    ),
}
_CARD_SHARE_DIVISOR = 10


def judge_gap(
    gap: NumberGap, habit: DeletionHabit, usual_card_frames: int = 0, deleted_share: float = 0.0
) -> GapVerdict | None:
    """Return what a gap means, given what is usual for its body; None if nothing.

    Args:
        gap: the gap.
        habit: how the body's owner deletes frames.
        usual_card_frames: frames on a typical card of the body.
        deleted_share: share of this session's frames that was deleted in the camera.
    """
    limits, usual, explained = (
        _LIMITS[gap.location],
        habit.get_usual_size(),
        habit.get_explained_size(gap.location),
    )
    alarm = min(max(limits.missing_from, limits.missing_factor * usual, explained + 1), limits.missing_cap)
    is_next_to_card_end = gap.location in (GapLocation.BETWEEN_CARDS, GapLocation.AFTER_PAUSE)
    if is_next_to_card_end:
        alarm = max(alarm, min(usual_card_frames // _CARD_SHARE_DIVISOR, limits.missing_cap))
    if deleted_share >= HEAVY_DELETION_SHARE and (is_next_to_card_end or gap.location is GapLocation.INSIDE_CARD):
        # People who delete this much also delete at the end of a card, but far less than a whole card.
        alarm = max(alarm, usual_card_frames // 2 if is_next_to_card_end else limits.missing_cap)
    check = max(limits.check_from, limits.check_factor * usual, explained + 1)
    if gap.frame_count >= alarm and gap.is_certain:
        return GapVerdict.MISSING
    return GapVerdict.CHECK if gap.frame_count >= min(check, limits.check_cap) else None


def find_number_gaps(runs: Sequence[FrameRun], counter: FrameCounter, cards: CardReadings) -> Iterator[NumberGap]:
    """Yield every gap of a body's runs, also those that mean nothing."""
    for number, run in enumerate(runs):
        if run.start_change is CountChange.JUMPED:
            yield from _find_large_jump(runs[number - 1].frames[-1], run.frames[0], counter, cards)
        for at, frame in enumerate(run.frames):
            if at == 0:
                if run.start_change is CountChange.RESET and counter.get_position(frame) > 1:
                    on = cards.get_cards(frame.readings)
                    missing = counter.get_position(frame) - 1
                    yield NumberGap(GapLocation.BEFORE_COUNT, missing, 1, missing, None, frame, on)
                continue
            gap = _find_gap_at(run, at, cards)
            if gap is not None:
                yield gap


def find_gap_before(
    last: Frame, runs: Sequence[FrameRun], counter: FrameCounter, cards: CardReadings
) -> NumberGap | None:
    """Return the gap between the last frame of an earlier shoot and the first one now.

    The readings of `last` are numbered as in `cards`.
    """
    first = runs[0].frames[0]
    step = counter.classify_step(last, first)
    if not step.is_continuous or not step.missing:
        return None
    at = counter.get_position(last) + 1
    on = cards.get_cards(last.readings), cards.get_cards(first.readings)
    pause = _measure_pause(last, first)
    soon = pause is not None and 0 <= pause < LONG_PAUSE_NS
    where = (
        GapLocation.INSIDE_CARD
        if on[0] & on[1]
        else GapLocation.BETWEEN_CARDS
        if soon
        else GapLocation.AFTER_PAUSE
    )
    return NumberGap(where, step.missing, at, at + step.missing - 1, last, first, on[0] | on[1], step.is_certain)


def find_missing_halves(run: FrameRun, cards: CardReadings) -> Iterator[NumberGap]:
    """Yield sequences of frames of which only the JPEG, or only the raw, is on any card.

    Call it for bodies that split the two.
    Films and sounds have no other half; they do not end a sequence.
    """
    row: list[int] = []
    lacking: GapLocation | None = None
    sure = any(frame.raw_readings and frame.picture_readings for frame in run.frames)
    for at, frame in enumerate(run.frames):
        if not frame.raw_readings and not frame.picture_readings:
            continue
        now = (
            None
            if frame.raw_readings and frame.picture_readings
            else GapLocation.JPEGS_MISSING
            if frame.raw_readings
            else GapLocation.RAWS_MISSING
        )
        if now is not lacking and row and lacking is not None:
            yield _build_half_gap(lacking, run, row, cards, sure)
        if now is not lacking:
            row, lacking = [], now
        row.append(at)
    if row and lacking is not None:
        yield _build_half_gap(lacking, run, row, cards, sure)


def _find_gap_at(run: FrameRun, index: int, cards: CardReadings) -> NumberGap | None:
    before, after = run.frames[index - 1], run.frames[index]
    first, last = run.positions[index - 1] + 1, run.positions[index] - 1
    if last < first or not is_within_burst_rate(last - first + 1, before, after):
        return None
    on = cards.get_cards(before.readings), cards.get_cards(after.readings)
    later = (_measure_pause(before, after) or 0) >= LONG_PAUSE_NS
    where = (
        GapLocation.INSIDE_CARD
        if on[0] & on[1]
        else GapLocation.AFTER_PAUSE
        if later
        else GapLocation.BETWEEN_CARDS
    )
    return NumberGap(
        where,
        last - first + 1,
        first,
        last,
        before,
        after,
        on[0] | on[1],
        run.positions[index] not in run.uncertain_positions,
    )


def _find_large_jump(
    before: Frame, after: Frame, counter: FrameCounter, cards: CardReadings
) -> Iterator[NumberGap]:
    """Yield a gap so large that it may be another count, if a large card could hold that many frames."""
    first, last = counter.get_position(before) + 1, counter.get_position(after) - 1
    if last > first and is_within_burst_rate(last - first + 1, before, after):
        on = cards.get_cards(before.readings), cards.get_cards(after.readings)
        where = GapLocation.INSIDE_CARD if on[0] & on[1] else GapLocation.BETWEEN_CARDS
        yield NumberGap(where, last - first + 1, first, last, before, after, on[0] | on[1], is_certain=False)


def _build_half_gap(
    location: GapLocation, run: FrameRun, row: list[int], cards: CardReadings, is_certain: bool
) -> NumberGap:
    """Build the gap of a sequence of missing halves.

    is_certain: this session's other frames show the split. Missing raws are reported without that, too.
    """
    before, after = run.frames[max(row[0] - 1, 0)], run.frames[min(row[-1] + 1, len(run.frames) - 1)]
    on = cards.get_cards(before.readings) | cards.get_cards(after.readings)
    return NumberGap(
        location,
        len(row),
        run.positions[row[0]],
        run.positions[row[-1]],
        before,
        after,
        on,
        is_certain or location is GapLocation.RAWS_MISSING,
    )


def _measure_pause(last: Frame, first: Frame) -> int | None:
    if last.capture_time_ns is None or first.capture_time_ns is None:
        return None
    return first.capture_time_ns - last.capture_time_ns


def _get_percentile(sizes: Sequence[int], share: float) -> int:
    """Return the nearest-rank percentile of sorted sizes; 0 if there are none."""
    if not sizes:
        return 0
    rank = -(-len(sizes) * round(share * 100) // 100)
    return sizes[max(rank, 1) - 1]
