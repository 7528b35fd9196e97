"""One night of all bodies: what was seen, and what is not there to be seen.

The numbers of a body show a card that is missing in the middle, or at the beginning if the body's last number is
known. They can't show the last card: for that somebody has to say how many there were, or another body has to have
gone on after this one's last frame. A body that writes no serial has no numbers that could be compared from card
to card: two of its kind would be taken for one.

All of it is worked out anew each time from what the cards held, so it makes no difference in which order cards are
offloaded, how often, or with what interruptions.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain

from tripleguard.cameras.counter import Moved
from tripleguard.cameras.doubts import Doubt, doubt_about, follows_others
from tripleguard.cameras.frames import Frame, Part
from tripleguard.cameras.holes import Verdict, Where
from tripleguard.cameras.pauses import asked_once, pauses
from tripleguard.cameras.readings import Cards, Slots, cards_of
from tripleguard.cameras.rows import Known, Row, rows_of


@dataclass(frozen=True, slots=True)
class BodyNight:
    """One body's night. rows: first and last name of each unbroken count, and how it came to be."""

    body: int
    label: str
    frames: int
    cards: int
    slots: Slots
    rows: tuple[tuple[str, str, Moved | None], ...]
    alone: bool
    first: Frame
    last: Frame
    deleted: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class Night:
    """What the numbers say. cards: with files of their own; readings: also those that held the same again."""

    cards: int
    readings: int
    told: int | None
    bodies: tuple[BodyNight, ...]
    doubts: tuple[Doubt, ...]

    @property
    def complete(self) -> bool:
        """Whether as many cards were seen as somebody said there were."""
        return self.told is not None and self.cards >= self.told


def look_at_night(
    parts: Sequence[Part], others: Sequence[Part], bodies: Mapping[int, Known], told: int | None
) -> Night:
    """What the numbers of one night say.

    parts: all originals of the night. others: what else its cards held. told: how many cards there were, if
    somebody said so.
    """
    cards = cards_of(chain(parts, others))
    seen = Cards({reading: cards.card[reading] for reading in {part.reading for part in parts}})
    complete = told is not None and seen.different >= told
    rows = [row for body, known in bodies.items() for row in rows_of(body, known, parts, cards)]
    doubts = [
        doubt
        for row in rows
        for hole in row.holes
        if (doubt := doubt_about(hole, row, cards, complete=complete)) is not None
        and not follows_others(hole, row, parts, others, cards)
    ]
    if not complete:
        doubts += asked_once(pauses(rows))
    if told is not None and told > seen.different:
        sure = Verdict.MISSING if told > seen.readings else Verdict.LOOK
        doubts.append(Doubt(Where.COUNT, sure, None, "", told - seen.different))
    nights = tuple(_told(row, cards) for row in rows)
    return Night(seen.different, seen.readings, told, nights, tuple(doubts))


def _told(row: Row, cards: Cards) -> BodyNight:
    return BodyNight(
        body=row.body,
        label=row.known.label,
        frames=row.frames,
        cards=len({card for run in row.runs for frame in run.frames for card in cards.of(frame.readings)}),
        slots=row.slots,
        rows=tuple((_name(run.frames[0]), _name(run.frames[-1]), run.began) for run in row.runs),
        alone=row.known.alone,
        first=row.first,
        last=row.last,
        deleted=row.deleted,
    )


def _name(frame: Frame) -> str:
    return f"{frame.letters}{frame.number:04d}"
