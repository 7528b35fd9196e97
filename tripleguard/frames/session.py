"""One session of all bodies: what was read, and what may be missing.

The numbers of a body show a card that is missing in the middle, or at the beginning if the body's last number is
known. They can't show the last card: for that somebody has to say how many there were, or another body has to have
gone on after this one's last frame. A body that writes no serial has no numbers that could be compared from card
to card: two of its kind would be taken for one.

Everything is computed anew each time from what the cards held, so it makes no difference in which order cards are
offloaded, how often, or with what interruptions.
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
    """One body's night. rows: first and last name of each unbroken count, and how it came to be."""

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
    """What the numbers say. cards: with files of their own; readings: also those that held the same again."""

    card_count: int
    reading_count: int
    expected_cards: int | None
    bodies: tuple[BodySession, ...]
    gaps: tuple[Gap, ...]

    @property
    def is_complete(self) -> bool:
        """Whether as many cards were seen as somebody said there were."""
        return self.expected_cards is not None and self.card_count >= self.expected_cards


def assess_session(
    files: Sequence[CardFile],
    other_files: Sequence[CardFile],
    bodies: Mapping[int, BodyHistory],
    expected_cards: int | None,
) -> ShootingSession:
    """What the numbers of one night say.

    parts: all originals of the night. others: what else its cards held. told: how many cards there were, if
    somebody said so.
    """
    cards = identify_cards(chain(files, other_files))
    seen = CardReadings({reading: cards.card_by_reading[reading] for reading in {part.reading for part in files}})
    complete = expected_cards is not None and seen.card_count >= expected_cards
    rows = [row for body, known in bodies.items() for row in build_timelines(body, known, files, cards)]
    doubts = [
        doubt
        for row in rows
        for hole in row.gaps
        if (doubt := assess_number_gap(hole, row, cards, is_complete=complete)) is not None
        and not is_continued_from_others(hole, row, files, other_files, cards)
    ]
    if not complete:
        doubts += keep_longest_end(find_idle_times(rows))
    if expected_cards is not None and expected_cards > seen.card_count:
        sure = GapVerdict.MISSING if expected_cards > seen.reading_count else GapVerdict.CHECK
        doubts.append(Gap(GapLocation.CARD_COUNT, sure, None, "", expected_cards - seen.card_count))
    nights = tuple(_summarize_body(row, cards) for row in rows)
    return ShootingSession(seen.card_count, seen.reading_count, expected_cards, nights, tuple(doubts))


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
