"""Order a body's frames, and split them into runs of one unbroken count.

Times alone are not enough: a clock is corrected during a show, or falls back to the factory's date when a battery
is changed. Numbers alone are not enough either: a count is reset or rolls over. So the frames are first split into
segments that are unambiguous by themselves (one card, rising numbers); segments whose numbers join are merged
whatever the clock says; the rest is ordered by time and classified step by step.

The result is runs: frames of one unbroken count, in order. Between two runs the count was reset or jumped.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from tripleguard.clock import DAY, HOUR, SECOND
from tripleguard.frames.card_readings import CardReadings
from tripleguard.frames.counter import CountChange, CountStep, FrameCounter
from tripleguard.frames.frame import Frame

MAX_JOIN_GAP = 12
"""Segments with at most this many numbers between them are one count, whatever the clock says."""

_MAX_GAP_IN_SEGMENT = 1000
_CLOCK_TOLERANCE_NS = 10 * SECOND
_OTHER_CLOCK_NS = 2 * DAY
_MAX_RESTART_NUMBER = 3
_HOUR_SHIFT_TOLERANCE_NS = 60 * SECOND


@dataclass(frozen=True, slots=True)
class FrameRun:
    """Frames of one unbroken count.

    Attributes:
        positions: their positions in the count, rising; they continue past the counter's maximum.
        uncertain_positions: positions reached by a roll-over that may have been a reset.
        start_change: how the count reached the first frame from the previous run; None for the first run.
    """

    positions: tuple[int, ...]
    frames: tuple[Frame, ...]
    uncertain_positions: frozenset[int] = frozenset()
    start_change: CountChange | None = None


def compute_shot_times(runs: Sequence[FrameRun], *, use_utc: bool) -> list[list[int]]:
    """Return when each frame of each run was taken, in ns, by the clock as it was before anybody moved it.

    If the numbers follow each other and the clock goes back, the clock was moved; a frame without a time gets that
    of the frame before it. A clock that was put forward by whole hours is detected, too, if the next number
    follows at once.

    Args:
        runs: the runs of one body.
        use_utc: return UTC, by the offsets that the camera wrote; else the camera's local time.
    """
    found: list[list[int]] = []
    moved, last, number = 0, None, None
    for run in runs:
        row: list[int] = []
        for at, frame in zip(run.positions, run.frames, strict=True):
            if frame.capture_time_ns is not None:
                offset = frame.utc_offset_min if use_utc and frame.utc_offset_min is not None else 0
                now = frame.capture_time_ns - offset * 60 * SECOND + moved
                if last is not None and now < last - _CLOCK_TOLERANCE_NS:
                    moved, now = moved + last - now, last
                elif last is not None and number is not None and row and at - number == 1:
                    ahead = _detect_hour_shift(now - last)
                    moved, now = moved - ahead, now - ahead
                last = now
            number = at
            row.append(last or 0)
        found.append(row)
    return found


def _detect_hour_shift(pause_ns: int) -> int:
    """Return the whole hours or days in a pause between consecutive frames; 0 if the remainder is too large."""
    hours, remainder = divmod(pause_ns, HOUR)
    return hours * HOUR if hours and remainder < _HOUR_SHIFT_TOLERANCE_NS else 0


def split_into_runs(frames: Iterable[Frame], counter: FrameCounter, cards: CardReadings) -> list[FrameRun]:
    """Return the runs of one body, in the order in which it shot them."""
    pieces = _join_segments(_split_segments(list(frames), counter, cards), counter)
    usual = _find_latest_start(pieces)
    for piece in pieces:
        piece.has_other_clock = piece.start_ns is None or abs(piece.start_ns - usual) > _OTHER_CLOCK_NS
    pieces.sort(key=lambda piece: (piece.has_other_clock, piece.start_ns or 0, piece.positions[0]))
    counts: list[_RunBuilder] = []
    for piece in pieces:
        _place_segment(counts, piece, counter)
    return [count.build_run(is_first=at == 0) for at, count in enumerate(counts)]


@dataclass(slots=True)
class _Segment:
    """Frames that belong together by themselves. positions: unwrapped positions, rising."""

    positions: list[int]
    frames: list[Frame]
    has_other_clock: bool = False

    @property
    def start_ns(self) -> int | None:
        return next((frame.capture_time_ns for frame in self.frames if frame.capture_time_ns is not None), None)

    @property
    def end_ns(self) -> int | None:
        return next(
            (frame.capture_time_ns for frame in reversed(self.frames) if frame.capture_time_ns is not None), None
        )

    def ends_before(self, frame: Frame) -> bool:
        """Return whether the segment may come before a frame although it starts later by a moved clock.

        It does if its last frame is older.
        """
        if self.is_after_power_loss or self.end_ns is None or frame.capture_time_ns is None:
            return False
        return self.end_ns < frame.capture_time_ns

    @property
    def is_after_power_loss(self) -> bool:
        """Whether clock and count both look like those of a body that lost power."""
        return self.has_other_clock and self.frames[0].number <= _MAX_RESTART_NUMBER


@dataclass(slots=True)
class _RunBuilder:
    """One count, to which segments are added."""

    start_change: CountChange
    frames_by_position: dict[int, Frame] = field(default_factory=dict)
    uncertain_positions: set[int] = field(default_factory=set)

    @property
    def first_position(self) -> int:
        return min(self.frames_by_position)

    @property
    def last_position(self) -> int:
        return max(self.frames_by_position)

    def has_room_for(self, segment: _Segment, shift: int) -> bool:
        return not any(at + shift in self.frames_by_position for at in segment.positions)

    def insert(self, segment: _Segment, shift: int) -> None:
        self.frames_by_position.update(
            (at + shift, frame) for at, frame in zip(segment.positions, segment.frames, strict=True)
        )

    def append(self, segment: _Segment, step: CountStep) -> None:
        """Add the segment after the last frame."""
        at = self.last_position + 1 + step.missing
        self.uncertain_positions |= set() if step.is_certain else {at}
        self.insert(segment, at - segment.positions[0])

    def prepend(self, segment: _Segment, step: CountStep) -> None:
        """Add the segment before the first frame."""
        first = self.first_position
        self.uncertain_positions |= set() if step.is_certain else {first}
        self.insert(segment, first - 1 - step.missing - segment.positions[-1])

    def get_neighbours(self, position: int) -> tuple[Frame | None, Frame | None]:
        """Return the frames before and after a position."""
        before = max((place for place in self.frames_by_position if place < position), default=None)
        after = min((place for place in self.frames_by_position if place > position), default=None)
        return (
            None if before is None else self.frames_by_position[before],
            None if after is None else self.frames_by_position[after],
        )

    def build_run(self, *, is_first: bool) -> FrameRun:
        at = tuple(sorted(self.frames_by_position))
        frames = tuple(self.frames_by_position[place] for place in at)
        return FrameRun(at, frames, frozenset(self.uncertain_positions), None if is_first else self.start_change)


def _split_segments(frames: Sequence[Frame], counter: FrameCounter, cards: CardReadings) -> list[_Segment]:
    """Return the segments that belong together by themselves.

    Frames on two cards (both slots) make one segment.
    """
    on: dict[int, list[Frame]] = defaultdict(list)
    for frame in frames:
        for card in cards.get_cards(frame.readings):
            on[card].append(frame)
    piece_of: dict[int, int] = {}
    members: list[list[Frame]] = []
    for _, group in sorted(on.items()):
        group.sort(key=lambda frame: (frame.folder, counter.get_position(frame), frame.capture_time_ns or 0))
        for row in _split_rising(group, counter):
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
    for group in members:
        group.sort(key=lambda frame: (counter.get_position(frame), frame.capture_time_ns or 0))
        found += [
            _Segment([counter.get_position(frame) for frame in row], row) for row in _split_rising(group, counter)
        ]
    return found


def _split_rising(frames: Sequence[Frame], counter: FrameCounter) -> Iterable[list[Frame]]:
    """Yield parts of a sequence of frames, with rising numbers and no large gap where the clock goes back."""
    row: list[Frame] = []
    for frame in frames:
        if row:
            step = counter.get_position(frame) - counter.get_position(row[-1])
            if step <= 0 or (step > _MAX_GAP_IN_SEGMENT and _is_clock_set_back(row[-1], frame)):
                yield row
                row = []
        row.append(frame)
    if row:
        yield row


def _is_clock_set_back(one: Frame, other: Frame) -> bool:
    return (
        one.capture_time_ns is not None
        and other.capture_time_ns is not None
        and other.capture_time_ns < one.capture_time_ns - _CLOCK_TOLERANCE_NS
    )


def _join_segments(segments: list[_Segment], counter: FrameCounter) -> list[_Segment]:
    """Return the segments, merged where their numbers follow each other.

    Of several candidates the nearest in time wins.
    """
    pairs = []
    for one, piece in enumerate(segments):
        for other, following in enumerate(segments):
            missing = counter.count_between(piece.positions[-1], following.positions[0])
            if one != other and missing < MAX_JOIN_GAP:
                apart = abs((following.start_ns or 0) - (piece.end_ns or 0))
                pairs.append((apart, missing, one, other))
    after: dict[int, int] = {}
    before: dict[int, int] = {}
    for _, _, one, other in sorted(pairs):
        if one not in after and other not in before and not _is_reachable(after, other, one):
            after[one], before[other] = other, one
    found = []
    for first in (number for number in range(len(segments)) if number not in before):
        whole, number = segments[first], first
        while number in after:
            number = after[number]
            following = segments[number]
            shift = whole.positions[-1] + 1 + counter.count_between(whole.positions[-1], following.positions[0])
            moved = [at - following.positions[0] + shift for at in following.positions]
            whole = _Segment(whole.positions + moved, whole.frames + following.frames)
        found.append(whole)
    return found


def _is_reachable(after: dict[int, int], start: int, target: int) -> bool:
    while start != target and start in after:
        start = after[start]
    return start == target


def _find_latest_start(segments: Sequence[_Segment]) -> int:
    """Return the start of the latest segment: a clock that fails falls back, so the latest times are right."""
    return max((piece.start_ns for piece in segments if piece.start_ns is not None), default=0)


def _place_segment(builders: list[_RunBuilder], segment: _Segment, counter: FrameCounter) -> None:
    """Add a segment to the count it belongs to, or begin a new count with it."""
    for count in reversed(builders):
        shift = _find_shift(count, segment, counter)
        if shift is not None:
            count.insert(segment, shift)
            return
    if not builders:
        builders.append(_RunBuilder(CountChange.RESET))
        builders[-1].insert(segment, 0)
        return
    latest = builders[-1]
    step = counter.classify_step(latest.frames_by_position[latest.last_position], segment.frames[0])
    if step.is_continuous:
        latest.append(segment, step)
        return
    step_back = counter.classify_step(segment.frames[-1], latest.frames_by_position[latest.first_position])
    if step_back.is_continuous and segment.ends_before(latest.frames_by_position[latest.first_position]):
        latest.prepend(segment, step_back)
        return
    builders.append(_RunBuilder(step.change))
    builders[-1].insert(segment, 0)


def _find_shift(builder: _RunBuilder, segment: _Segment, counter: FrameCounter) -> int | None:
    """Return the shift of positions with which the segment fills a gap of the count; None if it fits none.

    A segment with another clock also fits before the first frame: there only its numbers decide.
    """
    turn = (builder.last_position - 1) // counter.max_position
    for cycle in (turn, turn - 1, turn + 1):
        shift = cycle * counter.max_position
        first, last = segment.positions[0] + shift, segment.positions[-1] + shift
        if last > builder.last_position or not builder.has_room_for(segment, shift):
            continue
        before, after = builder.get_neighbours(first)
        if before is None:
            near = after is not None and counter.classify_step(segment.frames[-1], after).is_continuous
            if segment.has_other_clock and near and not segment.is_after_power_loss:
                return shift
            continue
        if segment.has_other_clock or _is_in_time_order(before, segment, after):
            return shift
    return None


def _is_in_time_order(before: Frame, segment: _Segment, after: Frame | None) -> bool:
    begins, ends = segment.start_ns, segment.end_ns
    if begins is None or ends is None:
        return True
    early = before.capture_time_ns is not None and begins < before.capture_time_ns - _CLOCK_TOLERANCE_NS
    late = (
        after is not None
        and after.capture_time_ns is not None
        and ends > after.capture_time_ns + _CLOCK_TOLERANCE_NS
    )
    return not early and not late
