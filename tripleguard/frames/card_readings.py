"""Decide which readings were of the same card, and how a body used its two slots.

A card has no name that can be trusted: cameras name all of theirs alike. Only the contents tell two cards apart.
The same files again may be the same card again or its mirror in the other slot, so the number of cards has only a
lower bound (cards with different files) and an upper bound (readings).
"""

from __future__ import annotations

import enum
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

from tripleguard.frames.frame import CardFile, Frame

_SAME_CARD_SHARE = 0.5
"""Share of the smaller reading's files that must be in the other reading for both to be of one card."""


_SPLIT_DIVISOR = 2
"""At least one in this many raws or JPEGs, whichever are fewer, has its other half on another card."""


class SlotUsage(enum.StrEnum):
    """How a body filled its cards, inferred from what the cards share."""

    SEQUENTIAL = "one after another"
    RAW_AND_JPEG_SPLIT = "raws on one card, JPEGs on another"
    MIRRORED = "the same frames on two cards, or one card read twice"


@dataclass(frozen=True, slots=True)
class CardReadings:
    """Which readings were of the same card.

    Attributes:
        card_by_reading: for each reading the first reading of its card. Negative numbers are folders, not cards.
    """

    card_by_reading: Mapping[int, int]

    @property
    def card_count(self) -> int:
        """Cards with different files."""
        return len({card for card in self.card_by_reading.values() if card >= 0})

    @property
    def reading_count(self) -> int:
        return sum(reading >= 0 for reading in self.card_by_reading)

    def get_cards(self, readings: Iterable[int]) -> frozenset[int]:
        """Return the cards that these readings belong to."""
        return frozenset(self.card_by_reading.get(reading, reading) for reading in readings)


def identify_cards(card_files: Iterable[CardFile]) -> CardReadings:
    """Group readings into cards by all originals that they found."""
    files: dict[int, set[int]] = defaultdict(set)
    for part in card_files:
        files[part.reading].add(part.content_id)
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
        if count >= _SAME_CARD_SHARE * min(len(files[one]), len(files[other])):
            first, second = sorted((card[one], card[other]))
            card = {reading: first if known == second else known for reading, known in card.items()}
    return CardReadings(card)


def detect_slot_usage(frames: Iterable[Frame], cards: CardReadings, *, was_split: bool = False) -> SlotUsage:
    """Return how the body that took these frames used its slots, by what most frames show.

    Frames that have both a raw and a JPEG show whether the two are split; of the others, one half may be missing.
    If such frames are few, another slot usage is more likely.

    Args:
        frames: the frames of one body.
        cards: the cards they were read from.
        was_split: the body split them in the previous session, which decides if no frame has both and only one of
            the two kinds exists.
    """
    split = both = twice = all_ = with_raw = with_picture = 0
    for frame in frames:
        all_ += 1
        with_raw += bool(frame.raw_readings)
        with_picture += bool(frame.picture_readings)
        raws, pictures = cards.get_cards(frame.raw_readings), cards.get_cards(frame.picture_readings)
        both += bool(raws and pictures)
        split += bool(raws and pictures and not raws & pictures)
        twice += len(frame.raw_readings) > 1 or len(frame.other_readings) > 1
    if 2 * split > both and _SPLIT_DIVISOR * split >= min(with_raw, with_picture):
        return SlotUsage.RAW_AND_JPEG_SPLIT
    if was_split and not both and bool(with_raw) != bool(with_picture):
        return SlotUsage.RAW_AND_JPEG_SPLIT
    return SlotUsage.MIRRORED if 2 * twice > all_ else SlotUsage.SEQUENTIAL
