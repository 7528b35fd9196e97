"""Bringing in what another program put into a folder: copied to the drives like what is on a card.

Only files that have settled are taken; the folder is only read. Nobody reformats a folder, so no question is
answered at the end.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tripleguard.catalog.numbers import read_from_folder
from tripleguard.errors import TripleguardError
from tripleguard.model import Entry, PlaceRecord
from tripleguard.places.card import Card, Listed, open_card
from tripleguard.places.held import HeldFolder
from tripleguard.work.cards.offload import CardNote, CardRun
from tripleguard.work.clearance.observation import CardObservation
from tripleguard.work.kit import Kit, OpenDrive
from tripleguard.work.progress import Job, Moved, Said


@dataclass(frozen=True, slots=True)
class BroughtIn:
    """What was brought in. files: of the folder that were wanted; copied: files that a drive got now."""

    files: int
    copied: int
    not_copied: tuple[CardNote, ...]
    troubles: tuple[TripleguardError, ...]
    seconds: float


class SettledFolder(Card):
    """A folder of which only the wanted files are seen, as long as they are as they were wanted."""

    counted = False

    def __init__(self, folder: HeldFolder, wanted: Mapping[str, Entry]) -> None:
        super().__init__(folder)
        self._wanted = wanted

    def listed(self) -> Iterator[Listed]:
        for item in super().listed():
            if isinstance(item, Entry) and self._wanted.get(item.path) == item:
                yield item


def open_folder(root: Path, drives: list[Path], wanted: Mapping[str, Entry]) -> SettledFolder:
    """The folder at root; drives: where the drives are. Raises WrongUse, PlaceTrouble, OSError."""
    open_card(root, drives).close()
    return SettledFolder(HeldFolder(root, quiet=True), wanted)


def bring_in(
    kit: Kit,
    folder: SettledFolder,
    drives: Sequence[OpenDrive],
    refused: Sequence[tuple[PlaceRecord, TripleguardError]] = (),
) -> Job[BroughtIn]:
    """Copy what is wanted of the folder to the open and locked drives. Raises as `offload` does."""
    began = time.monotonic()
    yield Moved("listing the folder", 0, 0, 0, 0, 0.0, None)
    with contextlib.closing(CardObservation(folder)) as observation:
        run = CardRun(kit, observation, drives, None)
        with kit.catalog.writing():
            read_from_folder(kit.catalog, run.job_id)
        for record, error in refused:
            run.troubles.append(error)
            yield Said(f"Drive {record.name} is left out: {error.what}")
        yield from run.run()
    return BroughtIn(
        files=run.totals.files,
        copied=len(run.copied),
        not_copied=run.not_copied(),
        troubles=tuple(run.troubles),
        seconds=round(time.monotonic() - began, 3),
    )
