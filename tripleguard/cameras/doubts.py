"""What a person is asked about: frames, or a card, that may be missing.

A doubt says what is missing, where, and how sure that is. It is worked out from what was seen, so it goes by
itself when the card turns up; what does not go needs a person's word.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import chain

from tripleguard.cameras.frames import Part, named_frame
from tripleguard.cameras.holes import Hole, Verdict, Where, verdict
from tripleguard.cameras.readings import Cards
from tripleguard.cameras.rows import Row

_FOLLOWS = 12


@dataclass(frozen=True, slots=True)
class Doubt:
    """Something that may be missing. Names are camera names without extension; times camera wall time, ns.

    frames: how many frames; minutes where another body tells, cards of `Where.COUNT`. first_at, last_at: places in
    the count. readings: those of the cards beside it. keeps: whether the frames may lie on these very cards,
    unlisted, so that these are better kept.
    """

    where: Where
    verdict: Verdict
    body: int | None
    label: str
    frames: int
    first: str = ""
    last: str = ""
    first_at: int = 0
    last_at: int = 0
    since: int | None = None
    until: int | None = None
    readings: frozenset[int] = frozenset()
    keeps: bool = False


def doubt_about(hole: Hole, row: Row, cards: Cards, *, complete: bool) -> Doubt | None:
    """The doubt that a hole raises, if any. complete: as many cards were seen as somebody said there were."""
    sure = verdict(hole, row.habit_beside(hole), row.usual_card, row.deleted_beside(hole))
    if sure is None or (complete and hole.where is Where.JPEGS):
        return None
    if row.known.alone:
        # Two bodies that can't be told apart may have shared the card: their counts have a hole between them.
        sure = Verdict.LOOK
    beside = hole.where is Where.INSIDE or (complete and hole.where in (Where.BETWEEN, Where.RAWS))
    return Doubt(
        where=hole.where,
        verdict=sure,
        body=row.body,
        label=row.known.label,
        frames=hole.frames,
        first=row.counter.name(hole.first, hole.before or hole.after),
        last=row.counter.name(hole.last, hole.after),
        first_at=hole.first,
        last_at=hole.last,
        since=hole.before.taken if hole.before else None,
        until=hole.after.taken,
        readings=frozenset(reading for reading, card in cards.card.items() if card in hole.cards),
        keeps=beside and sure is Verdict.MISSING,
    )


def follows_others(hole: Hole, row: Row, parts: Iterable[Part], others: Iterable[Part], cards: Cards) -> bool:
    """Whether the frame after a hole goes on from higher numbers that were on its card already.

    A body that finds a higher number on a card than its own goes on from that one (makers' manuals). parts: of the
    night; others: what else its cards held.
    """
    if row.counter.folder_in_name:
        return False
    on, before, after = cards.of(hole.after.readings), hole.before, hole.after.number
    foreign = chain(others, (part for part in parts if part.body != row.body))
    numbers = (
        named[1] for part in foreign if cards.card[part.reading] in on and (named := named_frame(part.path))
    )
    return any((before.number if before else 0) < number < after <= number + _FOLLOWS for number in numbers)
