"""Shows that nobody played: bodies that count, cards that fill up, people who delete, clocks that err. Seeded.

A show is made as the cards would hold it: what the numbers of a night are worked out from. Nothing here knows how
that is done. What is made of trade facts (frames of a show, bodies, cards) is common practice, no source; how much
people delete in the camera is an assumption of ours, and stands in docs/frame-numbers.md.
"""

from __future__ import annotations

import random
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from tripleguard.clock import SECOND
from tripleguard.frames.frame import CardFile, Frame

BEGINS = int(datetime(2026, 6, 13, 20, 30, tzinfo=UTC).timestamp()) * SECOND
FACTORY = int(datetime(2016, 1, 1, tzinfo=UTC).timestamp()) * SECOND
MINUTE = 60 * SECOND


@dataclass(frozen=True)
class Plan:
    """What happens at a show. Shares are 0 to 1.

    deleted: share of frames deleted in the camera, in holes of 1 to 10; culls: further holes of 10 to 60. room: on
    every fourth card the last 10 to 30 frames are deleted to make room. tested: up to so many frames are shot
    before the show and formatted away. spare: the first body breaks and a third one takes over. reset: a count is
    set back at a card change. clock: a clock is wrong from some frame on: by `hours`, or by `years`. slots:
    `overflow`, `mirrored` or `split`. per_card: the count starts at 0001 on each card. songs: so many whole songs
    of 80 to 199 frames are deleted in the camera. early: the first body is put down up to so many minutes before
    the end. one_jpeg_card: with `split`, the JPEGs of a body fit on one card.
    """

    frames: int = 4500
    minutes: int = 180
    cards: int = 3
    bodies: int = 2
    deleted: float = 0.03
    culls: int = 0
    room: bool = False
    tested: int = 0
    spare: bool = False
    reset: bool = False
    clock: str = ""
    slots: str = "overflow"
    per_card: bool = False
    songs: int = 0
    early: int = 0
    one_jpeg_card: bool = False


@dataclass
class Shot:
    """One press of the shutter: the true moment, and what the camera wrote."""

    number: int
    folder: int
    taken: int


@dataclass
class CardMade:
    """One card as it came out of a body."""

    body: int
    shots: list[Shot]
    parts: list[CardFile]


@dataclass
class Show:
    """All cards of a night, in the order they were shot, and each body's last frame of the night before."""

    cards: list[CardMade] = field(default_factory=list)
    before: dict[int, Frame] = field(default_factory=dict)

    def parts(self, without: CardMade | None = None) -> list[CardFile]:
        return [part for card in self.cards if card is not without for part in card.parts]

    def of(self, body: int) -> list[CardMade]:
        return [card for card in self.cards if card.body == body]


def show_of(seed: int, plan: Plan) -> Show:
    """One show. The same seed makes the same one."""
    chance = random.Random(seed)
    show, reading = Show(), 0
    shares = [chance.uniform(0.8, 1.2) for _ in range(plan.bodies)]
    for body in range(plan.bodies):
        count = round(plan.frames * shares[body] / sum(shares))
        end = plan.minutes - (chance.randint(0, plan.early) if plan.early and body == 0 else 0)
        moments = _moments(chance, count, 0, end)
        rows = [(body, moments)]
        if plan.spare and body == 0:
            broken = chance.randint(count // 3, 2 * count // 3)
            rows = [(body, moments[:broken]), (plan.bodies, moments[broken:])]
        for number, times in rows:
            cards = max(1, round(plan.cards * len(times) / max(count, 1)))
            shots, before = _numbered(chance, times, cards, plan)
            show.before[number] = before
            for row in shots:
                kept = _after_deleting(chance, row, plan)
                for parts in _on_cards(number, kept, reading, plan):
                    show.cards.append(CardMade(number, kept, parts))
                    reading += 1
            if plan.one_jpeg_card:
                _put_jpegs_on_one(show, number)
    if plan.clock:
        _err(chance, show, plan.clock)
    return show


def _moments(chance: random.Random, count: int, first: int, last: int) -> list[int]:
    """Bursts of 1 to 12 at 5 to 12 a second, in songs with pauses between. Minutes in, ns out."""
    moments: list[int] = []
    while len(moments) < count:
        at = BEGINS + round(chance.uniform(first, last) * MINUTE)
        pace = SECOND // chance.randint(5, 12)
        moments += [at + shot * pace for shot in range(min(chance.randint(1, 12), count - len(moments)))]
    return sorted(moments)


def _numbered(
    chance: random.Random, moments: Sequence[int], cards: int, plan: Plan
) -> tuple[list[list[Shot]], Frame]:
    """Shots by card, and the body's last frame of the night before."""
    number, folder = chance.randint(1, 9999), chance.randint(100, 140)
    before = Frame(number, folder, "ORR_", BEGINS - 20 * 60 * MINUTE, 120)
    number += chance.randint(1, plan.tested) if plan.tested else 0
    borders = [round(len(moments) * (card + chance.uniform(-0.15, 0.15)) / cards) for card in range(1, cards)]
    set_back = chance.choice(borders) if plan.reset and borders else None
    rows: list[list[Shot]] = [[]]
    for at, moment in enumerate(moments):
        if at in borders and rows[-1]:
            rows.append([])
        if at == set_back or (plan.per_card and not rows[-1]):
            number, folder = 0, 100
        number += 1
        if number > 9999:
            number, folder = number - 9999, folder + 1
        rows[-1].append(Shot(number, folder, moment))
    return rows, before


def _after_deleting(chance: random.Random, shots: list[Shot], plan: Plan) -> list[Shot]:
    """What is left of a card's shots."""
    gone: set[int] = set()
    while len(gone) < plan.deleted * len(shots):
        start = chance.randrange(len(shots))
        gone.update(range(start, min(len(shots), start + min(10, 1 + int(chance.expovariate(0.5))))))
    for _ in range(plan.culls):
        if chance.random() < len(shots) / plan.frames:
            start = chance.randrange(len(shots))
            gone.update(range(start, min(len(shots), start + chance.randint(10, 60))))
    for _ in range(plan.songs):
        if chance.random() < len(shots) / plan.frames:
            start = chance.randrange(len(shots))
            gone.update(range(start, min(len(shots), start + chance.randint(80, 199))))
    if plan.room and chance.random() < 0.25:
        gone.update(range(len(shots) - chance.randint(10, 30), len(shots)))
    left = [shot for at, shot in enumerate(shots) if at not in gone]
    return left or shots[:1]


def _on_cards(body: int, shots: Sequence[Shot], reading: int, plan: Plan) -> list[list[CardFile]]:
    """The parts of one filling, on one card or on the two in both slots."""

    def part(card: int, shot: Shot, end: str, content: int) -> CardFile:
        path = f"DCIM/{shot.folder}ORREY/ORR_{shot.number:04d}.{end}"
        return CardFile(card, path, content, body, shot.taken, 120)

    base = reading * 100_000
    raws = [part(reading, shot, "DNG", base + at) for at, shot in enumerate(shots)]
    if plan.slots == "mirrored":
        return [raws, [replace(one, reading=reading + 1) for one in raws]]
    if plan.slots == "split":
        return [raws, [part(reading + 1, shot, "JPG", base + 50_000 + at) for at, shot in enumerate(shots)]]
    return [raws]


def _put_jpegs_on_one(show: Show, body: int) -> None:
    """The JPEG cards of a body become one, as a large card in the second slot holds them all."""
    small = [card for card in show.of(body) if card.parts[0].path.endswith("JPG")]
    reading = small[0].parts[0].reading
    parts = [replace(part, reading=reading) for card in small for part in card.parts]
    shots = [shot for card in small for shot in card.shots]
    show.cards = [card for card in show.cards if card not in small]
    show.cards.append(CardMade(body, shots, parts))


def _err(chance: random.Random, show: Show, how: str) -> None:
    """From some frame of the first body on, its clock is wrong."""
    cards = show.of(0)
    parts = [part for card in cards for part in card.parts]
    from_ = chance.choice([part.capture_time_ns or 0 for part in parts])
    first = min(part.capture_time_ns or 0 for part in parts)
    by = FACTORY - from_ if how == "years" else chance.choice((-1, 1, -2, 2)) * 60 * MINUTE
    assert first
    for card in cards:
        card.parts = [
            replace(part, capture_time_ns=(part.capture_time_ns or 0) + by)
            if (part.capture_time_ns or 0) >= from_
            else part
            for part in card.parts
        ]
