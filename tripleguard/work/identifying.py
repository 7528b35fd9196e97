"""A drive that turns up on another file system than before: a copy of it, or it was moved there.

Its marker says who it is and can be copied with everything else. So what was verified speaks for the file system
it was read from: on another one each copy counts again once it was read there.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from tripleguard.catalog.journal import add_event
from tripleguard.catalog.places import place_identity, place_was_away
from tripleguard.errors import PlaceTrouble
from tripleguard.model import EventType, Outcome, PlaceKind, PlaceRecord
from tripleguard.names import shown
from tripleguard.places.held import HeldFolder
from tripleguard.places.identity import decoded, encoded, identity_of, is_another, united

if TYPE_CHECKING:
    from tripleguard.work.kit import Kit


def settle_identity(kit: Kit, record: PlaceRecord, folder: HeldFolder) -> None:
    """Hold the file system that a drive's folder is on against the recorded one.

    If it is another, nothing that was verified counts for its copies any more, the new one is recorded, and the
    person is told.
    """
    now = identity_of(folder)
    recorded = None if record.identity is None else decoded(record.identity)
    other = recorded is not None and is_another(recorded, now)
    kept = encoded(now if other or recorded is None else united(recorded, now))
    if kept == record.identity:
        return
    with kit.catalog.writing():
        if other:
            place_was_away(kit.catalog, record.id)
            add_event(
                kit.catalog,
                EventType.PLACE_CHANGE,
                Outcome.PARTIAL,
                f"{record.name} at {shown(str(folder.root))} is on another file system than before; what "
                "was verified counts no more",
                kit.clock.now(),
                place_id=record.id,
                detail={"before": record.identity, "now": kept},
            )
        place_identity(kit.catalog, record.id, kept)
    if other:
        kit.tell(f"Caution: {_elsewhere(record)}")


def _elsewhere(record: PlaceRecord) -> PlaceTrouble:
    """What to say of a drive that is on another file system than before."""
    if record.kind is PlaceKind.OFFSITE:
        return PlaceTrouble(
            f"The folder of {record.name} is on another file system than before, or was copied: it is not what "
            "was verified.",
            safe="Nothing in it was changed. What lies there counts for nothing until it was read.",
            do=f"Run `tripleguard rescan --place {record.name}`.",
        )
    return PlaceTrouble(
        f"This is a copy of drive {record.name}, or {record.name} was moved to another file system: it has its "
        "marker, and is not what was verified.",
        safe="Nothing on it was changed. Its copies count for nothing until they were read here.",
        do=f"If it is the one to keep, run `tripleguard rescan --place {record.name} --all`; if it is a copy, "
        "disconnect it and connect the first one.",
    )
