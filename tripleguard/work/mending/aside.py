"""What lies aside: by drive, how many, how big, since when, why; and which of it a person's choice speaks of.

What the drive holds and what the catalog knows are laid side by side. Nothing is changed here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tripleguard.catalog import questions
from tripleguard.catalog.aside import AsideCopy, AsideSum, aside_copies, aside_sum
from tripleguard.catalog.places import all_places
from tripleguard.catalog.rows import KnownFile
from tripleguard.errors import CopyTrouble, TripleguardError
from tripleguard.model import PlaceKind, PlaceRecord, PlaceState
from tripleguard.places.aside import Lying
from tripleguard.rules import beyond_newest, is_older
from tripleguard.work.kit import Kit, OpenDrive
from tripleguard.work.mending.sparing import Sparing


@dataclass(frozen=True, slots=True)
class Thing:
    """One thing that lies aside. copy and file: what the catalog knows of it, if it does. since: UTC ns."""

    lying: Lying
    copy: AsideCopy | None
    file: KnownFile | None

    @property
    def since(self) -> int | None:
        return self.copy.since if self.copy else self.lying.since


@dataclass(frozen=True, slots=True)
class Shelf:
    """The aside folder of one connected drive. vanished: what the catalog has there and the drive has not."""

    record: PlaceRecord
    things: tuple[Thing, ...]
    vanished: tuple[AsideCopy, ...]

    @property
    def total_bytes(self) -> int:
        return sum(thing.lying.size for thing in self.things)


@dataclass(frozen=True, slots=True)
class Listed:
    """A drive's aside folder with what would be kept of it and why, by path. away: only what the catalog has."""

    record: PlaceRecord
    shelf: Shelf | None
    kept: dict[str, str]
    recorded: AsideSum
    trouble: TripleguardError | None = None


@dataclass(frozen=True, slots=True)
class Choice:
    """What a person wants to be rid of: older than so long (ns), and beyond the newest so many bytes.

    changed_too: not only what rotted, also what somebody changed.
    """

    older_than: int | None = None
    keep_newest: int | None = None
    changed_too: bool = False

    @property
    def words(self) -> str:
        """The choice as an event tells it."""
        days = None if self.older_than is None else f"older than {self.older_than / 86_400e9:g} days"
        newest = None if self.keep_newest is None else f"but the newest {self.keep_newest:,} bytes"
        return ", ".join(filter(None, (days, newest, "changed ones too" if self.changed_too else None)))


def shelf_of(kit: Kit, drive: OpenDrive) -> Shelf:
    """What lies aside on an open drive. Raises PlaceFailed."""
    lying = drive.place.lies_aside()
    known = {one.copy.path: one for one in aside_copies(kit.catalog, drive.record.id)}
    things = []
    for one in lying:
        copy = known.pop(one.path, None)
        file = questions.file_with_id(kit.catalog, copy.copy.file_id) if copy else None
        things.append(Thing(one, copy, file))
    unlooked = tuple(f"{one.path}/" for one in lying if one.odd)
    vanished = [one for path, one in known.items() if not path.startswith(unlooked)]
    return Shelf(drive.record, tuple(things), tuple(vanished))


def chosen(things: Sequence[Thing], choice: Choice, now: int) -> list[Thing]:
    """What the choice speaks of, oldest first."""
    keep = choice.keep_newest
    beyond = (
        beyond_newest([(thing.since, thing.lying.size) for thing in things], keep)
        if keep is not None
        else [True] * len(things)
    )
    found = [
        thing
        for thing, is_beyond in zip(things, beyond, strict=True)
        if is_beyond and (choice.older_than is None or is_older(thing.since, choice.older_than, now))
    ]
    return sorted(found, key=lambda thing: (thing.since or 0, thing.lying.path))


def look_aside(kit: Kit, drives: Sequence[OpenDrive]) -> list[Listed]:
    """Every drive in service with what lies aside on it, as far as it is open here. Raises CatalogTrouble."""
    here = {drive.record.id: drive for drive in drives}
    sparing = Sparing(kit, drives, changed_too=False)
    found = []
    for record in all_places(kit.catalog):
        if record.kind is not PlaceKind.DRIVE or record.state in (PlaceState.LOST, PlaceState.RETIRED):
            continue
        shelf, kept, trouble = None, {}, None
        drive = here.get(record.id)
        if drive is not None:
            try:
                shelf = shelf_of(kit, drive)
            except CopyTrouble as error:
                trouble = error
        for thing in shelf.things if shelf else ():
            why = sparing.why_kept(thing.lying, thing.copy, thing.file)
            if why is not None:
                kept[thing.lying.path] = why
        found.append(Listed(record, shelf, kept, aside_sum(kit.catalog, record.id), trouble))
    return found
