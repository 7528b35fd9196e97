"""Gaps that a person is asked about: frames or a card that may be missing, and idle times that point to one.

A gap says what is missing, where, and how sure that is. It is computed from what was read, so it disappears when
the card turns up; any other gap needs a person's explanation.

Numbers never show a missing last card, nor one that was shot while the count was reset. But two bodies shoot one
show: if one of them is idle for half an hour and the other is not, one more card may exist. That deserves a check
and no more, as people also put a camera down. The clocks of two bodies are compared by UTC if both write their
offset, else by local time. A clock that was moved during the session is followed (`runs.compute_shot_times`).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import chain

from tripleguard.clock import SECOND
from tripleguard.frames.body_timeline import BodyTimeline
from tripleguard.frames.card_readings import CardReadings
from tripleguard.frames.counter import CountChange
from tripleguard.frames.frame import CardFile, Frame, parse_frame_path
from tripleguard.frames.number_gaps import GapLocation, GapVerdict, NumberGap, judge_gap
from tripleguard.frames.runs import compute_shot_times

_MAX_CONTINUATION_GAP = 12


@dataclass(frozen=True, slots=True)
class Gap:
    """Something that may be missing. Names are camera names without extension; times are the camera's local time.

    Attributes:
        amount: frames; minutes if another body shows the gap, cards for `GapLocation.CARD_COUNT`.
        first_position, last_position: positions in the count.
        readings: those of the cards next to the gap.
        should_keep_cards: the frames may be on these very cards, unlisted, so the cards should not be reformatted.
    """

    location: GapLocation
    verdict: GapVerdict
    body_id: int | None
    label: str
    amount: int
    first_name: str = ""
    last_name: str = ""
    first_position: int = 0
    last_position: int = 0
    since_ns: int | None = None
    until_ns: int | None = None
    readings: frozenset[int] = frozenset()
    should_keep_cards: bool = False


def assess_number_gap(
    gap: NumberGap, timeline: BodyTimeline, cards: CardReadings, *, is_complete: bool
) -> Gap | None:
    """Return the gap to report, if any. is_complete: as many cards were read as a person said exist."""
    verdict = judge_gap(gap, timeline.get_habit(gap), timeline.usual_card_frames, timeline.get_deleted_share(gap))
    if verdict is None or (is_complete and gap.location is GapLocation.JPEGS_MISSING):
        return None
    if timeline.history.is_unidentified:
        # Two bodies that can't be told apart may have shared the card, which leaves a gap in each count.
        verdict = GapVerdict.CHECK
    is_next_to_card = gap.location is GapLocation.INSIDE_CARD or (
        is_complete and gap.location in (GapLocation.BETWEEN_CARDS, GapLocation.RAWS_MISSING)
    )
    return Gap(
        location=gap.location,
        verdict=verdict,
        body_id=timeline.body_id,
        label=timeline.history.label,
        amount=gap.frame_count,
        first_name=timeline.counter.format_name(gap.first_position, gap.frame_before or gap.frame_after),
        last_name=timeline.counter.format_name(gap.last_position, gap.frame_after),
        first_position=gap.first_position,
        last_position=gap.last_position,
        since_ns=gap.frame_before.capture_time_ns if gap.frame_before else None,
        until_ns=gap.frame_after.capture_time_ns,
        readings=frozenset(reading for reading, card in cards.card_by_reading.items() if card in gap.cards),
        should_keep_cards=is_next_to_card and verdict is GapVerdict.MISSING,
    )


def is_continued_from_others(
    gap: NumberGap,
    timeline: BodyTimeline,
    files: Iterable[CardFile],
    other_files: Iterable[CardFile],
    cards: CardReadings,
) -> bool:
    """Return whether the frame after a gap continues from higher numbers that were already on its card.

    A body that finds a higher number on a card than its own continues from that one (makers' manuals).

    Args:
        gap: the gap before the frame.
        timeline: the body's timeline.
        files: the files of the session.
        other_files: other files on its cards.
        cards: the cards of the readings.
    """
    if timeline.counter.has_folder_in_name:
        return False
    on, before, after = cards.get_cards(gap.frame_after.readings), gap.frame_before, gap.frame_after.number
    foreign = chain(other_files, (part for part in files if part.body_id != timeline.body_id))
    numbers = (
        named[1]
        for part in foreign
        if cards.card_by_reading[part.reading] in on and (named := parse_frame_path(part.path))
    )
    return any(
        (before.number if before else 0) < number < after <= number + _MAX_CONTINUATION_GAP for number in numbers
    )


MIN_IDLE_MINUTES = 30
"""Minutes that a body must be idle while another one shoots before a gap is reported."""

_MINUTE_NS = 60 * SECOND
_REPLACEMENT_WINDOW_NS = 20 * _MINUTE_NS
_MIN_FRAMES = 20


@dataclass(frozen=True, slots=True)
class _BodyTimes:
    """A timeline with the times of its frames, by run and all in order."""

    timeline: BodyTimeline
    run_times: Sequence[Sequence[int]]
    all_times: Sequence[int]

    def count_between(self, since: int, until: int) -> int:
        """Return how many frames the body took in that time."""
        return bisect_left(self.all_times, until) - bisect_left(self.all_times, since)


def find_idle_times(timelines: Sequence[BodyTimeline]) -> Iterator[Gap]:
    """Yield the idle times of bodies during which another body went on shooting."""
    by_offset = all(
        frame.utc_offset_min is not None for row in timelines for frame in (row.first_frame, row.last_frame)
    )
    timed = []
    for row in timelines:
        runs = compute_shot_times(row.runs, use_utc=by_offset)
        times = sorted(moment for run in runs for moment in run if moment)
        if times:
            timed.append(_BodyTimes(row, runs, times))
    for one in timed:
        others = [other for other in timed if other is not one]
        if not one.timeline.history.is_unidentified and one.timeline.frame_count >= _MIN_FRAMES:
            yield from _find_idle_end(one, others)
            yield from _find_idle_start(one, others)
            yield from _find_idle_during_reset(one, others)


def keep_longest_end(gaps: Iterable[Gap]) -> list[Gap]:
    """Return these gaps, but of the idle times at the end only the longest.

    One question about the last card is enough. It is ordinary that a body stops before the others; how many
    cards the session had is what a person can answer.
    """
    found = list(gaps)
    ends = sorted(
        (one for one in found if one.location is GapLocation.AFTER_BODY),
        key=lambda one: (-one.amount, one.body_id or 0),
    )
    return [one for one in found if one.location is not GapLocation.AFTER_BODY] + ends[:1]


def _find_idle_end(one: _BodyTimes, others: Sequence[_BodyTimes]) -> Iterator[Gap]:
    last = one.all_times[-1]
    until = max((other.all_times[-1] for other in others), default=last)
    replaced = any(abs(other.all_times[0] - last) <= _REPLACEMENT_WINDOW_NS for other in others)
    if not replaced:
        yield from _build_idle_gap(one, others, GapLocation.AFTER_BODY, last, until, one.timeline.last_frame)


def _find_idle_start(one: _BodyTimes, others: Sequence[_BodyTimes]) -> Iterator[Gap]:
    """Yield the idle time before a body's first frame, unless its count continues from the last known frame."""
    row, first = one.timeline, one.all_times[0]
    known = row.history.last_frame
    if known is not None and row.counter.classify_step(known, row.first_frame).is_continuous:
        return
    since = min((other.all_times[0] for other in others), default=first)
    replaces = any(abs(other.all_times[-1] - first) <= _REPLACEMENT_WINDOW_NS for other in others)
    if not replaces:
        yield from _build_idle_gap(one, others, GapLocation.BEFORE_BODY, since, first, row.first_frame)


def _find_idle_during_reset(one: _BodyTimes, others: Sequence[_BodyTimes]) -> Iterator[Gap]:
    for at in range(1, len(one.run_times)):
        if one.timeline.runs[at].start_change in (CountChange.RESET, CountChange.JUMPED):
            since, until = one.run_times[at - 1][-1], one.run_times[at][0]
            yield from _build_idle_gap(
                one, others, GapLocation.DURING_RESET, since, until, one.timeline.runs[at].frames[0]
            )


def _build_idle_gap(
    one: _BodyTimes, others: Sequence[_BodyTimes], location: GapLocation, since: int, until: int, frame: Frame
) -> Iterator[Gap]:
    minutes = (until - since) // _MINUTE_NS
    usual = one.timeline.history.habit.get_explained_size(location)
    if minutes < max(MIN_IDLE_MINUTES, usual + 10 if usual else 0):
        return
    if max((other.count_between(since, until) for other in others), default=0) < _MIN_FRAMES:
        return
    name, row = f"{frame.prefix}{frame.number:04d}", one.timeline
    at = row.counter.get_position(frame)
    begins, ends = (
        (frame.capture_time_ns, None) if location is GapLocation.AFTER_BODY else (None, frame.capture_time_ns)
    )
    yield Gap(
        location, GapVerdict.CHECK, row.body_id, row.history.label, minutes, name, name, at, at, begins, ends
    )
