"""Adopt an archive that was made by hand: hash every file, record it where it is, and match copies by content.

Nothing is moved, copied or renamed. All drives are read at the same time, each by one reader. Equal bytes on two
drives become two verified copies, whatever their paths; different bytes under the same path are reported, since
one of the two may be damaged.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog import file_queries, folder_queries, shoots
from tripleguard.catalog.file_updates import ensure_shoot, set_shoot_of_copies, set_shoot_of_file
from tripleguard.catalog.shared_sidecars import list_shared_file_ids
from tripleguard.catalog.store import Catalog
from tripleguard.errors import TripleguardError
from tripleguard.jobs.cards.ingest_from_drive import IngestResult, ingest_from_drive
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drive_records import write_checklists_and_snapshots
from tripleguard.jobs.drive_walk import DriveWalk, is_litter
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.progress import Job, LaneProgress, Message, Progress, ProgressUpdate
from tripleguard.layout import guess_shoot, parse_shoot_path
from tripleguard.model import CopyState, Entry
from tripleguard.places.reserved import RESERVED_DIR

_POLL_SECONDS = 0.2


@dataclass(frozen=True, slots=True)
class AdoptResult:
    """What was recorded, by drive; paths whose bytes differ between drives; paths that could not be listed."""

    ingested: dict[str, IngestResult]
    conflicting_paths: tuple[str, ...]
    unlisted_paths: tuple[str, ...]
    errors: tuple[TripleguardError, ...]
    seconds: float


def adopt(ctx: JobContext, drives: Sequence[OpenDrive]) -> Job[AdoptResult]:
    """Record the files on the open and locked drives that the catalog lacks. Yields progress.

    It can be stopped at any file: records stay, and the next run continues. Raises StoppedError, PlaceFailedError,
    CatalogError.
    """
    began = time.monotonic()
    entered_since = ctx.clock.now()
    wanted: list[list[Entry]] = []
    unlisted: list[str] = []
    for drive in drives:
        yield ProgressUpdate(f"listing drive {drive.record.name}", 0, 0, 0, 0, 0.0, None)
        walk = DriveWalk(drive.place)
        wanted.append(list(_find_unknown_files(ctx.catalog, drive, walk)))
        unlisted += [f"{drive.record.name}: {path}" for path in sorted(walk.unreachable_paths)]
    lanes = [_AdoptLane(ctx, drive, entries) for drive, entries in zip(drives, wanted, strict=True)]
    yield from _run_lanes(ctx, lanes)
    for lane in lanes:
        if lane.error is not None:
            raise lane.error
    _assign_shoots(ctx, drives, entered_since)
    troubles = write_checklists_and_snapshots(ctx, drives, with_snapshots=True)
    taken = {lane.name: lane.ingested for lane in lanes if lane.ingested is not None}
    return AdoptResult(
        taken,
        tuple(folder_queries.list_conflicting_paths(ctx.catalog)),
        tuple(unlisted),
        tuple(troubles),
        round(time.monotonic() - began, 3),
    )


class _AdoptLane:
    """The reading of one drive, in its own thread with its own connection."""

    def __init__(self, ctx: JobContext, drive: OpenDrive, entries: Sequence[Entry]) -> None:
        self.name = drive.record.name
        self.files = len(entries)
        self.total_bytes = sum(entry.size for entry in entries)
        self.done_files = self.read_bytes = 0
        self.ingested: IngestResult | None = None
        self.error: BaseException | None = None
        self._stop = threading.Event()
        self._ctx = replace(ctx, catalog=ctx.catalog.reopen(), stop=self._stop)
        self._drive = drive
        self._paths = [entry.path for entry in entries]
        self.messages: queue.SimpleQueue[Message] = queue.SimpleQueue()
        self.thread = threading.Thread(target=self._run_guarded, name=f"adopt-{self.name}", daemon=True)

    def stop(self) -> None:
        """Ask the lane to end at the next file."""
        self._stop.set()

    def _run_guarded(self) -> None:
        job = ingest_from_drive(self._ctx, self._drive, self._paths, include_unsorted=True)
        try:
            while True:
                step = next(job)
                if isinstance(step, ProgressUpdate):
                    self.done_files, self.read_bytes = step.files, step.bytes_done
                elif isinstance(step, Message):
                    self.messages.put(step)
        except StopIteration as end:
            self.ingested = end.value
        except BaseException as error:  # noqa: BLE001 - a thread's outer edge; the job raises it again
            self.error = error
        finally:
            self._ctx.catalog.close()


def _run_lanes(ctx: JobContext, lanes: Sequence[_AdoptLane]) -> Iterator[Progress]:
    began = time.monotonic()
    of_files, of_bytes = sum(lane.files for lane in lanes), sum(lane.total_bytes for lane in lanes)
    for lane in lanes:
        lane.thread.start()
    try:
        while any(lane.thread.is_alive() for lane in lanes):
            time.sleep(_POLL_SECONDS)
            for lane in lanes:
                if ctx.stop.is_set():
                    lane.stop()
                while not lane.messages.empty():
                    yield lane.messages.get()
            read = sum(lane.read_bytes for lane in lanes)
            rate = read / max(0.001, time.monotonic() - began)
            left = (of_bytes - read) / rate if rate > 0 else None
            progress = tuple(
                LaneProgress(lane.name, 0, lane.read_bytes, is_alive=lane.error is None) for lane in lanes
            )
            done = sum(lane.done_files for lane in lanes)
            yield ProgressUpdate("adopt", done, of_files, read, of_bytes, rate, left, progress)
    finally:
        for lane in lanes:
            lane.stop()
        for lane in lanes:
            lane.thread.join()


def _assign_shoots(ctx: JobContext, drives: Sequence[OpenDrive], since: int) -> None:
    """Assign what was recorded since then (UTC ns) to the shoot of its best folder, whoever read it first.

    A folder with a date is better than one without; then the first drive and the first path.
    """
    twins = list_shared_file_ids(ctx.catalog)
    claimed: dict[int, tuple[str | None, str]] = {}
    called: list[tuple[tuple[str | None, str], OpenDrive, str]] = []
    for drive in drives:
        for folder in folder_queries.iter_folders(ctx.catalog, drive.record.id):
            day, name = parse_shoot_path(ctx.settings.layout, f"{folder}/") or guess_shoot(folder)
            if name is not None and not folder.startswith(f"{RESERVED_DIR}/"):
                called.append(((day, name), drive, folder))
    with ctx.catalog.transaction():
        called.sort(key=lambda one: one[0][0] is None)
        for title, drive, folder in called:
            for file_id in folder_queries.list_file_ids_in_folder(ctx.catalog, drive.record.id, folder, since):
                if file_id not in twins:
                    claimed.setdefault(file_id, title)
        for title, drive, folder in called:
            # For equal sidecars of two shoots, each copy belongs to the files beside it, whoever read it first.
            file_ids = folder_queries.list_file_ids_in_folder(ctx.catalog, drive.record.id, folder, since)
            day, name = next((claimed[file_id] for file_id in file_ids if file_id in claimed), title)
            if day is None:
                continue
            becomes = ensure_shoot(ctx.catalog, day, name, ctx.clock.now())
            for file_id in (file_id for file_id in file_ids if file_id in twins):
                set_shoot_of_copies(ctx.catalog, file_id, drive.record.id, folder, becomes)
                if shoots.list_shoot_ids_of_file(ctx.catalog, file_id) == {becomes}:
                    set_shoot_of_file(ctx.catalog, file_id, becomes)
        for file_id, (day, name) in claimed.items():
            shoot = shoots.get_shoot(ctx.catalog, file_queries.get_file(ctx.catalog, file_id).shoot_id)
            if (shoot.day, shoot.name) != (day or shoot.day, name):
                becomes = ensure_shoot(ctx.catalog, day or shoot.day, name, ctx.clock.now())
                set_shoot_of_file(ctx.catalog, file_id, becomes)


def _find_unknown_files(catalog: Catalog, drive: OpenDrive, walk: DriveWalk) -> Iterator[Entry]:
    """Yield the unknown files on a drive, folder by folder, originals before their companions."""
    for folder in walk.folders():
        known = {
            copy.path
            for copy in folder_queries.list_copies_in_folder(catalog, drive.record.id, folder.path)
            if copy.state is not CopyState.MISSING
        }
        fresh = [
            entry for entry in folder.entries if entry.path not in known and not is_litter(drive.place, entry)
        ]
        yield from sorted(fresh, key=lambda entry: (not kind_of(entry.name).is_original, entry.name))
