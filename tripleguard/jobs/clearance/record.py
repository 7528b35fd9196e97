"""Keep the record of a clearance: in the catalog always; for a yes also as a text file beside each shoot."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from tripleguard import checklist
from tripleguard.catalog import shoots
from tripleguard.catalog.event_log import add_clearance, add_event
from tripleguard.clearance_answer import Clearance
from tripleguard.clock import SECOND, format_iso, format_stamp
from tripleguard.errors import CopyError
from tripleguard.jobs.context import JobContext, current_agent
from tripleguard.jobs.drive_records import shoot_folder_on
from tripleguard.jobs.drives import OpenDrive
from tripleguard.model import Entry, EventOutcome, EventType, PlaceState
from tripleguard.names import escape_text
from tripleguard.places.reserved import RECORD_PREFIX


@dataclass(slots=True)
class CoveredFiles:
    """The card files that a clearance covers, by shoot; compact, because a card can hold fifty thousand."""

    by_shoot: dict[int, list[tuple[str, bytes]]] = field(default_factory=dict)

    def add(self, shoot_id: int, entry: Entry, digest: bytes) -> None:
        self.by_shoot.setdefault(shoot_id, []).append((entry.path, digest))


def save_record(
    ctx: JobContext, clearance: Clearance, covered: CoveredFiles, drives: Sequence[OpenDrive]
) -> tuple[str, ...]:
    """Keep the answer and return where on the drives it was written; skip a drive that can't take it."""
    with ctx.catalog.transaction():
        add_clearance(ctx.catalog, clearance, "card", current_agent())
        word = "may be reformatted" if clearance.is_yes else "must not be reformatted"
        spoken_of: list[int | None] = [*covered.by_shoot] or [None]
        for shoot_id in spoken_of:
            add_event(
                ctx.catalog,
                EventType.CLEARANCE,
                EventOutcome.SUCCESS if clearance.is_yes else EventOutcome.FAILURE,
                f"card {escape_text(clearance.subject)} {word}: "
                f"{clearance.covered_files:,} of {clearance.files:,} files covered",
                clearance.at,
                shoot_id=shoot_id,
            )
    if not clearance.is_yes:
        return ()
    written: list[str] = []
    for shoot_id, files in covered.by_shoot.items():
        shoot = shoots.get_shoot(ctx.catalog, shoot_id)
        for drive in drives:
            if drive.record.state is PlaceState.RETIRING:
                continue
            try:
                path = _choose_record_path(drive, shoot_folder_on(ctx, drive, shoot), clearance.at)
                drive.place.write_own(path, _format_record(clearance, drives, files))
            except CopyError:
                continue
            written.append(f"{drive.record.name}: {path}")
    return tuple(written)


def _choose_record_path(drive: OpenDrive, folder: str, at: int) -> str:
    """Return a free path for the record, so that none of the same second is replaced. Raises PlaceFailedError."""
    while drive.place.exists(path := f"{folder}/{RECORD_PREFIX}{format_stamp(at)}.txt"):
        at += SECOND
    return path


def _format_record(
    clearance: Clearance, drives: Sequence[OpenDrive], files: Sequence[tuple[str, bytes]]
) -> Iterator[bytes]:
    names = ", ".join(f"{drive.record.name} ({drive.record.uid})" for drive in drives)
    yield (
        f"Clearance: this card may be reformatted.\n"
        f"card       {escape_text(clearance.subject)}\n"
        f"when       {format_iso(clearance.at)}\n"
        f"who        {current_agent()}\n"
        f"files      {clearance.covered_files:,} of {clearance.files:,}, {clearance.total_bytes:,} bytes\n"
        f"drives     {names}\n"
        f"list       BLAKE3 {clearance.list_digest.hex()}\n"
        f"{''.join(f'damaged    {x.message}' + chr(10) for x in clearance.notes if x.kind in _NOTES_IN_RECORD)}"
        f"{''.join(f'numbers    {one.message}' + chr(10) for one in clearance.missing_frames)}"
        f"\nFiles of this shoot as they were on the card:\n"
    ).encode()
    yield checklist.format_b3sum(files)


# Notes that a reader of the record must not miss years later.
_NOTES_IN_RECORD = frozenset({"damage accepted"})
