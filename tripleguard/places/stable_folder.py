"""A folder that another program writes to, read like a card: only its stable files are listed."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

from tripleguard.model import Entry
from tripleguard.places.base import CardItem
from tripleguard.places.card import Card, open_source_folder
from tripleguard.places.dir_handle import DirHandle


class StableFolder(Card):
    """A folder that lists only the expected files, as long as they are unchanged."""

    is_physical_card = False

    def __init__(self, folder: DirHandle, expected: Mapping[str, Entry]) -> None:
        super().__init__(folder)
        self._expected = expected

    def entries(self) -> Iterator[CardItem]:
        for item in super().entries():
            if isinstance(item, Entry) and self._expected.get(item.path) == item:
                yield item


def open_stable_folder(root: Path, drives: Sequence[Path], expected: Mapping[str, Entry]) -> StableFolder:
    """Open the folder at root; drives: the drives' roots. Raises UsageError, PlaceError, OSError."""
    return StableFolder(open_source_folder(root, drives), expected)
