"""Restore a random sample of copies from every drive into a scratch folder and compare them.

A rescan shows that copies can be read back; a drill shows that they can be restored. Each restored copy is deleted
from the scratch folder again. The seed is recorded, so that a drill can be repeated.
"""

from __future__ import annotations

import random
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tripleguard.catalog import file_queries
from tripleguard.catalog.event_log import add_event, begin_job, end_job
from tripleguard.digest import Hasher, hash_chunks
from tripleguard.errors import CopyError, NoSpaceError, PlaceFailedError, StoppedError
from tripleguard.forecast.rescan_plan import compute_bad_share_bound
from tripleguard.home import delete_scratch, get_free_bytes, prepare_scratch_path, write_scratch
from tripleguard.jobs.context import JobContext, current_agent
from tripleguard.jobs.copying.buffers import CHUNK_BYTES
from tripleguard.jobs.copying.recording import record_failed_copy
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.progress import Job, ProgressUpdate
from tripleguard.model import Copy, Entry, EventOutcome, EventType, File, FileKind, FindingKind, PlaceRecord
from tripleguard.names import escape_text
from tripleguard.places.cache_bypass import allocate_aligned
from tripleguard.rules import is_as_recorded, is_untouched


@dataclass(frozen=True, slots=True)
class PlaceDrillResult:
    """One drive's drill.

    Attributes:
        copies: The copies believed to be good, from which the sample was drawn.
        known_bad_copies: Copies known to be missing or bad, which were left out.
        failure_share_bound: With 95 % confidence at most this share of `copies` can't be restored.
    """

    place: str
    copies: int
    known_bad_copies: int
    sampled: int
    failed: tuple[tuple[str, str], ...]
    failure_share_bound: float


@dataclass(frozen=True, slots=True)
class DrillResult:
    """What a drill found. The seed repeats it on the same catalog."""

    places: tuple[PlaceDrillResult, ...]
    seed: int
    seconds: float


def drill(ctx: JobContext, drives: Sequence[OpenDrive], sample_size: int, seed: int) -> Job[DrillResult]:
    """Restore a random sample of `sample_size` copies from each open drive and compare. Yields progress.

    Raises NoSpaceError if the scratch folder can't hold a file, PlaceFailedError if a drive goes, StoppedError,
    CatalogError.
    """
    began = time.monotonic()
    found: list[PlaceDrillResult] = []
    for drive in drives:
        with ctx.catalog.transaction():
            job = begin_job(ctx.catalog, "drill", drive.record.name, current_agent(), ctx.clock.now())
        bad, (total, chosen) = (
            file_queries.count_bad_copies(ctx.catalog, drive.record.id),
            choose_sample(ctx, drive.record, sample_size, seed),
        )
        sample = sorted((file_queries.get_copy(ctx.catalog, one) for one in chosen), key=lambda copy: copy.path)
        failed: list[tuple[str, str]] = []
        size = sum(copy.size for copy in sample)
        done = 0
        for number, copy in enumerate(sample):
            if ctx.stop.is_set():
                raise build_stopped_error()
            yield ProgressUpdate(f"drill on {drive.record.name}", number, len(sample), done, size, 0.0, None)
            wrong = _find_copy_fault(ctx, drive, copy)
            done += copy.size
            if wrong is not None:
                failed.append((copy.path, wrong.reason))
                record_failed_copy(
                    ctx, copy, wrong.reason, "drill", job, kind=wrong.kind, entry=wrong.current_entry
                )
        bound = compute_bad_share_bound(len(sample), len(failed))
        found.append(PlaceDrillResult(drive.record.name, total, bad, len(sample), tuple(failed), bound))
        outcome = EventOutcome.FAILURE if failed else EventOutcome.SUCCESS
        record_drill_end(
            ctx, drive.record, job, outcome, {"seed": seed, "sampled": len(sample), "failed": len(failed)}
        )
    return DrillResult(tuple(found), seed, round(time.monotonic() - began, 3))


def build_stopped_error() -> StoppedError:
    """Return the error for a drill that the person stopped."""
    return StoppedError("The drill was stopped.", safe="It only reads.", do="Run it again at any time.")


def record_drill_end(
    ctx: JobContext, place: PlaceRecord, job: int, outcome: EventOutcome, detail: Mapping[str, int]
) -> None:
    """Record how the drill of a place ended. detail: seed, sampled, failed, and other counts."""
    sampled, failed, seed = detail["sampled"], detail["failed"], detail["seed"]
    message = f"drill: {sampled:,} copies restored, {failed:,} failed (seed {seed})"
    with ctx.catalog.transaction():
        now = ctx.clock.now()
        add_event(ctx.catalog, EventType.VALIDATION, outcome, message, now, job_id=job, place_id=place.id)
        end_job(ctx.catalog, job, outcome, detail, now)


def require_scratch_space(ctx: JobContext, size: int, free_bytes: int) -> None:
    """Raise NoSpaceError if the scratch folder has too few free bytes for a copy of this size."""
    if get_free_bytes(ctx.home) < free_bytes:
        raise NoSpaceError(
            f"The scratch folder has no room for a file of {size:,} bytes.",
            safe="Nothing was changed.",
            do="Make room on the laptop's disk, or choose another --home.",
        )


def hash_scratch_file(target: Path) -> File:
    """Hash a file in the scratch folder. Raises OSError."""
    with target.open("rb") as file:
        return hash_chunks(iter(lambda: file.read(CHUNK_BYTES), b""))


def choose_sample(ctx: JobContext, place: PlaceRecord, sample_size: int, seed: int) -> tuple[int, list[int]]:
    """Return how many copies a place has, and the ids of a random sample of them."""
    ids = file_queries.list_present_copy_ids(ctx.catalog, place.id)
    return len(ids), random.Random(f"{seed} {place.uid}").sample(ids, min(sample_size, len(ids)))


@dataclass(frozen=True, slots=True)
class _CopyFault:
    """What is wrong with a copy, and what is at its path."""

    kind: FindingKind
    reason: str
    current_entry: Entry | None


def _find_copy_fault(ctx: JobContext, drive: OpenDrive, copy: Copy) -> _CopyFault | None:
    """Return what is wrong with a copy, None if it can be restored; a sidecar may have been edited.

    A single bad reading may be the cable's fault; only a second one is the copy's.
    """
    known = file_queries.get_file(ctx.catalog, copy.file_id)
    try:
        seen = drive.place.stat(copy.path)
    except CopyError as error:
        if not drive.place.is_connected():
            raise
        return _CopyFault(FindingKind.CORRUPT, error.what, None)
    if seen is None:
        return _CopyFault(FindingKind.MISSING, "it is not there", None)
    edited = known.kind is FileKind.COMPANION and not is_untouched(copy, seen)
    why = None
    for _ in range(2):
        why = _restore_and_compare(ctx, drive, copy, None if edited else known.file)
        if why is None:
            return None
    kind = FindingKind.CORRUPT if is_as_recorded(copy, seen) else FindingKind.ALTERED
    return _CopyFault(kind, str(why), seen)


def _restore_and_compare(ctx: JobContext, drive: OpenDrive, copy: Copy, expected: File | None) -> str | None:
    """Restore a copy and compare; return why it failed, None if it is equal.

    expected: what it should hold; None to accept any content.
    """
    target = prepare_scratch_path(ctx.home, f"drill-{copy.id}")
    try:
        require_scratch_space(ctx, copy.size, copy.size * 2)
        try:
            read = _copy_to_scratch(drive, copy, target)
        except _UnreadableCopyError as error:
            if not drive.place.is_connected():
                raise PlaceFailedError(
                    f"Drive {drive.record.name} stopped answering.",
                    safe="A drill only reads; nothing was found wrong with its copies.",
                    do="Check the cable, connect it again, then run the drill again.",
                ) from error
            return f"it can't be read ({error})"
        except OSError as error:
            raise NoSpaceError(
                f"The scratch folder can't take a file of {copy.size:,} bytes ({error.strerror or error}).",
                safe="A drill only reads; nothing was found wrong with the copies.",
                do="Make room on the laptop's disk, or choose another --home.",
            ) from error
        if expected is not None and read != expected:
            return "it holds other bytes than recorded"
        return None if hash_scratch_file(target) == read else "it arrived with other bytes"
    finally:
        delete_scratch(target)


class _UnreadableCopyError(Exception):
    """A copy could not be read to its end."""


def _copy_to_scratch(drive: OpenDrive, copy: Copy, target: Path) -> File:
    """Restore a copy to the scratch folder; return what was read. Raises _UnreadableCopyError, OSError."""
    hasher, buffer = Hasher(), allocate_aligned(CHUNK_BYTES)
    try:
        reading = drive.place.open_reader(copy.path)
    except PermissionError as error:
        raise PlaceFailedError(
            f"Drive {drive.record.name}: you may not read {escape_text(copy.path)}.",
            safe="A drill only reads; nothing was found wrong with its copies.",
            do="Look who owns it and what is allowed there, then run the drill again.",
        ) from error
    except OSError as error:
        raise _UnreadableCopyError(error.strerror or error) from error

    def read() -> int:
        try:
            return reading.readinto(buffer)
        except OSError as error:
            raise _UnreadableCopyError(error.strerror or error) from error

    def pieces() -> Iterator[memoryview]:
        while count := read():
            hasher.update(buffer[:count])
            yield buffer[:count]

    try:
        write_scratch(target, pieces())
    finally:
        reading.close()
    return hasher.as_file()
