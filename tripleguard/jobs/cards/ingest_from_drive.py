"""Ingest what another program put onto a drive: hash it, record it under its folder's shoot, verify it.

The file stays where it is. It is first flushed to the medium and then read from there, so the record is what the
drive holds. A file that changes while it is read is postponed. A new one that is cut short is not recorded:
copying it was interrupted, and the part must not become the original. A known file that was only moved is recorded
as moved.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from tripleguard.cameras.integrity.checker import is_cut_short
from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog import file_queries, folder_queries, shoots
from tripleguard.catalog.event_log import begin_job, end_job
from tripleguard.catalog.file_updates import ensure_shoot
from tripleguard.catalog.findings import resolve_at
from tripleguard.catalog.frame_counts import get_session_cards
from tripleguard.catalog.integrity import update_model_quirks
from tripleguard.digest import SamplingHasher
from tripleguard.errors import CopyError, PlaceFailedError, StoppedError, TripleguardError
from tripleguard.jobs.context import JobContext, current_agent
from tripleguard.jobs.copying.buffers import CHUNK_BYTES
from tripleguard.jobs.copying.copy_tasks import CopyTask, CopyVerified, CopyWritten, VerifyRequest
from tripleguard.jobs.copying.destination import Destination, DestinationResolver
from tripleguard.jobs.copying.engine import HEAD_BYTES
from tripleguard.jobs.copying.recording import CopyRecorder
from tripleguard.jobs.drive_records import write_checklists_and_snapshots
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.integrity import IntegrityResult, finish_integrity_check, start_integrity_check
from tripleguard.jobs.missing_frames import update_gaps
from tripleguard.jobs.progress import Job, ProgressUpdate
from tripleguard.jobs.rescan.recorder import RescanRecorder
from tripleguard.jobs.rescan.scan_results import MatchingCopy, MismatchedCopy, MissingCopy, UnknownFile
from tripleguard.layout import guess_shoot, parse_shoot_path
from tripleguard.model import (
    Copy,
    CopyState,
    Entry,
    EventOutcome,
    EventType,
    File,
    FileKind,
    FindingKind,
    Integrity,
    Medium,
)
from tripleguard.names import add_number
from tripleguard.places.cache_bypass import allocate_aligned
from tripleguard.rules import needs_recording
from tripleguard.wording import pluralize

_BATCH_FILES = 64
"""How many files are flushed and recorded together."""
_UNDAMAGED = (Integrity.CLEAN, Integrity.UNCHECKED)


@dataclass(slots=True)
class IngestResult:
    """What an ingest did.

    Attributes:
        entered: Files that are new on this drive.
        moved: Known files that have another path now.
        postponed: Paths that changed while they were read or could not be read; the next run tries again.
        incomplete: Paths of new files that are cut short, as an interrupted copy leaves them; not recorded.
        edited: Paths of originals that another program changed in place; recorded as a second version.
        damaged: Paths of originals that changed and may be damaged now; findings.
        empty: Paths of recorded files without content.
    """

    entered: int = 0
    moved: int = 0
    total_bytes: int = 0
    postponed: list[str] = field(default_factory=list)
    incomplete: list[str] = field(default_factory=list)
    edited: list[str] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)
    empty: list[str] = field(default_factory=list)
    errors: list[TripleguardError] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class _FileOnMedium:
    """One file as read from the medium."""

    entry: Entry
    file: File
    sample: bytes
    head: bytes
    medium: Medium
    integrity: IntegrityResult | None


def ingest_from_drive(
    ctx: JobContext, drive: OpenDrive, paths: Sequence[str], *, include_unsorted: bool = False
) -> Job[IngestResult]:
    """Record the files at these paths of an open and locked drive. Yields progress.

    Records made before an error stay.

    Args:
        include_unsorted: A person asked for all there is: also record files outside any shoot's folder, under the
            name of their own folder, and files that are cut short.

    Raises:
        StoppedError, CatalogError: The job ended early.
        PlaceFailedError: The drive went away.
    """
    job = _IngestRun(ctx, drive, include_unsorted=include_unsorted)
    outcome = EventOutcome.FAILURE
    try:
        for start in range(0, len(paths), _BATCH_FILES):
            if ctx.stop.is_set():
                raise _stopped_error(start, len(paths))
            job.record_files(job.read_all(paths[start : start + _BATCH_FILES]))
            done = min(start + _BATCH_FILES, len(paths))
            yield ProgressUpdate(
                f"new files on {drive.record.name}", done, len(paths), job.result.total_bytes, 0, 0.0, None
            )
        outcome = EventOutcome.PARTIAL if job.result.postponed or job.result.incomplete else EventOutcome.SUCCESS
    finally:
        job.finish_job(outcome)
    job.result.errors += write_checklists_and_snapshots(ctx, [drive], with_snapshots=True)
    return job.result


def _stopped_error(done: int, total_files: int) -> StoppedError:
    return StoppedError(
        f"Stopped after {done:,} of {total_files:,} files.",
        safe="What was entered stays; the files lie where they are.",
        do="The watch takes in the rest at its next start.",
    )


class _IngestRun:
    """One run on one drive, in the caller's thread."""

    def __init__(self, ctx: JobContext, drive: OpenDrive, *, include_unsorted: bool) -> None:
        self._include_unsorted = include_unsorted
        self.result = IngestResult()
        self._ctx = ctx
        self._drive = drive
        self._buffer = allocate_aligned(CHUNK_BYTES)
        self._shoots: dict[int, int] = {}
        labels = {key: label for key, (_, label) in shoots.list_bodies(ctx.catalog).items()}
        self._resolver = DestinationResolver(
            ctx.settings.layout, ctx.clock.zone(), lambda _: ctx.settings.layout.shoot, labels
        )
        now = ctx.clock.now()
        with ctx.catalog.transaction():
            self._job_id = begin_job(ctx.catalog, "take in", drive.record.name, current_agent(), now)
        self._recorder = CopyRecorder(ctx, self._job_id, [drive])
        self._rescan_recorder = RescanRecorder(
            ctx.catalog, self._job_id, drive.record, ctx.settings.rule.drive_copies, now
        )

    def read_all(self, paths: Sequence[str]) -> list[_FileOnMedium]:
        """Return what the medium holds at those paths that have new, stable files.

        If the job is stopped, return what was read by then. Raises PlaceFailedError if the drive went away.
        """
        entries = []
        for path in paths:
            entry = self._drive.place.stat(path)
            # A new file that is still empty was just begun by another program; one in an old archive stays empty.
            if entry is not None and (entry.size > 0 or self._include_unsorted) and not self._is_known(entry):
                entries.append(entry)
        found = []
        for entry in self._flush_files(entries):
            if self._ctx.stop.is_set():
                break
            one = self._read_file(entry)
            if one is None:
                self.result.postponed.append(entry.path)
            elif self._is_incomplete(one):
                self.result.incomplete.append(entry.path)
            else:
                found.append(one)
        return found

    def _flush_files(self, entries: Sequence[Entry]) -> list[Entry]:
        """Return those of these files that could be flushed. Raises PlaceFailedError if the drive went away."""
        if not entries:
            return []
        try:
            self._drive.place.fsync_files(*(entry.path for entry in entries))
        except CopyError as error:
            if not self._drive.place.is_connected():
                raise self._drive_gone_error() from error
            if len(entries) == 1:
                self.result.postponed.append(entries[0].path)
                return []
            half = len(entries) // 2
            return [*self._flush_files(entries[:half]), *self._flush_files(entries[half:])]
        return list(entries)

    def _read_file(self, entry: Entry) -> _FileOnMedium | None:
        """Return what the medium holds; None if unreadable or changed meanwhile. Raises PlaceFailedError."""
        place = self._drive.place
        hasher, look, head = SamplingHasher(), start_integrity_check(entry), b""
        try:
            reading = place.open_reader(entry.path)
            try:
                while count := reading.readinto(self._buffer):
                    if len(head) < HEAD_BYTES:
                        head += bytes(self._buffer[: min(count, HEAD_BYTES - len(head))])
                    hasher.update(self._buffer[:count])
                    if look is not None:
                        look.feed(self._buffer[:count])
            finally:
                reading.close()
            file, now = hasher.as_file(), place.stat(entry.path)
        except (OSError, CopyError) as error:
            if not place.is_connected():
                raise self._drive_gone_error() from error
            return None
        if now != entry or file.size != entry.size:
            return None
        integrity = finish_integrity_check(look, head, entry.name) if look is not None else None
        return _FileOnMedium(entry, file, hasher.sample(), head, reading.medium, integrity)

    def _is_incomplete(self, item: _FileOnMedium) -> bool:
        """Return whether a file is cut short and may yet be copied whole; one with known content is not."""
        if self._include_unsorted or item.integrity is None or not is_cut_short(item.integrity.verdict):
            return False
        return file_queries.find_file_by_digest(self._ctx.catalog, item.file.digest) is None

    def record_files(self, batch: Sequence[_FileOnMedium]) -> None:
        """Record what was read, in one commit."""
        if not batch:
            return
        with self._ctx.catalog.transaction():
            for found in batch:
                before = self.result.entered
                self._record_file(found)
                if found.file.size == 0 and self.result.entered > before:
                    self.result.empty.append(found.entry.path)

    def finish_job(self, outcome: EventOutcome) -> None:
        """End the job with one event for each shoot that got files."""
        with self._ctx.catalog.transaction():
            for shoot_id, files in self._shoots.items():
                self._recorder.add_job_event(
                    EventType.INGESTION,
                    outcome,
                    f"{pluralize(files, 'file that', 'files that')} another program put on drive "
                    f"{self._drive.record.name} {'was' if files == 1 else 'were'} entered",
                    shoot_id=shoot_id,
                    place_id=self._drive.record.id,
                )
            update_model_quirks(self._ctx.catalog, self._ctx.clock.now())
            detail = {"entered": self.result.entered, "moved": self.result.moved, "bytes": self.result.total_bytes}
            end_job(self._ctx.catalog, self._job_id, outcome, detail, self._ctx.clock.now())
        # Frames that came without a card can't be missing from one.
        update_gaps(self._ctx, self._nights_with_cards())

    def _nights_with_cards(self) -> list[str]:
        """Return the shooting days of the recorded files that had cards."""
        days = {shoots.get_shoot(self._ctx.catalog, shoot_id).day for shoot_id in self._shoots}
        return sorted(day for day in days if get_session_cards(self._ctx.catalog, day).readings)

    def _is_known(self, entry: Entry) -> bool:
        """Return whether the catalog has this path as it is."""
        copy = file_queries.find_copy_at(self._ctx.catalog, self._drive.record.id, entry.path)
        return not needs_recording(copy, entry, kind_of(entry.name))

    def _record_file(self, item: _FileOnMedium) -> None:
        catalog, place_id, entry = self._ctx.catalog, self._drive.record.id, item.entry
        self.result.total_bytes += item.file.size
        existing = file_queries.find_copy_at(catalog, place_id, entry.path)
        unknown = UnknownFile(0, entry, item.file, item.sample, item.medium)
        if existing is not None and existing.state is CopyState.MISSING:
            self._record_reappeared(item, existing)
        elif existing is not None and kind_of(entry.name).is_original:
            self._record_changed_original(item, existing)
        elif existing is not None:
            self._record_mismatch(item, existing)
            self.result.entered += 1
        elif item.file.size > 0 and self._was_moved(item):
            self._rescan_recorder.record_unknown(unknown)
            self.result.moved += 1
        elif kind_of(entry.name) is FileKind.COMPANION:
            self._rescan_recorder.record_unknown(unknown)
            if self._include_unsorted and file_queries.find_copy_at(catalog, place_id, entry.path) is None:
                # It has no picture beside it, or no content: record it all the same.
                self._record_original(item, self._adopted_shoot(item))
            else:
                self.result.entered += 1
        elif self._include_unsorted:
            self._record_original(item, self._adopted_shoot(item))
        elif (shoot := self._shoot_of(entry)) is not None:
            self._record_original(item, shoot)
        else:
            self._rescan_recorder.record_unknown(unknown)

    def _record_reappeared(self, item: _FileOnMedium, copy: Copy) -> None:
        """Record that a missing copy's path holds a file again: that copy, or another version of it."""
        if file_queries.get_file(self._ctx.catalog, copy.file_id).file == item.file:
            self._rescan_recorder.record_match(MatchingCopy(0, copy, item.entry, item.medium))
            self.result.moved += 1
        elif kind_of(item.entry.name).is_original:
            self._record_changed_original(item, copy)

    def _record_changed_original(self, item: _FileOnMedium, copy: Copy) -> None:
        """Record an original that another program changed in place as a second version; keep the first one too.

        The path holds the second version from now on, so each drive lacks one of the two, and a topup brings it
        there under a numbered name. What may be damaged is not a version: it is a finding for `repair`.
        """
        if file_queries.get_file(self._ctx.catalog, copy.file_id).file == item.file:
            self._rescan_recorder.record_match(MatchingCopy(0, copy, item.entry, item.medium))
            return
        if item.integrity is None or item.integrity.verdict.integrity not in _UNDAMAGED:
            self._record_mismatch(item, copy)
            self.result.damaged.append(item.entry.path)
            return
        shoot = shoots.get_shoot(self._ctx.catalog, copy.shoot_id)
        self._rescan_recorder.record_replaced(copy, self._find_free_path(copy.path))
        self._record_original(item, (shoot.day, shoot.name))
        self.result.edited.append(item.entry.path)

    def _find_free_path(self, path: str) -> str:
        """Return a numbered path beside this one that no file and no copy has."""
        folder, _, name = path.rpartition("/")
        paths = (f"{folder}/{add_number(name, number)}" for number in itertools.count(2))
        place_id = self._drive.record.id
        return next(
            one
            for one in paths
            if not self._drive.place.exists(one)
            and file_queries.find_copy_at(self._ctx.catalog, place_id, one) is None
        )

    def _record_mismatch(self, item: _FileOnMedium, copy: Copy) -> None:
        mismatch = MismatchedCopy(0, copy, item.entry, item.file, item.sample, 0, item.medium)
        self._rescan_recorder.record_mismatch(mismatch)

    def _was_moved(self, item: _FileOnMedium) -> bool:
        """Return whether a copy of these bytes has vanished from its old path on this drive."""
        known = file_queries.find_file_by_digest(self._ctx.catalog, item.file.digest)
        moved = False
        for copy in file_queries.list_copies(self._ctx.catalog, known.id) if known else ():
            if copy.place_id != self._drive.record.id or copy.state not in (CopyState.PRESENT, CopyState.MISSING):
                continue
            if self._drive.place.stat(copy.path) is None:
                if copy.state is CopyState.PRESENT:
                    self._rescan_recorder.record_missing(MissingCopy(0, copy))
                moved = True
        return moved

    def _shoot_of(self, entry: Entry) -> tuple[str, str] | None:
        """Return the shoot of a file by its folder or the files beside it; None if there is none."""
        shoot = parse_shoot_path(self._ctx.settings.layout, entry.path)
        if shoot is not None:
            return shoot
        beside = folder_queries.list_copies_in_folder(self._ctx.catalog, self._drive.record.id, entry.folder)
        if not beside:
            return None
        one = shoots.get_shoot(self._ctx.catalog, beside[0].shoot_id)
        return one.day, one.name

    def _adopted_shoot(self, item: _FileOnMedium) -> tuple[str, str]:
        """Return the shoot of a file in an archive made by hand: of the same bytes, else by its folder."""
        known = file_queries.find_file_by_digest(self._ctx.catalog, item.file.digest)
        if known is not None and item.file.size > 0:
            shoot = shoots.get_shoot(self._ctx.catalog, known.shoot_id)
            return shoot.day, shoot.name
        day, name = self._shoot_of(item.entry) or guess_shoot(item.entry.folder)
        placing = self._resolver.resolve(item.entry, item.head)
        return day or placing.day, name or self._ctx.settings.layout.shoot

    def _record_original(self, item: _FileOnMedium, shoot: tuple[str, str]) -> None:
        placing = self._resolve_destination(item, shoot)
        task = CopyTask(item.entry, lambda: self._drive.place.open_reader(item.entry.path), (0,), lambda: True)
        task.file, task.sample, task.destination = item.file, item.sample, placing
        self._recorder.record_written(CopyWritten(task, 0, item.entry), by_us=False)
        self._recorder.record_integrity(item.file, item.integrity)
        proof = VerifyRequest(item.entry.path, item.file, task=task)
        self._recorder.record_verified(CopyVerified(proof, 0, item.medium, 1, item.entry))
        kinds, now = (FindingKind.STRAY, FindingKind.MISSING), self._ctx.clock.now()
        resolve_at(self._ctx.catalog, self._drive.record.id, item.entry.path, "it was entered", now, kinds=kinds)
        shoot_id = ensure_shoot(self._ctx.catalog, *shoot, self._ctx.clock.now())
        self._shoots[shoot_id] = self._shoots.get(shoot_id, 0) + 1
        self.result.entered += 1

    def _resolve_destination(self, item: _FileOnMedium, shoot: tuple[str, str]) -> Destination:
        """Return the destination by the camera's metadata, under the shoot of the folder."""
        placing = self._resolver.resolve(item.entry, item.head)
        return replace(placing, day=shoot[0], shoot=shoot[1])

    def _drive_gone_error(self) -> CopyError:
        return PlaceFailedError(
            f"Drive {self._drive.record.name} stopped answering.",
            safe="What was entered before stays in the catalog.",
            do="Check the cable and connect it again: the rest is taken in then.",
        )
