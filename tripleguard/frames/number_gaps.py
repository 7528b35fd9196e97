"""Find gaps in the frame numbers, and decide which mean a missing card, which are worth a look, and which are
habit.

People delete in the camera: gaps of one to ten frames, now and then a whole song. So size alone tells little. What
tells is where a gap lies: deleting hardly ever ends just where a card ends, a missing card always does. Between
two cards a dozen frames are therefore enough for an alarm; inside one card it takes a few hundred. Both limits
follow what the owner of this very body usually deletes, and the gaps that a person has explained, but never so far
that a whole card could slip through. Who makes room on a full card deletes at its very end: between two cards or
two sessions, less than a tenth of what this body's cards usually hold is worth a look and no more.
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
    """How sure it is that something is missing."""

    MISSING = "a card may be missing"
    CHECK = "look"


class GapLocation(enum.StrEnum):
    """Where frames are missing, which decides how much it means."""

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
    """Frames that are on no card seen. first, last: their places in the count; cards: those on either side.

    frames: how many. before, after: the frames around it; before is None where a count has begun.
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
    """What is known of one body's owner.

    deleted: sizes of holes inside cards. explained: what a person has explained before, by where it was: frames,
    or minutes where another body tells.
    """

    deletion_sizes: tuple[int, ...] = ()
    explained_gaps: tuple[tuple[GapLocation, int], ...] = ()

    def get_usual_size(self) -> int:
        """The size that all but two in a hundred of the holes inside this body's cards stay below; 0 unknown."""
        return _get_percentile(sorted(size for size in self.deletion_sizes if size < MAX_DELETION), 0.98)

    def get_explained_size(self, location: GapLocation) -> int:
        """The larger of the holes there that a person has explained: what happened twice happens again."""
        sizes = sorted(size for place, size in self.explained_gaps if place is location)
        return sizes[-2] if len(sizes) > 1 else 0


MAX_DELETION = 200
"""A larger hole inside a card tells nothing about what somebody usually deletes."""


HEAVY_DELETION_SHARE = 0.1
"""A share of deleted frames from which on somebody clears out their cards while shooting."""


@dataclass(frozen=True, slots=True)
class _GapLimits:
    """From how many missing frames on to look, and to cry out; by how often a body's usual hole, and at most."""

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
    """What a hole means, given what is usual for its body; None: nothing.

    usual_card: frames that one of its cards holds. deleted: the share of tonight's that was deleted in the camera.
    """
    limits, usual, explained = (
        _LIMITS[gap.location],
        habit.get_usual_size(),
        habit.get_explained_size(gap.location),
    )
    missing = min(max(limits.missing_from, limits.missing_factor * usual, explained + 1), limits.missing_cap)
    beside_a_card = gap.location in (GapLocation.BETWEEN_CARDS, GapLocation.AFTER_PAUSE)
    if beside_a_card:
        missing = max(missing, min(usual_card_frames // _CARD_SHARE_DIVISOR, limits.missing_cap))
    if deleted_share >= HEAVY_DELETION_SHARE and (beside_a_card or gap.location is GapLocation.INSIDE_CARD):
        # Who clears out so much also clears out what lies at the end of a card; a whole card is far more.
        missing = max(missing, usual_card_frames // 2 if beside_a_card else limits.missing_cap)
    look = max(limits.check_from, limits.check_factor * usual, explained + 1)
    if gap.frame_count >= missing and gap.is_certain:
        return GapVerdict.MISSING
    return GapVerdict.CHECK if gap.frame_count >= min(look, limits.check_cap) else None


def find_number_gaps(runs: Sequence[FrameRun], counter: FrameCounter, cards: CardReadings) -> Iterator[NumberGap]:
    """Every hole of a body's runs, also those that mean nothing."""
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
            hole = _find_gap_at(run, at, cards)
            if hole is not None:
                yield hole


def find_gap_before(
    last: Frame, runs: Sequence[FrameRun], counter: FrameCounter, cards: CardReadings
) -> NumberGap | None:
    """The hole between the last frame of an earlier shoot and the first one now. last.readings as in cards."""
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
    """Rows of frames of which only the JPEG, or only the raw, is on any card seen. For bodies that split the two.

    Films and sounds have no other half; they end no row.
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
    """So many frames that they may as well be another count: on a large card they would have room."""
    first, last = counter.get_position(before) + 1, counter.get_position(after) - 1
    if last > first and is_within_burst_rate(last - first + 1, before, after):
        on = cards.get_cards(before.readings), cards.get_cards(after.readings)
        where = GapLocation.INSIDE_CARD if on[0] & on[1] else GapLocation.BETWEEN_CARDS
        yield NumberGap(where, last - first + 1, first, last, before, after, on[0] | on[1], is_certain=False)


def _build_half_gap(
    location: GapLocation, run: FrameRun, row: list[int], cards: CardReadings, is_certain: bool
) -> NumberGap:
    """A row of halves. sure: tonight's other frames show the split; raws are missed without that too."""
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
    """The value below which this share lies, by nearest rank; 0 of nothing."""
    if not sizes:
        return 0
    rank = -(-len(sizes) * round(share * 100) // 100)
    return sizes[max(rank, 1) - 1]
