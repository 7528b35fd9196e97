"""The record of a clearance: in the catalog always; for a yes also as a plain text beside each shoot."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from tripleguard import checklist
from tripleguard.answers import Clearance
from tripleguard.catalog import shoots
from tripleguard.catalog.journal import add_clearance, add_event
from tripleguard.clock import SECOND, iso_utc, stamp_utc
from tripleguard.errors import CopyTrouble
from tripleguard.model import Entry, EventType, Outcome
from tripleguard.names import shown
from tripleguard.places.own import RECORD_PREFIX
from tripleguard.work.kit import Kit, OpenDrive, agent
from tripleguard.work.leaving import folder_of


@dataclass(slots=True)
class Covered:
    """The card files that a clearance covers, by shoot. Compact: a card can hold fifty thousand."""

    by_shoot: dict[int, list[tuple[str, bytes]]] = field(default_factory=dict)

    def add(self, shoot_id: int, entry: Entry, digest: bytes) -> None:
        self.by_shoot.setdefault(shoot_id, []).append((entry.path, digest))


def keep_record(kit: Kit, clearance: Clearance, covered: Covered, drives: Sequence[OpenDrive]) -> tuple[str, ...]:
    """Keep the answer; returns where on the drives it was written. A drive that can't take it is passed over."""
    with kit.catalog.writing():
        add_clearance(kit.catalog, clearance, "card", agent())
        word = "may be reformatted" if clearance.answer else "must not be reformatted"
        spoken_of: list[int | None] = [*covered.by_shoot] or [None]
        for shoot_id in spoken_of:
            add_event(
                kit.catalog,
                EventType.CLEARANCE,
                Outcome.SUCCESS if clearance.answer else Outcome.FAILURE,
                f"card {shown(clearance.subject)} {word}: "
                f"{clearance.covered:,} of {clearance.files:,} files covered",
                clearance.at,
                shoot_id=shoot_id,
            )
    if not clearance.answer:
        return ()
    written: list[str] = []
    for shoot_id, files in covered.by_shoot.items():
        shoot = shoots.shoot_with_id(kit.catalog, shoot_id)
        for drive in drives:
            try:
                path = _free_path(drive, folder_of(kit, drive, shoot), clearance.at)
                drive.place.write_own(path, _text(clearance, drives, files))
            except CopyTrouble:
                continue
            written.append(f"{drive.record.name}: {path}")
    return tuple(written)


def _free_path(drive: OpenDrive, folder: str, at: int) -> str:
    """Where the record goes; one of the same second is never replaced. Raises PlaceFailed."""
    while drive.place.taken(path := f"{folder}/{RECORD_PREFIX}{stamp_utc(at)}.txt"):
        at += SECOND
    return path


def _text(
    clearance: Clearance, drives: Sequence[OpenDrive], files: Sequence[tuple[str, bytes]]
) -> Iterator[bytes]:
    names = ", ".join(f"{drive.record.name} ({drive.record.uid})" for drive in drives)
    yield (
        f"Clearance: this card may be reformatted.\n"
        f"card       {shown(clearance.subject)}\n"
        f"when       {iso_utc(clearance.at)}\n"
        f"who        {agent()}\n"
        f"files      {clearance.covered:,} of {clearance.files:,}, {clearance.total_bytes:,} bytes\n"
        f"drives     {names}\n"
        f"list       BLAKE3 {clearance.list_digest.hex()}\n"
        f"{''.join(f'damaged    {note.message}' + chr(10) for note in clearance.notes if note.kind in _KEPT)}"
        f"{''.join(f'numbers    {one.message}' + chr(10) for one in clearance.numbers)}"
        f"\nFiles of this shoot as they were on the card:\n"
    ).encode()
    yield checklist.written(files)


# Notes that whoever reads a record years later must not miss.
_KEPT = frozenset({"damage accepted"})
