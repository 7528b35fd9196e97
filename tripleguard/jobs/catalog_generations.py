"""Detect a catalog that is older than what a drive has seen, and merge what the drives know.

Each drive keeps a small note of the last generation of each catalog that it saw (`catalog.generations`). A job
records a new generation and writes it to the drives before it changes any copy's record, and once more when it is
done. A drive with a generation that the catalog never had shows that the catalog was restored from an older copy;
a drive that was absent for long has a generation that is old but known. The state on such a drive is merged, and
then no copy counts until it is read back again: all in one transaction, so that a power cut leaves either all or
none.

The catalog then continues under an id of its own: if two laptops continued from one catalog, that is reported once
and not each time one of them connects the drive.
"""

from __future__ import annotations

import contextlib
import errno
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import msgspec

from tripleguard.catalog import generations
from tripleguard.catalog.event_log import add_event
from tripleguard.catalog.generations import Generation
from tripleguard.catalog.merge_annotations import merge_with_annotations
from tripleguard.catalog.merge_catalogs import MergeConflict, is_contained_in
from tripleguard.catalog.store import Catalog
from tripleguard.errors import CatalogError, CopyError
from tripleguard.home import Home
from tripleguard.jobs.decisions import apply_decisions, read_decisions
from tripleguard.jobs.snapshots import Snapshot, explain_rejected_catalog, open_snapshots
from tripleguard.model import EventOutcome, EventType
from tripleguard.names import escape_text
from tripleguard.places.base import Place
from tripleguard.places.reserved import GENERATIONS_DIR

_MAX_NOTE_BYTES = 4096
_MAX_CONFLICTS_SHOWN = 20
_NOT_A_FILE_ERRNOS = (errno.EISDIR, errno.ELOOP)
_ABOUT = "The last state of a tripleguard catalog that this drive saw. Do not copy it to another drive."


class _GenerationNote(msgspec.Struct, frozen=True):
    catalog: str
    number: int
    token: str
    about: str = _ABOUT


@dataclass(frozen=True, slots=True)
class _GenerationMismatch:
    """Why a drive's note casts doubt on the catalog. is_behind: the note shows that it is outdated."""

    drive: Place
    message: str
    is_behind: bool


def explain_outdated(catalog: Catalog, drives: Sequence[Place]) -> str | None:
    """Return why the catalog may not be the latest that these drives have seen; None if it is.

    A sentence without a full stop. The notes are read again; nothing is changed.
    """
    return next((doubt.message for doubt in _find_mismatches(catalog, drives)), None)


def merge_newer_state(home: Home, catalog: Catalog, drives: Sequence[Place], at: int) -> list[str]:
    """Merge the newer state from drives if the catalog is older than what one of them has seen.

    Then nothing in the catalog counts until it was read back again. at: UTC ns. Returns messages for the person.
    Raises CatalogError.
    """
    doubts = _find_mismatches(catalog, drives)
    behind = [doubt for doubt in doubts if doubt.is_behind]
    messages = [f"{doubt.message}." for doubt in doubts if not doubt.is_behind]
    if not behind:
        return messages
    known_as = generations.get_catalog_id(catalog)
    assert known_as is not None
    decisions = read_decisions([doubt.drive for doubt in behind], known_as)
    with open_snapshots(home, [doubt.drive for doubt in behind], catalog_id=known_as) as (snapshots, unusable):
        later = max(snapshots, key=lambda one: one.events, default=None)
        with catalog.transaction():
            # Another process of this home may have done the same meanwhile.
            behind = [
                doubt for doubt in _find_mismatches(catalog, [one.drive for one in behind]) if doubt.is_behind
            ]
            if not behind:
                return messages
            conflicts: list[MergeConflict] = []
            number = generations.get_latest_number(catalog)
            taken = _merge_snapshot(catalog, later, at, conflicts)
            apply_decisions(catalog, decisions, known_as, number)
            generations.mark_evidence_inherited(catalog)
            generations.assign_new_id(catalog)
            generations.begin_generation(catalog, at)
            if taken is None:
                taken = "no snapshot of the catalog that lies there could be used" + (
                    f" ({unusable[0].reason})" if unusable else ""
                )
            what = (
                f"{'; '.join(dict.fromkeys(doubt.message for doubt in behind))}: {taken}. "
                "No copy counts until it was read back again"
            )
            add_event(catalog, EventType.RECOVERY, EventOutcome.PARTIAL, what, at)
            contradictions = [_describe_conflict(one) for one in conflicts]
            for line in contradictions:
                add_event(catalog, EventType.RECOVERY, EventOutcome.PARTIAL, line, at)
    if len(contradictions) > _MAX_CONFLICTS_SHOWN:
        contradictions[_MAX_CONFLICTS_SHOWN:] = [
            f"And {len(contradictions) - _MAX_CONFLICTS_SHOWN:,} more; all are in `tripleguard log`."
        ]
    return [
        *messages,
        *contradictions,
        f"{what}. Nothing on any drive was changed. Do not reformat a card on an answer from before. Next: "
        "connect all drives and run `tripleguard rescan`.",
    ]


@contextlib.contextmanager
def generation_recorded(
    catalog: Catalog, drives: Sequence[Place], at: int, notify: Callable[[str], None]
) -> Iterator[None]:
    """Record generations around a job that works with these locked drives. at: UTC ns.

    They get a new generation at its beginning, and at its end if anything was changed meanwhile. A drive that
    can't take its note delays nobody; `notify` reports it. Raises CatalogError.
    """
    write_generations(catalog, drives, at, notify)
    before = catalog.change_counters
    try:
        yield
    finally:
        # An error here must not hide how the job ended.
        with contextlib.suppress(CatalogError, sqlite3.Error):
            if catalog.change_counters != before:
                write_generations(catalog, [drive for drive in drives if drive.is_connected()], at, notify)


def acknowledge_generations(catalog: Catalog, drives: Sequence[Place], at: int) -> None:
    """Accept the generations that drives saw of the catalog that this one was rebuilt from.

    Their next note then rules that catalog out, should an older copy of it come back. at: UTC ns. Call inside
    `transaction`.
    """
    former = generations.get_last_former_id(catalog)
    for drive in drives if former else ():
        with contextlib.suppress(CopyError, ValueError):
            if (seen := _read_generation(drive, former or "")) is not None:
                generations.acknowledge_generation(catalog, seen.token, at)


def generation_path(catalog_id: str) -> str:
    """Return the path of a drive's note of the last generation that it saw of a catalog."""
    return f"{GENERATIONS_DIR}/{catalog_id}.json"


def _find_mismatches(catalog: Catalog, drives: Sequence[Place]) -> list[_GenerationMismatch]:
    known_as = generations.get_catalog_id(catalog)
    found: list[_GenerationMismatch] = []
    for drive in drives if known_as else ():
        name = escape_text(drive.name)
        try:
            seen = _read_generation(drive, known_as or "")
        except CopyError as error:
            what = f"Drive {name} can't say which state of the catalog it saw last ({error.what.rstrip('.')})"
            found.append(_GenerationMismatch(drive, what, is_behind=False))
        except ValueError:
            what = f"What drive {name} notes of the state of this catalog that it saw last is damaged"
            found.append(_GenerationMismatch(drive, what, is_behind=True))
        else:
            if seen is not None and not generations.is_known_generation(catalog, seen.token):
                what = (
                    f"Drive {name} has seen a later state of this catalog than the one on this laptop, which was "
                    "restored from an older copy, or copied to a second laptop"
                )
                found.append(_GenerationMismatch(drive, what, is_behind=True))
    return found


def _read_generation(drive: Place, catalog_id: str) -> Generation | None:
    """Return the drive's note of that catalog, None without one. Raises CopyError, ValueError if invalid."""
    try:
        content = drive.read_own_unlocked(generation_path(catalog_id), _MAX_NOTE_BYTES)
    except CopyError as error:
        if isinstance(error.__cause__, OSError) and error.__cause__.errno in _NOT_A_FILE_ERRNOS:
            raise ValueError("it is no file") from error
        raise
    if content is None:
        return None
    try:
        note = msgspec.json.decode(content, type=_GenerationNote)
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise ValueError(str(error)) from error
    if note.catalog != catalog_id:
        raise ValueError("it is the note of another catalog")
    return Generation(note.catalog, note.number, note.token)


def _describe_conflict(conflict: MergeConflict) -> str:
    where = f"drive {escape_text(conflict.place)}: " if conflict.place else ""
    counts = f" ({conflict.resolution})" if conflict.resolution else ""
    return f"Contradiction: {where}{escape_text(conflict.path)}: {escape_text(conflict.detail)}{counts}"


def _merge_snapshot(
    catalog: Catalog, snapshot: Snapshot | None, at: int, conflicts: list[MergeConflict]
) -> str | None:
    """Merge a snapshot; return what was done in words, None if it can't be used.

    conflicts: gets what the two disagree about. Call inside `transaction`.
    """
    if snapshot is None or explain_rejected_catalog(snapshot.catalog) is not None:
        return None
    if is_contained_in(catalog, snapshot.catalog):
        return "no later snapshot lies there"
    try:
        with catalog.savepoint():
            merging = merge_with_annotations(catalog, snapshot.catalog, snapshot.source, at)
            try:
                while True:
                    conflicts.append(next(merging))
            except StopIteration as end:
                generations.import_faults(catalog, snapshot.catalog, end.value)
    except (CatalogError, sqlite3.IntegrityError, ValueError, TypeError, KeyError, OverflowError):
        # A full disk of the home is not the snapshot's fault, and has ended the transaction.
        if not catalog.is_in_transaction:
            raise
        conflicts.clear()
        return None
    return f"what the snapshot {snapshot.source} knows was taken over"


def write_generations(catalog: Catalog, drives: Sequence[Place], at: int, notify: Callable[[str], None]) -> None:
    """Record a new generation, and only once it is durable write it to the drives."""
    if not drives:
        return
    with catalog.transaction():
        fresh = generations.begin_generation(catalog, at)
        former = generations.get_last_former_id(catalog)
    for drive in drives:
        try:
            drive.write_own(generation_path(fresh.catalog_id), [_encode_note(fresh)])
            if former is not None and _is_former_id_unused(catalog, drive, former):
                drive.write_own(
                    generation_path(former), [_encode_note(Generation(former, fresh.number, fresh.token))]
                )
        except CopyError as error:
            notify(
                f"Drive {escape_text(drive.name)} could not note which state of the catalog it saw "
                f"({error.what.rstrip('.')}): if this laptop is restored from an older copy, it can't tell."
            )


def _is_former_id_unused(catalog: Catalog, drive: Place, former: str) -> bool:
    """Return whether everything that the drive saw of the former id is known here, so nobody else uses it."""
    try:
        seen = _read_generation(drive, former)
    except ValueError:
        return False
    return seen is not None and generations.is_known_generation(catalog, seen.token)


def _encode_note(generation: Generation) -> bytes:
    note = _GenerationNote(generation.catalog_id, generation.number, generation.token)
    return msgspec.json.format(msgspec.json.encode(note), indent=2) + b"\n"
