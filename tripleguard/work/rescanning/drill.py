"""Proving by restoring: a random sample from every drive, copied out and compared.

A rescan says that copies read back; a drill says that they can be had again. Each sampled copy is restored into a
scratch folder, read there, compared, and removed from it again. The seed is recorded, so that a drill can be
repeated.
"""

from __future__ import annotations

import random
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tripleguard.catalog import questions
from tripleguard.catalog.journal import add_event, begin_job, end_job
from tripleguard.digest import Hasher, file_of
from tripleguard.errors import CopyTrouble, NoRoom, PlaceFailed, Stopped
from tripleguard.forecast import share_bound
from tripleguard.home import forget_scratch, scratch_file, scratch_room, write_scratch
from tripleguard.model import Copy, Entry, EventType, File, FindingKind, Kind, Outcome, PlaceRecord
from tripleguard.names import shown
from tripleguard.places.media import aligned_buffer
from tripleguard.rules import is_as_recorded, is_untouched
from tripleguard.work.chunks import CHUNK
from tripleguard.work.failing import enter_failed
from tripleguard.work.kit import Kit, OpenDrive, agent
from tripleguard.work.progress import Job, Moved


@dataclass(frozen=True, slots=True)
class PlaceDrilled:
    """One drive's drill. copies: those that are thought to be good, of which the sample was drawn.

    known_bad: those that are known to be missing or bad and were left out. bound: with 95 % confidence at most
    this share of `copies` can't be restored.
    """

    place: str
    copies: int
    known_bad: int
    sampled: int
    failed: tuple[tuple[str, str], ...]
    bound: float


@dataclass(frozen=True, slots=True)
class DrillResult:
    """What a drill found. seed repeats it on the same catalog."""

    places: tuple[PlaceDrilled, ...]
    seed: int
    seconds: float


def drill(kit: Kit, drives: Sequence[OpenDrive], files: int, seed: int) -> Job[DrillResult]:
    """Restore a random sample of `files` copies from each open drive and compare. Yields progress.

    Raises NoRoom if the scratch folder can't hold a file, PlaceFailed if a drive goes, Stopped, CatalogTrouble.
    """
    began = time.monotonic()
    found: list[PlaceDrilled] = []
    for drive in drives:
        with kit.catalog.writing():
            job = begin_job(kit.catalog, "drill", drive.record.name, agent(), kit.clock.now())
        bad, (total, chosen) = known_bad(kit, drive.record), sampled_ids(kit, drive.record, files, seed)
        sample = sorted((questions.copy_with_id(kit.catalog, one) for one in chosen), key=lambda copy: copy.path)
        failed: list[tuple[str, str]] = []
        size = sum(copy.size for copy in sample)
        done = 0
        for number, copy in enumerate(sample):
            if kit.stop.is_set():
                raise stopped()
            yield Moved(f"drill on {drive.record.name}", number, len(sample), done, size, 0.0, None)
            wrong = _wrong_with(kit, drive, copy)
            done += copy.size
            if wrong is not None:
                failed.append((copy.path, wrong.why))
                enter_failed(kit, copy, wrong.why, "drill", job, kind=wrong.kind, seen=wrong.seen)
        bound = share_bound(len(sample), len(failed))
        found.append(PlaceDrilled(drive.record.name, total, bad, len(sample), tuple(failed), bound))
        outcome = Outcome.FAILURE if failed else Outcome.SUCCESS
        enter_end(kit, drive.record, job, outcome, {"seed": seed, "sampled": len(sample), "failed": len(failed)})
    return DrillResult(tuple(found), seed, round(time.monotonic() - began, 3))


def stopped() -> Stopped:
    """A drill that a person ended."""
    return Stopped("The drill was stopped.", safe="It only reads.", do="Run it again at any time.")


def enter_end(kit: Kit, place: PlaceRecord, job: int, outcome: Outcome, detail: Mapping[str, int]) -> None:
    """Enter how the drill of a place ended. detail: seed, sampled, failed, and what else is to be kept."""
    sampled, failed, seed = detail["sampled"], detail["failed"], detail["seed"]
    message = f"drill: {sampled:,} copies restored, {failed:,} failed (seed {seed})"
    with kit.catalog.writing():
        now = kit.clock.now()
        add_event(kit.catalog, EventType.VALIDATION, outcome, message, now, job_id=job, place_id=place.id)
        end_job(kit.catalog, job, outcome, detail, now)


def need_room(kit: Kit, size: int, room: int) -> None:
    """Raise NoRoom if the scratch folder has less room than that for a copy of this size. Bytes."""
    if scratch_room(kit.home) < room:
        raise NoRoom(
            f"The scratch folder has no room for a file of {size:,} bytes.",
            safe="Nothing was changed.",
            do="Make room on the laptop's disk, or choose another --home.",
        )


def arrived_in(target: Path) -> File:
    """What a file in the scratch folder holds. Raises OSError."""
    with target.open("rb") as file:
        return file_of(iter(lambda: file.read(CHUNK), b""))


def sampled_ids(kit: Kit, place: PlaceRecord, files: int, seed: int) -> tuple[int, list[int]]:
    """How many copies a place has, and the ids of a random sample of them."""
    ids = [
        row[0]
        for row in kit.catalog.each(
            "SELECT id FROM copies WHERE place_id = ? AND state = 'present' ORDER BY id", place.id
        )
    ]
    return len(ids), random.Random(f"{seed} {place.uid}").sample(ids, min(files, len(ids)))


def known_bad(kit: Kit, place: PlaceRecord) -> int:
    """How many copies of a place are known to be missing or bad."""
    row = kit.catalog.row(
        "SELECT count(*) FROM copies WHERE place_id = ? AND state IN ('missing', 'corrupt', 'altered')",
        place.id,
    )
    return int(row[0]) if row else 0


@dataclass(frozen=True, slots=True)
class _Wrong:
    """What is wrong with a copy, and what stands at its path."""

    kind: FindingKind
    why: str
    seen: Entry | None


def _wrong_with(kit: Kit, drive: OpenDrive, copy: Copy) -> _Wrong | None:
    """What is wrong with a copy; None if it can be restored. A sidecar may have been edited since.

    A reading that is wrong once may be the cable; only one that is wrong twice is the copy.
    """
    known = questions.file_with_id(kit.catalog, copy.file_id)
    try:
        seen = drive.place.look(copy.path)
    except CopyTrouble as error:
        if not drive.place.here():
            raise
        return _Wrong(FindingKind.CORRUPT, error.what, None)
    if seen is None:
        return _Wrong(FindingKind.MISSING, "it is not there", None)
    edited = known.kind is Kind.COMPANION and not is_untouched(copy, seen)
    why = None
    for _ in range(2):
        why = _restored(kit, drive, copy, None if edited else known.file)
        if why is None:
            return None
    kind = FindingKind.CORRUPT if is_as_recorded(copy, seen) else FindingKind.ALTERED
    return _Wrong(kind, str(why), seen)


def _restored(kit: Kit, drive: OpenDrive, copy: Copy, expected: File | None) -> str | None:
    """Copy a copy out and compare what arrived; why it failed, None if it is equal.

    expected: what it should hold; None: whatever it holds.
    """
    target = scratch_file(kit.home, f"drill-{copy.id}")
    try:
        need_room(kit, copy.size, copy.size * 2)
        try:
            read = _copied_out(drive, copy, target)
        except _Unread as error:
            if not drive.place.here():
                raise PlaceFailed(
                    f"Drive {drive.record.name} stopped answering.",
                    safe="A drill only reads; nothing was found wrong with its copies.",
                    do="Check the cable, connect it again, then run the drill again.",
                ) from error
            return f"it can't be read ({error})"
        except OSError as error:
            raise NoRoom(
                f"The scratch folder can't take a file of {copy.size:,} bytes ({error.strerror or error}).",
                safe="A drill only reads; nothing was found wrong with the copies.",
                do="Make room on the laptop's disk, or choose another --home.",
            ) from error
        if expected is not None and read != expected:
            return "it holds other bytes than recorded"
        return None if arrived_in(target) == read else "it arrived with other bytes"
    finally:
        forget_scratch(target)


class _Unread(Exception):
    """A copy could not be read to its end."""


def _copied_out(drive: OpenDrive, copy: Copy, target: Path) -> File:
    """Restore a copy into the scratch folder; what was read on the way. Raises _Unread; OSError of the scratch."""
    hasher, buffer = Hasher(), aligned_buffer(CHUNK)
    try:
        reading = drive.place.read(copy.path)
    except PermissionError as error:
        raise PlaceFailed(
            f"Drive {drive.record.name}: you may not read {shown(copy.path)}.",
            safe="A drill only reads; nothing was found wrong with its copies.",
            do="Look who owns it and what is allowed there, then run the drill again.",
        ) from error
    except OSError as error:
        raise _Unread(error.strerror or error) from error

    def read() -> int:
        try:
            return reading.readinto(buffer)
        except OSError as error:
            raise _Unread(error.strerror or error) from error

    def pieces() -> Iterator[memoryview]:
        while count := read():
            hasher.update(buffer[:count])
            yield buffer[:count]

    try:
        write_scratch(target, pieces())
    finally:
        reading.close()
    return hasher.file()
