"""Is this catalog the latest that the drives have seen, or one that was restored from an older copy of the home?

Each drive keeps a small note of the last generation of each catalog that it saw (`catalog.generations`). A job
enters a new generation and tells the drives of it before it changes what is known of copies, and once more when it
has done so. A drive with a generation that the catalog never had is told apart from one that was away for long,
whose generation is old and known. What such a drive knows is taken over, and then nothing counts that was not
read back again: all in one transaction, so that a power cut leaves either all of it or none.

The catalog then goes on under an id of its own: where two laptops went on from one catalog, that is told once and
not at every turn.
"""

from __future__ import annotations

import contextlib
import errno
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import msgspec

from tripleguard.catalog import generations
from tripleguard.catalog.generations import Generation
from tripleguard.catalog.inheriting import Conflict, is_part_of
from tripleguard.catalog.journal import add_event
from tripleguard.catalog.store import Catalog
from tripleguard.catalog.uniting import unite
from tripleguard.errors import CatalogTrouble, CopyTrouble
from tripleguard.home import Home
from tripleguard.model import EventType, Outcome
from tripleguard.names import shown
from tripleguard.places.drive import Drive
from tripleguard.places.own import GENERATIONS
from tripleguard.work.admitting import why_not_admitted
from tripleguard.work.decisions import decisions_on, take_over_decisions
from tripleguard.work.snapshots import Snapshot, snapshots_on

_LIMIT = 4096
_NAMED = 20
_NO_FILE = (errno.EISDIR, errno.ELOOP)
_ABOUT = "The last state of a tripleguard catalog that this drive saw. Do not copy it to another drive."


class _Note(msgspec.Struct, frozen=True):
    catalog: str
    number: int
    token: str
    about: str = _ABOUT


@dataclass(frozen=True, slots=True)
class _Doubt:
    """Why a drive gives reason to doubt that the catalog is the latest. behind: by its note it is not."""

    drive: Drive
    what: str
    behind: bool


def why_not_current(catalog: Catalog, drives: Sequence[Drive]) -> str | None:
    """Why the catalog can't be called the latest that these drives have seen, at this moment; None if it can.

    A sentence without a full stop. The notes are read again; nothing is changed.
    """
    return next((doubt.what for doubt in _doubts(catalog, drives)), None)


def catch_up(home: Home, catalog: Catalog, drives: Sequence[Drive], at: int) -> list[str]:
    """Where the catalog is older than what one of the drives has seen, take over what is known there.

    Nothing in the catalog counts then before it was read back again. at: UTC ns. Returns what to tell the person.
    Raises CatalogTrouble.
    """
    doubts = _doubts(catalog, drives)
    behind = [doubt for doubt in doubts if doubt.behind]
    said = [f"{doubt.what}." for doubt in doubts if not doubt.behind]
    if not behind:
        return said
    known_as = generations.catalog_id(catalog)
    assert known_as is not None
    decisions = decisions_on([doubt.drive for doubt in behind], known_as)
    with snapshots_on(home, [doubt.drive for doubt in behind], of=known_as) as (snapshots, unusable):
        later = max(snapshots, key=lambda one: one.events, default=None)
        with catalog.writing():
            # Another process of this home may have done the same meanwhile.
            behind = [doubt for doubt in _doubts(catalog, [one.drive for one in behind]) if doubt.behind]
            if not behind:
                return said
            conflicts: list[Conflict] = []
            number = generations.latest_number(catalog)
            taken = _taken_over(catalog, later, at, conflicts)
            take_over_decisions(catalog, decisions, known_as, number)
            generations.inherit_evidence(catalog)
            generations.new_id(catalog)
            generations.next_generation(catalog, at)
            if taken is None:
                taken = "no snapshot of the catalog that lies there could be used" + (
                    f" ({unusable[0].why})" if unusable else ""
                )
            what = (
                f"{'; '.join(dict.fromkeys(doubt.what for doubt in behind))}: {taken}. "
                "No copy counts until it was read back again"
            )
            add_event(catalog, EventType.RECOVERY, Outcome.PARTIAL, what, at)
            contradictions = [_in_words(one) for one in conflicts]
            for line in contradictions:
                add_event(catalog, EventType.RECOVERY, Outcome.PARTIAL, line, at)
    if len(contradictions) > _NAMED:
        contradictions[_NAMED:] = [f"And {len(contradictions) - _NAMED:,} more; all are in `tripleguard log`."]
    return [
        *said,
        *contradictions,
        f"{what}. Nothing on any drive was changed. Do not reformat a card on an answer from before. Next: "
        "connect all drives and run `tripleguard rescan`.",
    ]


@contextlib.contextmanager
def noted(catalog: Catalog, drives: Sequence[Drive], at: int, tell: Callable[[str], None]) -> Iterator[None]:
    """While this lasts a job works with these drives, which are held for it. at: UTC ns.

    They are told of a new generation at its beginning, and at its end if anything was changed meanwhile. A drive
    that can't take its note holds up nobody: tell says so. Raises CatalogTrouble.
    """
    leave_notes(catalog, drives, at, tell)
    before = catalog.changes
    try:
        yield
    finally:
        # The end of a job is never hidden by what goes wrong here.
        with contextlib.suppress(CatalogTrouble, sqlite3.Error):
            if catalog.changes != before:
                leave_notes(catalog, [drive for drive in drives if drive.here()], at, tell)


def acknowledge_notes(catalog: Catalog, drives: Sequence[Drive], at: int) -> None:
    """Count as known what drives saw of the catalog that this one was rebuilt from. Call inside `writing`.

    Their next note then shuts that catalog out, if an older copy of it ever comes back. at: UTC ns.
    """
    former = generations.former_id(catalog)
    for drive in drives if former else ():
        with contextlib.suppress(CopyTrouble, ValueError):
            if (seen := _read(drive, former or "")) is not None:
                generations.acknowledge(catalog, seen.token, at)


def note_path(catalog_id: str) -> str:
    """Where a drive keeps the last generation that it saw of the catalog with this id."""
    return f"{GENERATIONS}/{catalog_id}.json"


def _doubts(catalog: Catalog, drives: Sequence[Drive]) -> list[_Doubt]:
    known_as = generations.catalog_id(catalog)
    found: list[_Doubt] = []
    for drive in drives if known_as else ():
        name = shown(drive.name)
        try:
            seen = _read(drive, known_as or "")
        except CopyTrouble as error:
            what = f"Drive {name} can't say which state of the catalog it saw last ({error.what.rstrip('.')})"
            found.append(_Doubt(drive, what, behind=False))
        except ValueError:
            what = f"What drive {name} notes of the state of this catalog that it saw last is damaged"
            found.append(_Doubt(drive, what, behind=True))
        else:
            if seen is not None and not generations.is_known(catalog, seen.token):
                what = (
                    f"Drive {name} has seen a later state of this catalog than the one on this laptop, which was "
                    "restored from an older copy, or copied to a second laptop"
                )
                found.append(_Doubt(drive, what, behind=True))
    return found


def _read(drive: Drive, catalog_id: str) -> Generation | None:
    """What the drive noted of that catalog, None if nothing. Raises CopyTrouble, ValueError if it is no note."""
    try:
        content = drive.look_into_own(note_path(catalog_id), _LIMIT)
    except CopyTrouble as error:
        if isinstance(error.__cause__, OSError) and error.__cause__.errno in _NO_FILE:
            raise ValueError("it is no file") from error
        raise
    if content is None:
        return None
    try:
        note = msgspec.json.decode(content, type=_Note)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise ValueError(str(error)) from error
    if note.catalog != catalog_id:
        raise ValueError("it is the note of another catalog")
    return Generation(note.catalog, note.number, note.token)


def _in_words(conflict: Conflict) -> str:
    where = f"drive {shown(conflict.place)}: " if conflict.place else ""
    counts = f" ({conflict.decided})" if conflict.decided else ""
    return f"Contradiction: {where}{shown(conflict.path)}: {shown(conflict.what)}{counts}"


def _taken_over(catalog: Catalog, later: Snapshot | None, at: int, conflicts: list[Conflict]) -> str | None:
    """Take over what a snapshot knows; what was done in words, None if it can't be used. Call inside `writing`.

    conflicts: gets what the two say differently.
    """
    if later is None or why_not_admitted(later.catalog) is not None:
        return None
    if is_part_of(catalog, later.catalog):
        return "no later snapshot lies there"
    try:
        with catalog.attempt():
            merging = unite(catalog, later.catalog, later.source, at)
            try:
                while True:
                    conflicts.append(next(merging))
            except StopIteration as end:
                generations.take_over_faults(catalog, later.catalog, end.value)
    except (CatalogTrouble, sqlite3.IntegrityError, ValueError, TypeError, KeyError, OverflowError):
        # A full disk of the home is no fault of the snapshot, and has ended the transaction.
        if not catalog.is_writing:
            raise
        conflicts.clear()
        return None
    return f"what the snapshot {later.source} knows was taken over"


def leave_notes(catalog: Catalog, drives: Sequence[Drive], at: int, tell: Callable[[str], None]) -> None:
    """Enter a new generation, and only once that is on the disk tell the drives of it."""
    if not drives:
        return
    with catalog.writing():
        fresh = generations.next_generation(catalog, at)
        former = generations.former_id(catalog)
    for drive in drives:
        try:
            drive.write_own(note_path(fresh.catalog_id), [_encoded(fresh)])
            if former is not None and _goes_no_further(catalog, drive, former):
                drive.write_own(note_path(former), [_encoded(Generation(former, fresh.number, fresh.token))])
        except CopyTrouble as error:
            tell(
                f"Drive {shown(drive.name)} could not note which state of the catalog it saw "
                f"({error.what.rstrip('.')}): if this laptop is restored from an older copy, it can't tell."
            )


def _goes_no_further(catalog: Catalog, drive: Drive, former: str) -> bool:
    """Whether all that the drive saw of the former id is known here, so that nobody else goes on under it."""
    try:
        seen = _read(drive, former)
    except ValueError:
        return False
    return seen is not None and generations.is_known(catalog, seen.token)


def _encoded(generation: Generation) -> bytes:
    note = _Note(generation.catalog_id, generation.number, generation.token)
    return msgspec.json.format(msgspec.json.encode(note), indent=2) + b"\n"
