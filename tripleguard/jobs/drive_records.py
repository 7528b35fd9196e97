"""Write the records beside the copies on a drive: check lists, catalog snapshots, and a person's decisions.

They let the archive outlive the tool and the laptop. Each shoot's folder has a check list in the plain format that
`b3sum --check` reads; lines that someone else put there are kept. The decisions of one catalog are one file on
each drive, written before a command returns; `jobs.decisions` reads them.
"""

from __future__ import annotations

import contextlib
import os
import platform
import threading
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path

import msgspec

from tripleguard import checklist
from tripleguard.catalog import due_copies, file_queries, folder_queries, generations
from tripleguard.catalog.decisions import Decisions, collect_decisions, fingerprint_decisions
from tripleguard.catalog.event_log import list_drives_with_yes
from tripleguard.catalog.file_updates import record_checklist_written, set_meta
from tripleguard.catalog.store import Catalog
from tripleguard.clock import format_iso, format_stamp
from tripleguard.digest import compute_digest
from tripleguard.errors import CatalogError, CopyError, TripleguardError
from tripleguard.home import delete_scratch, prepare_scratch_path
from tripleguard.jobs.catalog_generations import merge_newer_state, write_generations
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drive_setup import ensure_catalog_id
from tripleguard.jobs.drives import OpenDrive, locate_drives, lock_drive
from tripleguard.layout import build_shoot_folder
from tripleguard.model import PlaceRecord, Shoot
from tripleguard.names import escape_text, fit_to_limits
from tripleguard.places.locks import LockHolder
from tripleguard.places.reserved import CHECKLIST_NAME, DECISIONS_DIR, LISTS_DIR, SNAPSHOTS_DIR

MAX_SNAPSHOTS = 3
_MAX_CHECKLIST_BYTES = 256 * 1024 * 1024


def write_checklists_and_snapshots(
    ctx: JobContext, drives: Sequence[OpenDrive], *, with_snapshots: bool
) -> list[TripleguardError]:
    """Update the outdated check lists, and write a snapshot to each drive that had such; return the errors.

    A list counts as written only once the snapshot is.
    """
    troubles: list[TripleguardError] = []
    stale: list[tuple[OpenDrive, list[Shoot]]] = []
    for drive in drives:
        lagging = due_copies.list_stale_checklists(ctx.catalog, drive.record.id)
        try:
            for shoot in lagging:
                _write_checklist(ctx, drive, shoot)
        except CopyError as error:
            troubles.append(error)
            continue
        if lagging:
            stale.append((drive, lagging))
    if stale and with_snapshots:
        troubles += _write_snapshots(ctx, stale)
    return troubles


def _write_snapshots(ctx: JobContext, stale: Sequence[tuple[OpenDrive, list[Shoot]]]) -> list[TripleguardError]:
    """Write a new catalog snapshot to each drive, and keep the last few of this catalog."""
    mine = f"-{ensure_catalog_id(ctx)[:8]}.db.gz"
    fresh = f"catalog-{format_stamp(ctx.clock.now())}{mine}"
    troubles: list[TripleguardError] = []
    plain: Path | None = None
    try:
        plain = prepare_scratch_path(ctx.home, f"snapshot-{os.getpid()}-{threading.get_ident()}.db")
        ctx.catalog.back_up_to(plain)
        for drive, lagging in stale:
            try:
                drive.place.write_own(f"{SNAPSHOTS_DIR}/{fresh}", compress_file(plain))
                _delete_old_snapshots(drive, fresh, mine)
            except CopyError as error:
                troubles.append(error)
                continue
            with ctx.catalog.transaction():
                for shoot in lagging:
                    record_checklist_written(ctx.catalog, drive.record.id, shoot.id)
    except (OSError, CatalogError) as error:
        troubles.append(
            CatalogError(
                f"No snapshot of the catalog could be made ({error}).",
                safe="The copies are not affected.",
                do="Check that the laptop's disk is not full.",
            )
        )
    finally:
        if plain is not None:
            # A file that can't be deleted now stays below the home, where the next one of its name replaces it.
            with contextlib.suppress(OSError):
                delete_scratch(plain)
    return troubles


def shoot_folder_on(ctx: JobContext, drive: OpenDrive, shoot: Shoot) -> str:
    """Return the folder of a shoot on this drive."""
    return fit_to_limits(build_shoot_folder(ctx.settings.layout, shoot.day, shoot.name), drive.place.fs_limits)


def _write_checklist(ctx: JobContext, drive: OpenDrive, shoot: Shoot) -> None:
    folder = shoot_folder_on(ctx, drive, shoot)
    path = f"{folder}/{CHECKLIST_NAME}"
    lines: dict[str, bytes] = {}
    for at, digest in folder_queries.list_digests_below_folder(ctx.catalog, drive.record.id, folder):
        lines[at[len(folder) + 1 :]] = digest
    before = drive.place.read_own(path, _MAX_CHECKLIST_BYTES)
    remarks = checklist.find_remarks(before) if before is not None else None
    if before is not None and remarks is not None:
        for name, digest in checklist.parse_b3sum(before):
            lines.setdefault(name, digest)
    content = b"".join(line + b"\n" for line in remarks or ()) + checklist.format_b3sum(sorted(lines.items()))
    if content and content != before:
        drive.place.write_own(path, [content], replaces=before if remarks is not None else None)
    _write_checklist_of_outside_copies(ctx, drive, shoot, folder)


def _write_checklist_of_outside_copies(ctx: JobContext, drive: OpenDrive, shoot: Shoot, folder: str) -> None:
    """Write the list of a shoot's copies outside its folder: an adopted archive stays as it is."""
    digests = folder_queries.list_digests_of_shoot(ctx.catalog, drive.record.id, shoot.id, excluded_folder=folder)
    path = f"{LISTS_DIR}/{fit_to_limits(shoot.title, drive.place.fs_limits)}.b3"
    content = checklist.format_b3sum(digests)
    if content and content != drive.place.read_own(path, _MAX_CHECKLIST_BYTES):
        drive.place.write_own(path, [content])


def compress_file(path: Path) -> Iterator[bytes]:
    """Yield a file's bytes as a gzip stream (RFC 1952), piece by piece."""
    squeeze = zlib.compressobj(level=1, wbits=31)
    with path.open("rb") as file:
        while piece := file.read(1024 * 1024):
            yield squeeze.compress(piece)
    yield squeeze.flush()


def _delete_old_snapshots(drive: OpenDrive, newest: str, suffix: str) -> None:
    """Remove the oldest snapshots of this catalog; never the new one, whatever its time says."""
    names = sorted(entry.name for entry in drive.place.list_own_files(SNAPSHOTS_DIR))
    older = [name for name in names if name.endswith(suffix) and name != newest]
    for name in older[: 1 - MAX_SNAPSHOTS]:
        drive.place.delete_own(f"{SNAPSHOTS_DIR}/{name}")


@contextlib.contextmanager
def decisions_saved(ctx: JobContext) -> Iterator[None]:
    """Save decisions that are made inside the block to every connected drive, however it ends."""
    before = ctx.catalog.change_counters
    try:
        yield
    finally:
        # Don't let an error here replace the original one.
        with contextlib.suppress(CatalogError):
            if ctx.catalog.change_counters != before:
                save_decisions(ctx)


def save_decisions(ctx: JobContext) -> None:
    """Write the decisions to every connected drive in service that does not have them yet.

    A failure is reported, but is no error. Raises CatalogError.
    """
    try:
        lagging = _drives_without_decisions(ctx)
        if not lagging:
            return
        for record, path in lagging:
            _save_decisions_on(ctx, record, path)
    except TripleguardError as error:
        if isinstance(error, CatalogError):
            raise
        ctx.notify(f"What was decided could not be left on the drives: {error.what}")


def _drives_without_decisions(ctx: JobContext) -> list[tuple[PlaceRecord, Path]]:
    """Return the connected drives that lack the latest decisions."""
    if generations.get_catalog_id(ctx.catalog) is None:
        return []
    state, gone = _decisions_state(ctx.catalog), list_drives_with_yes(ctx.catalog) | ctx.protected_place_ids
    return [
        (record, path)
        for record, path in locate_drives(ctx)
        if path is not None
        and record.state.is_in_service
        and record.id not in gone
        and file_queries.get_meta(ctx.catalog, _saved_state_key(record)) != state
    ]


def _save_decisions_on(ctx: JobContext, record: PlaceRecord, path: Path) -> None:
    now = ctx.clock.now()
    holder = LockHolder(os.getpid(), platform.node(), "keeping what was decided", format_iso(now))
    with contextlib.ExitStack() as stack:
        try:
            drive = stack.enter_context(contextlib.closing(ctx.places.open_drive(path)))
            if drive.uid != record.uid or drive.is_read_only:
                return
            lock_drive(stack, ctx, record.name, drive, holder)
            for line in merge_newer_state(ctx.home, ctx.catalog, [drive], now):
                ctx.notify(line)
            # Else an older copy of the home could lack a yes that was given, unnoticed.
            write_generations(ctx.catalog, [drive], now, ctx.notify)
            state = _decisions_state(ctx.catalog)
            decisions = collect_decisions(ctx.catalog, now)
            drive.write_own(f"{DECISIONS_DIR}/{decisions.catalog}.json.gz", _compress_decisions(decisions))
        except TripleguardError as error:
            if isinstance(error, CatalogError):
                raise
            ctx.notify(f"What was decided is not on drive {escape_text(record.name)} yet: {error.what}")
            return
        with ctx.catalog.transaction():
            set_meta(ctx.catalog, _saved_state_key(record), state)


def _saved_state_key(record: PlaceRecord) -> str:
    return f"decisions on {record.uid}"


def _decisions_state(catalog: Catalog) -> str:
    return compute_digest(fingerprint_decisions(catalog).encode()).hex()[:32]


def _compress_decisions(decisions: Decisions) -> Sequence[bytes]:
    squeeze = zlib.compressobj(level=6, wbits=31)
    return [squeeze.compress(msgspec.json.encode(decisions)), squeeze.flush()]
