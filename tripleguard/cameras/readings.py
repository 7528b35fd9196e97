"""Which readings were of one card, and how a body used its two slots.

A card carries no name that can be trusted: cameras call all of theirs alike. What tells two cards apart is what
lies on them. The same files again are the same card again, or its mirror in the other slot: nobody can tell which,
so the number of cards is known only from below (cards with other files) and from above (readings).
"""

from __future__ import annotations

import enum
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

from tripleguard.cameras.frames import Frame, Part

_SHARED = 0.5
"""Of the smaller reading's files, what has to lie on the other one too for both to be of one card."""


_SPLIT_AT_LEAST = 2
"""One of so many of the raws or of the JPEGs, whichever are fewer, has its other half on another card."""


class Slots(enum.StrEnum):
    """How a body filled its cards, learnt from what the cards share."""

    ONE_AFTER_ANOTHER = "one after another"
    SPLIT = "raws on one card, JPEGs on another"
    TWICE = "the same frames on two cards, or one card read twice"


@dataclass(frozen=True, slots=True)
class Cards:
    """What was read. card: by reading, the first reading of the same card. Below 0: a folder, which is no card."""

    card: Mapping[int, int]

    @property
    def different(self) -> int:
        """Cards with files of their own."""
        return len({card for card in self.card.values() if card >= 0})

    @property
    def readings(self) -> int:
        return sum(reading >= 0 for reading in self.card)

    def of(self, readings: Iterable[int]) -> frozenset[int]:
        """The cards that these readings were of."""
        return frozenset(self.card.get(reading, reading) for reading in readings)


def cards_of(parts: Iterable[Part]) -> Cards:
    """Which readings were of one card, from all originals that they found."""
    files: dict[int, set[int]] = defaultdict(set)
    for part in parts:
        files[part.reading].add(part.content)
    from_card = sorted(reading for reading in files if reading >= 0)
    readers: dict[int, list[int]] = defaultdict(list)
    for reading in from_card:
        for content in files[reading]:
            readers[content].append(reading)
    shared: Counter[tuple[int, int]] = Counter()
    for found_by in readers.values():
        shared.update(pairwise(found_by))
    card = {reading: reading for reading in sorted(files)}
    for (one, other), count in sorted(shared.items()):
        if count >= _SHARED * min(len(files[one]), len(files[other])):
            first, second = sorted((card[one], card[other]))
            card = {reading: first if known == second else known for reading, known in card.items()}
    return Cards(card)


def slots_of(frames: Iterable[Frame], cards: Cards, *, was_split: bool = False) -> Slots:
    """How the body that took these frames used its slots: what most of its frames show.

    Whether raws and JPEGs are split, the frames with both show: of the others, one may be missing. Where they are
    few, another way of shooting is likelier. was_split: it split them the night before, which counts where no
    frame has both and there is but one of the two.
    """
    split = both = twice = all_ = with_raw = with_picture = 0
    for frame in frames:
        all_ += 1
        with_raw += bool(frame.raws)
        with_picture += bool(frame.pictures)
        raws, pictures = cards.of(frame.raws), cards.of(frame.pictures)
        both += bool(raws and pictures)
        split += bool(raws and pictures and not raws & pictures)
        twice += len(frame.raws) > 1 or len(frame.others) > 1
    if 2 * split > both and _SPLIT_AT_LEAST * split >= min(with_raw, with_picture):
        return Slots.SPLIT
    if was_split and not both and bool(with_raw) != bool(with_picture):
        return Slots.SPLIT
    return Slots.TWICE if 2 * twice > all_ else Slots.ONE_AFTER_ANOTHER
