"""Copies that were read back, maybe from memory: how many there are, which can be proved now, and what to do.

One definition serves the report, the top-up, the rescan and both clearances: a copy counts if its last reading
reached the device (`Medium.reached_device`, `rules.standing`), and reading it again helps if that would
(`rules.reading_helps`).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tripleguard.catalog import due
from tripleguard.catalog.store import Catalog
from tripleguard.model import Copy, PlaceRecord
from tripleguard.places.insertion import insertion_of
from tripleguard.places.media import depth_of
from tripleguard.wording import counted
from tripleguard.work.kit import Kit, OpenDrive

_WINDOW = 1_000


@dataclass(frozen=True, slots=True)
class FromMemory:
    """A drive with copies whose evidence may rest on memory. provable: reading them now would prove them."""

    record: PlaceRecord
    copies: int
    provable: bool
    here: bool

    @property
    def message(self) -> str:
        """What is the matter, without a full stop."""
        were = "was" if self.copies == 1 else "were"
        return (
            f"{counted(self.copies, 'copy', 'copies')} on drive {self.record.name} {were} read back, maybe from "
            "memory and not from the drive"
        )

    @property
    def next_step(self) -> str:
        """What helps, without a full stop."""
        name, read = self.record.name, f"run `rescan --place {self.record.name}`"
        if not self.here:
            return f"Connect drive {name} and {read}"
        if self.provable:
            return read[:1].upper() + read[1:]
        again = f"Unplug drive {name}, plug it in again, then {read}"
        return f"{again}; if it stays so, see accept_cached in the settings"


def from_memory(kit: Kit, record: PlaceRecord, root: Path | None) -> FromMemory | None:
    """What of a drive rests on memory; None if nothing does, or the settings count it. root: None: it is away."""
    copies = 0 if kit.settings.rule.accept_cached else due.cached_copies(kit.catalog, record.id)
    if not copies:
        return None
    provable = root is not None and _is_any(
        kit.catalog, record.id, reaches=depth_of(root).medium.reached_device, insertion=insertion_of(root)
    )
    return FromMemory(record, copies, provable, here=root is not None)


def to_prove(catalog: Catalog, drive: OpenDrive, shared_with: int | None = None) -> Iterator[Copy]:
    """The copies on an open drive that a reading would prove now. shared_with: as in `due.due_copies`."""
    reaches, insertion = drive.place.depth.medium.reached_device, drive.record.insertion
    if not reaches and insertion is None:
        return
    after = 0
    while window := due.provable_copies(
        catalog, drive.record.id, None if reaches else insertion, after, _WINDOW, shared_with
    ):
        yield from window
        after = window[-1].id


def _is_any(catalog: Catalog, place_id: int, *, reaches: bool, insertion: str | None) -> bool:
    if not reaches and insertion is None:
        return False
    return bool(due.provable_copies(catalog, place_id, None if reaches else insertion, 0, 1))
