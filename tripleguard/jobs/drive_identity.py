"""Detect a drive that is on another file system than before: it was copied or moved there.

Its marker can be copied with everything else. So a verification applies to the file system it was made on: on
another one each copy counts only once it was read there.
"""

from __future__ import annotations

from pathlib import Path

from tripleguard.catalog.event_log import add_event
from tripleguard.catalog.places import mark_place_evidence_inherited, set_place_identity
from tripleguard.errors import PlaceError
from tripleguard.jobs.context import JobContext
from tripleguard.model import EventOutcome, EventType, PlaceKind, PlaceRecord
from tripleguard.names import escape_text
from tripleguard.places.fs_identity import (
    FileSystemIdentity,
    decode_identity,
    encode_identity,
    is_different_fs,
    merge_identities,
)


def update_identity(ctx: JobContext, record: PlaceRecord, now: FileSystemIdentity, root: Path) -> None:
    """Compare the file system of a drive at root with the recorded one, and record the current one.

    If it is another one, the verifications of the drive's copies no longer count, and the user is notified.
    """
    recorded = None if record.identity is None else decode_identity(record.identity)
    other = recorded is not None and is_different_fs(recorded, now)
    kept = encode_identity(now if other or recorded is None else merge_identities(recorded, now))
    if kept == record.identity:
        return
    with ctx.catalog.transaction():
        if other:
            mark_place_evidence_inherited(ctx.catalog, record.id)
            add_event(
                ctx.catalog,
                EventType.PLACE_CHANGE,
                EventOutcome.PARTIAL,
                f"{record.name} at {escape_text(str(root))} is on another file system than before; what "
                "was verified counts no more",
                ctx.clock.now(),
                place_id=record.id,
                detail={"before": record.identity, "now": kept},
            )
        set_place_identity(ctx.catalog, record.id, kept)
    if other:
        ctx.notify(f"Caution: {_moved_drive_error(record)}")


def _moved_drive_error(record: PlaceRecord) -> PlaceError:
    """Return the error for a drive that is on another file system than before."""
    if record.kind is PlaceKind.OFFSITE:
        return PlaceError(
            f"The folder of {record.name} is on another file system than before, or was copied: it is not what "
            "was verified.",
            safe="Nothing in it was changed. What lies there counts for nothing until it was read.",
            do=f"Run `tripleguard rescan --place {record.name}`.",
        )
    return PlaceError(
        f"This is a copy of drive {record.name}, or {record.name} was moved to another file system: it has its "
        "marker, and is not what was verified.",
        safe="Nothing on it was changed. Its copies count for nothing until they were read here.",
        do=f"If it is the one to keep, run `tripleguard rescan --place {record.name} --all`; if it is a copy, "
        "disconnect it and connect the first one.",
    )
