"""Import ratings that an editor or a camera wrote, and choose the selects by them.

Sidecars are searched on every connected drive, and in named folders, such as the editor's working folder on the
laptop; only those changed since the last time are read. Pictures are read once, as they never change. A sidecar
outranks its picture, and a newer sidecar an older one.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tripleguard.cameras.image_info import read_embedded_rating
from tripleguard.cameras.kinds import get_frame_key, kind_of
from tripleguard.cameras.rating import MAX_SIDECAR_BYTES, InvalidXmpError, parse_sidecar_rating
from tripleguard.catalog import file_queries, selects
from tripleguard.catalog.event_log import add_event, begin_job, end_job
from tripleguard.catalog.store import Catalog
from tripleguard.digest import SamplingHasher, compute_sample
from tripleguard.errors import CopyError
from tripleguard.jobs.context import JobContext, current_agent
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.frame_files import FrameFile, files_of_frame, files_of_frame_at, update_wanted_offsite
from tripleguard.jobs.progress import Job, Progress, ProgressUpdate
from tripleguard.jobs.rescan.recorder import RescanRecorder
from tripleguard.jobs.rescan.scan_results import MismatchedCopy, UnknownFile
from tripleguard.model import Entry, EventOutcome, EventType, FileKind, Medium
from tripleguard.names import escape_text
from tripleguard.places.base import Place, SourceFolder

_HEAD_BYTES = 256 * 1024
_BATCH_SIZE = 500


@dataclass(slots=True)
class RatingsImport:
    """What was read and what changed.

    sidecars, pictures: how many were read now. unmatched: sidecars that match no known picture or can't be parsed,
    with the reason.
    """

    sidecars: int = 0
    pictures: int = 0
    added: int = 0
    dropped: int = 0
    total_selects: int = 0
    unmatched: list[tuple[str, str]] = field(default_factory=list)
    seconds: float = 0.0


def import_ratings(
    ctx: JobContext, drives: Sequence[OpenDrive], folders: Sequence[Path] = ()
) -> Job[RatingsImport]:
    """Read new ratings on the drives and below the outside folders, and choose by them. Yields progress.

    Raises PlaceError for an outside path that is no folder, CatalogError.
    """
    began, result = time.monotonic(), RatingsImport()
    cards = [ctx.places.open_source(folder) for folder in folders]
    with ctx.catalog.transaction():
        job = begin_job(ctx.catalog, "selects learn", "", current_agent(), ctx.clock.now())
    try:
        for drive in drives:
            yield from _import_from_sidecars(ctx, drive.record.uid, _DriveSidecars(ctx, job, drive), result)
            yield from _import_from_pictures(ctx, drive, result)
        for card in cards:
            yield from _import_from_sidecars(ctx, str(card.root), _LooseSidecars(ctx.catalog, card), result)
    finally:
        for card in cards:
            card.close()
    with ctx.catalog.transaction():
        now = ctx.clock.now()
        result.added, result.dropped = selects.apply_ratings(ctx.catalog, ctx.settings.selects.at_least, now)
        update_wanted_offsite(ctx.catalog)
        if result.added or result.dropped:
            add_event(
                ctx.catalog,
                EventType.METADATA_MODIFICATION,
                EventOutcome.SUCCESS,
                f"selects by rating: {result.added:,} chosen, {result.dropped:,} not any more",
                now,
            )
        detail = {"sidecars": result.sidecars, "pictures": result.pictures}
        end_job(ctx.catalog, job, EventOutcome.PARTIAL if ctx.stop.is_set() else EventOutcome.SUCCESS, detail, now)
    result.total_selects = len(selects.list_selects(ctx.catalog))
    result.seconds = round(time.monotonic() - began, 3)
    return result


@dataclass(frozen=True, slots=True)
class _SidecarRating:
    """The rating in one sidecar, with its frame."""

    entry: Entry
    content: bytes
    rating: float | None
    frame: list[FrameFile]


class _DriveSidecars:
    """The sidecars on a drive, and their frames. An edited one becomes a new version."""

    def __init__(self, ctx: JobContext, job: int, drive: OpenDrive) -> None:
        self._place = drive.place
        self._record = drive.record
        self._catalog = ctx.catalog
        self._recorder = RescanRecorder(
            ctx.catalog, job, drive.record, ctx.settings.rule.drive_copies, ctx.clock.now()
        )

    def list_sidecars(self) -> Iterator[Entry]:
        return (entry for entry in self._place.walk("") if kind_of(entry.name) is FileKind.COMPANION)

    def read_content(self, entry: Entry) -> bytes:
        return read_head(self._place, entry.path, MAX_SIDECAR_BYTES + 1)

    def find_frame(self, catalog: Catalog, entry: Entry) -> list[FrameFile] | str:
        found = files_of_frame_at(catalog, entry.path, (self._record.id,))
        return found or "no picture of that name lies beside it in the catalog"

    def record(self, entry: Entry, content: bytes) -> bool:
        """Record the sidecar's content; return False if it is corrupt, so that its rating is ignored."""
        hasher = SamplingHasher()
        hasher.update(content)
        file, sample = hasher.as_file(), hasher.sample()
        copy = file_queries.find_copy_at(self._catalog, self._record.id, entry.path)
        if copy is None:
            self._recorder.record_unknown(UnknownFile(0, entry, file, sample, Medium.CACHED))
        elif file_queries.get_file(self._catalog, copy.file_id).file != file:
            self._recorder.record_mismatch(MismatchedCopy(0, copy, entry, file, sample, 0, Medium.CACHED))
            now = file_queries.get_copy(self._catalog, copy.id)
            return file_queries.get_file(self._catalog, now.file_id).file == file
        return True


class _LooseSidecars:
    """The sidecars in a folder off the drives; pictures are matched by content or by a unique name."""

    def __init__(self, catalog: Catalog, card: SourceFolder) -> None:
        self._card = card
        self._pictures: dict[tuple[str, str], Entry] = {}

    def list_sidecars(self) -> Iterator[Entry]:
        found: list[Entry] = []
        for item in self._card.entries():
            if not isinstance(item, Entry):
                continue
            kind = kind_of(item.name)
            if kind is FileKind.COMPANION:
                found.append(item)
            elif kind in (FileKind.RAW, FileKind.PICTURE):
                self._pictures.setdefault(get_frame_key(item.path), item)
        return iter(found)

    def read_content(self, entry: Entry) -> bytes:
        return self._card.read_at(entry.path, 0, MAX_SIDECAR_BYTES + 1)

    def record(self, entry: Entry, content: bytes) -> bool:
        """Record nothing: loose sidecars are not tracked as copies."""
        return True

    def find_frame(self, catalog: Catalog, entry: Entry) -> list[FrameFile] | str:
        beside = self._pictures.get(get_frame_key(entry.path))
        if beside is not None:
            known = match_by_content(catalog, self._card, beside)
            if known is not None:
                return files_of_frame(catalog, known)
        frames = find_frames_by_name(catalog, get_frame_key(entry.path)[1])
        if len(frames) == 1:
            return frames[0]
        return "no picture in the catalog has its name" if not frames else f"{len(frames)} frames have its name"


def match_by_content(catalog: Catalog, card: SourceFolder, entry: Entry) -> int | None:
    """Return the file with this name, size and sample of both ends; None if there is none."""
    alike = file_queries.list_files_like(catalog, entry.name, entry.size)
    if not alike:
        return None

    def read_at(offset: int, length: int) -> bytes:
        return card.read_at(entry.path, offset, length)

    try:
        sample = compute_sample(entry.size, read_at)
    except OSError:
        return None
    return next((known.id for known in alike if known.sample == sample), None)


def find_frames_by_name(catalog: Catalog, name: str) -> list[list[FrameFile]]:
    """Return every frame with a file of this name, with or without its extension."""
    frames: dict[int, list[FrameFile]] = {}
    for known in selects.list_files_by_name(catalog, name):
        frame = files_of_frame(catalog, known.id)
        if frame:
            frames[frame[0].file_id] = frame
    return list(frames.values())


def read_head(place: Place, path: str, length: int) -> bytes:
    """Return up to length bytes from the start of a file on a drive. Raises OSError."""
    descriptor = place.open_for_reading(path)
    try:
        with os.fdopen(descriptor, "rb", closefd=False) as file:
            return file.read(length)
    finally:
        os.close(descriptor)


def _read_embedded_rating(place: Place, path: str, name: str) -> float | None:
    """Return the rating that a picture on a drive contains. Raises OSError."""
    descriptor = place.open_for_reading(path)
    try:
        with os.fdopen(descriptor, "rb", closefd=False) as file:

            def read_at(offset: int, length: int) -> bytes:
                file.seek(offset)
                return file.read(length)

            return read_embedded_rating(file.read(_HEAD_BYTES), name, read_at)
    finally:
        os.close(descriptor)


def _import_from_sidecars(
    ctx: JobContext, source: str, origin: _DriveSidecars | _LooseSidecars, result: RatingsImport
) -> Iterator[Progress]:
    batch: list[_SidecarRating] = []
    for entry in origin.list_sidecars():
        if ctx.stop.is_set():
            break
        if selects.find_sidecar_reading(ctx.catalog, source, entry.path) == (entry.size, entry.mtime_ns):
            continue
        try:
            content = origin.read_content(entry)
            rating = parse_sidecar_rating(content)
        except (InvalidXmpError, OSError, CopyError) as error:
            result.unmatched.append((entry.path, str(error)))
            continue
        frame = origin.find_frame(ctx.catalog, entry)
        if isinstance(frame, str):
            result.unmatched.append((entry.path, frame))
            continue
        result.sidecars += 1
        batch.append(_SidecarRating(entry, content, rating, frame))
        if len(batch) >= _BATCH_SIZE:
            _record_sidecars(ctx, source, origin, batch)
            batch.clear()
            yield ProgressUpdate("reading ratings", result.sidecars + result.pictures, 0, 0, 0, 0.0, None)
    _record_sidecars(ctx, source, origin, batch)


def _record_sidecars(
    ctx: JobContext, source: str, origin: _DriveSidecars | _LooseSidecars, batch: Iterable[_SidecarRating]
) -> None:
    with ctx.catalog.transaction():
        for sidecar in batch:
            if origin.record(sidecar.entry, sidecar.content):
                main, now = sidecar.frame[0].file_id, ctx.clock.now()
                selects.record_rating(ctx.catalog, main, sidecar.rating, sidecar.entry.mtime_ns, now)
            selects.record_sidecar_reading(ctx.catalog, source, sidecar.entry)


def _import_from_pictures(ctx: JobContext, drive: OpenDrive, result: RatingsImport) -> Iterator[Progress]:
    batch: list[tuple[int, int, float | None]] = []
    for known, path in selects.iter_files_without_rating_check(ctx.catalog, drive.record.id):
        if ctx.stop.is_set():
            break
        try:
            rating = _read_embedded_rating(drive.place, path, known.name)
        except (OSError, CopyError) as error:
            result.unmatched.append((path, f"it can't be read ({escape_text(str(error))})"))
            continue
        result.pictures += 1
        frame = files_of_frame_at(ctx.catalog, path, (drive.record.id,)) if rating else []
        batch.append((known.id, frame[0].file_id if frame else known.id, rating))
        if len(batch) >= _BATCH_SIZE:
            _record_pictures(ctx, batch)
            batch.clear()
            yield ProgressUpdate("reading ratings", result.sidecars + result.pictures, 0, 0, 0, 0.0, None)
    _record_pictures(ctx, batch)


def _record_pictures(ctx: JobContext, batch: Iterable[tuple[int, int, float | None]]) -> None:
    with ctx.catalog.transaction():
        for file_id, main, rating in batch:
            selects.mark_rating_checked(ctx.catalog, file_id)
            if rating:
                selects.record_rating(ctx.catalog, main, rating, None, ctx.clock.now())
