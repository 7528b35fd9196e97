"""One session of all bodies: what was read, and what may be missing.

The numbers of a body show a missing card in the middle, or at the start if the body's last number is known. They
can't show a missing last card: that takes a person who says how many cards there were, or another body that went
on after this one's last frame. A body that writes no serial has no numbers that can be compared between cards: two
bodies of its kind would be taken for one.

Everything is computed again each time from what the cards held, so the result does not depend on the order, number
or interruptions of offloads.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain

from tripleguard.frames.body_timeline import BodyHistory, BodyTimeline, build_timelines
from tripleguard.frames.card_readings import CardReadings, SlotUsage, identify_cards
from tripleguard.frames.counter import CountChange
from tripleguard.frames.frame import CardFile, Frame
from tripleguard.frames.gaps import (
    Gap,
    assess_number_gap,
    find_idle_times,
    is_continued_from_others,
    keep_longest_end,
)
from tripleguard.frames.number_gaps import GapLocation, GapVerdict


@dataclass(frozen=True, slots=True)
class BodySession:
    """One body's session. runs: first and last name of each unbroken count, and how that count started."""

    body_id: int
    label: str
    frame_count: int
    card_count: int
    slot_usage: SlotUsage
    runs: tuple[tuple[str, str, CountChange | None], ...]
    is_unidentified: bool
    first_frame: Frame
    last_frame: Frame
    deletion_sizes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ShootingSession:
    """What the numbers say. card_count: cards with different files. reading_count: includes repeated readings."""

    card_count: int
    reading_count: int
    expected_cards: int | None
    bodies: tuple[BodySession, ...]
    gaps: tuple[Gap, ...]

    @property
    def is_complete(self) -> bool:
        """Whether as many cards were read as a person said exist."""
        return self.expected_cards is not None and self.card_count >= self.expected_cards


def assess_session(
    files: Sequence[CardFile],
    other_files: Sequence[CardFile],
    bodies: Mapping[int, BodyHistory],
    expected_cards: int | None,
) -> ShootingSession:
    """Return what the numbers of one session say.

    Args:
        files: all originals of the session.
        other_files: other originals on its cards.
        bodies: what is known of each body, by id.
        expected_cards: how many cards there were, if a person said so.
    """
    cards = identify_cards(chain(files, other_files))
    seen = CardReadings({reading: cards.card_by_reading[reading] for reading in {part.reading for part in files}})
    is_complete = expected_cards is not None and seen.card_count >= expected_cards
    timelines = [
        timeline for body, known in bodies.items() for timeline in build_timelines(body, known, files, cards)
    ]
    gaps = [
        gap
        for timeline in timelines
        for number_gap in timeline.gaps
        if (gap := assess_number_gap(number_gap, timeline, cards, is_complete=is_complete)) is not None
        and not is_continued_from_others(number_gap, timeline, files, other_files, cards)
    ]
    if not is_complete:
        gaps += keep_longest_end(find_idle_times(timelines))
    if expected_cards is not None and expected_cards > seen.card_count:
        verdict = GapVerdict.MISSING if expected_cards > seen.reading_count else GapVerdict.CHECK
        gaps.append(Gap(GapLocation.CARD_COUNT, verdict, None, "", expected_cards - seen.card_count))
    body_sessions = tuple(_summarize_body(timeline, cards) for timeline in timelines)
    return ShootingSession(seen.card_count, seen.reading_count, expected_cards, body_sessions, tuple(gaps))


def _summarize_body(timeline: BodyTimeline, cards: CardReadings) -> BodySession:
    return BodySession(
        body_id=timeline.body_id,
        label=timeline.history.label,
        frame_count=timeline.frame_count,
        card_count=len(
            {card for run in timeline.runs for frame in run.frames for card in cards.get_cards(frame.readings)}
        ),
        slot_usage=timeline.slot_usage,
        runs=tuple(
            (_format_frame_name(run.frames[0]), _format_frame_name(run.frames[-1]), run.start_change)
            for run in timeline.runs
        ),
        is_unidentified=timeline.history.is_unidentified,
        first_frame=timeline.first_frame,
        last_frame=timeline.last_frame,
        deletion_sizes=timeline.deletion_sizes,
    )


def _format_frame_name(frame: Frame) -> str:
    return f"{frame.prefix}{frame.number:04d}"
