"""Find copies whose last reading may have come from a cache, and which can be verified now.

One definition serves the report, the topup, the rescan and both clearances: a copy counts if its last reading
reached the device (`Medium.is_from_device`, `rules`), and reading it again helps if that reading would.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tripleguard.catalog import due_copies
from tripleguard.catalog.store import Catalog
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import OpenDrive
from tripleguard.model import Copy, PlaceRecord
from tripleguard.wording import pluralize

_PAGE_SIZE = 1_000


@dataclass(frozen=True, slots=True)
class CachedCopies:
    """A drive with copies read from a cache at best. is_verifiable: reading them now would verify them."""

    record: PlaceRecord
    copies: int
    is_verifiable: bool
    is_connected: bool

    @property
    def message(self) -> str:
        """Return what is wrong, without a full stop."""
        were = "was" if self.copies == 1 else "were"
        return (
            f"{pluralize(self.copies, 'copy', 'copies')} on drive {self.record.name} {were} read back, maybe from "
            "memory and not from the drive"
        )

    @property
    def next_step(self) -> str:
        """Return what helps, without a full stop."""
        name, read = self.record.name, f"run `rescan --place {self.record.name}`"
        if not self.is_connected:
            return f"Connect drive {name} and {read}"
        if self.is_verifiable:
            return read[:1].upper() + read[1:]
        again = f"Unplug drive {name}, plug it in again, then {read}"
        return f"{again}; if it stays so, see accept_cached in the settings"


def find_cached_copies(ctx: JobContext, record: PlaceRecord, root: Path | None) -> CachedCopies | None:
    """Return a drive's copies read from a cache at best; None if there are none or the settings count them.

    root: where it is mounted; None if it is absent.
    """
    copies = 0 if ctx.settings.rule.accept_cached else due_copies.count_cached_copies(ctx.catalog, record.id)
    if not copies:
        return None
    provable = False
    if root is not None:
        medium, insertion = ctx.places.read_evidence_reach(root)
        provable = _has_verifiable(
            ctx.catalog, record.id, reaches_device=medium.is_from_device, insertion=insertion
        )
    return CachedCopies(record, copies, provable, is_connected=root is not None)


def iter_verifiable_copies(catalog: Catalog, drive: OpenDrive, shared_with: int | None = None) -> Iterator[Copy]:
    """Yield the copies that a reading would verify now. shared_with: as in `due_copies.list_due_copies`."""
    reaches, insertion = drive.place.best_medium.is_from_device, drive.record.insertion
    if not reaches and insertion is None:
        return
    after = 0
    while window := due_copies.list_verifiable_copies(
        catalog, drive.record.id, None if reaches else insertion, after, _PAGE_SIZE, shared_with
    ):
        yield from window
        after = window[-1].id


def _has_verifiable(catalog: Catalog, place_id: int, *, reaches_device: bool, insertion: str | None) -> bool:
    if not reaches_device and insertion is None:
        return False
    return bool(due_copies.list_verifiable_copies(catalog, place_id, None if reaches_device else insertion, 0, 1))
