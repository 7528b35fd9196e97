"""Copy into the handover folder: read once, hash three ways, write, read back, publish.

A copy's BLAKE3 is compared with the catalog while it is read. A copy that differs, or can't be read, is tried once
more, then never handed over: another drive's copy is used, and the bad one becomes a finding. The same pass
computes the SHA-256 and SHA-512 of the manifests. A written file is read back past the cache, while the next one
is copied, and only then published.
"""

from __future__ import annotations

import contextlib
import urllib.parse
from collections import deque
from collections.abc import Generator, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from tripleguard.digest import Hasher, RunningChecksum, new_checksum
from tripleguard.errors import CopyError, NameTakenError, PlaceFailedError, StoppedError
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.copying.buffers import ReadAhead
from tripleguard.jobs.copying.hashing import ParallelHasher
from tripleguard.jobs.copying.recording import record_failed_copy
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.handover.selection import HandoverItem
from tripleguard.model import Copy, Medium
from tripleguard.names import escape_text
from tripleguard.places.copy_writer import DriveCopyWriter
from tripleguard.places.handover_folder import FinishedCopy, HandoverFolder
from tripleguard.rules import is_untouched

ALGORITHMS = ("blake3", "sha256", "sha512")
_FILES_PER_SAVE = 16
_BYTES_PER_SAVE = 256_000_000
_MAX_PENDING_READ_BACKS = 2
_CHANGED_REASON = "it was changed since it was last looked at"


@dataclass(frozen=True, slots=True)
class RejectedCopy:
    """A copy that was not used, and why."""

    place: str
    path: str
    reason: str


@dataclass(frozen=True, slots=True)
class _UnpublishedFile:
    """A copy that is written and flushed, but not yet published."""

    item: HandoverItem
    path: str
    incoming: DriveCopyWriter
    note: FinishedCopy
    verification: Future[Medium | None]


class HandoverCopier:
    """Copies one list of items. prefix: precedes each item's path in the folder."""

    def __init__(
        self,
        ctx: JobContext,
        drives: Sequence[OpenDrive],
        target: HandoverFolder,
        prefix: str,
        notes: dict[str, FinishedCopy],
        number: int,
    ) -> None:
        self._ctx = ctx
        self._drives = {drive.record.id: drive for drive in drives}
        self._target = target
        self._prefix = prefix
        self._notes = notes
        self._number = number
        self._pending: deque[_UnpublishedFile] = deque()
        self._unsaved_notes: list[FinishedCopy] = []
        self._hasher = ParallelHasher()
        self._read_ahead = ReadAhead("handover")
        self._read_back_ahead = ReadAhead("read-back")
        self._verifier_pool = ThreadPoolExecutor(max_workers=1, thread_name_prefix="read-back")
        self.job_id = 0
        self.copied = 0
        self.already_there = 0
        self.medium = Medium.DIRECT
        self.rejected: list[RejectedCopy] = []
        self.left_out: list[tuple[HandoverItem, str]] = []
        self.finished_notes: dict[str, FinishedCopy] = {}

    def close(self) -> None:
        """Discard what is not published yet, and end the threads."""
        for one in self._pending:
            one.verification.exception()
            one.incoming.discard()
        self._verifier_pool.shutdown()
        self._hasher.close()
        self._read_ahead.close()
        self._read_back_ahead.close()

    def copy_all(self, items: Sequence[HandoverItem]) -> Generator[tuple[int, int], None, None]:
        """Copy the missing items; yield (files, bytes) after each piece. Raises CopyError, StoppedError."""
        done = 0
        for files, item in enumerate(items):
            if not self._is_already_copied(item):
                written: _UnpublishedFile | None = None
                reading = self._copy_item(item)
                with contextlib.closing(reading):
                    while True:
                        try:
                            done_now = done + next(reading)
                        except StopIteration as end:
                            written = end.value
                            break
                        yield files, done_now
                if written is not None:
                    self._pending.append(written)
                    self._publish_verified(0 if self._target.is_rotational else _MAX_PENDING_READ_BACKS)
            done += item.known_file.file.size
            yield files + 1, done
        self._publish_verified(0)
        self._save_notes()

    def _is_already_copied(self, item: HandoverItem) -> bool:
        """Return whether an earlier run finished the item; it is read again, whatever was noted then.

        Raises NameTakenError if its name has other content, PlaceFailedError if it has changed since.
        """
        self._raise_if_stopped()
        path = self._prefix + item.path
        there = self._target.stat(path)
        if there is None:
            if self._target.exists(path):
                raise _build_name_taken_error(self._target.root, path)
            return False
        note = self._notes.get(_to_ascii(item.path))
        as_noted = note is not None and (note.size, note.mtime_ns) == (there.size, there.mtime_ns)
        was_whole = as_noted and note is not None and note.blake3 == item.known_file.file.digest.hex()
        self.finished_notes[item.path] = self._verify_existing(item, path, there.mtime_ns, was_verified=was_whole)
        if not was_whole:
            self._unsaved_notes.append(self.finished_notes[item.path])
        self.already_there += 1
        return True

    def _verify_existing(
        self, item: HandoverItem, path: str, mtime_ns: int, *, was_verified: bool
    ) -> FinishedCopy:
        """Verify an existing file; it must hold the item, or it is not ours to touch.

        was_verified: the run that published it read it back, and its time and size are unchanged.
        """
        sums = _create_hashers()
        size = 0
        try:
            reading = self._target.open_reader(path)
            try:
                with contextlib.closing(
                    self._read_ahead.read_pieces(reading, item.known_file.file.size)
                ) as chunks:
                    for chunk in chunks:
                        self._raise_if_stopped()
                        self._hasher.update(sums, chunk)
                        size += len(chunk)
                self._record_medium(reading.medium)
            finally:
                reading.close()
        except OSError as error:
            raise _build_unreadable_error(self._target, path, error) from error
        if sums["blake3"].hexdigest() != item.known_file.file.digest.hex():
            raise (
                _build_mismatch_error(self._target, path)
                if was_verified
                else _build_name_taken_error(self._target.root, path)
            )
        return _build_note(item, size, mtime_ns, sums)

    # From a drive

    def _copy_item(self, item: HandoverItem) -> Generator[int, None, _UnpublishedFile | None]:
        """Copy an item from its first good copy; yield the bytes so far."""
        for copy in item.copies:
            drive = self._drives.get(copy.place_id)
            if drive is None:
                continue
            why = ""
            # A single bad reading may be the cable's fault; only a second one is the copy's.
            for _ in range(2):
                try:
                    return (yield from self._copy_from(item, copy, drive))
                except _CopyRejectedError as error:
                    why = str(error)
                if not drive.place.is_connected():
                    break
            self._reject_copy(copy, drive, why)
        self.left_out.append((item, self._explain_left_out(item)))
        return None

    def _copy_from(
        self, item: HandoverItem, copy: Copy, drive: OpenDrive
    ) -> Generator[int, None, _UnpublishedFile]:
        file = item.known_file.file
        entry = drive.stat_or_none(copy.path)
        if entry is None:
            raise _CopyRejectedError("it is not there")
        incoming = self._target.begin_copy()
        try:
            sums, count = _create_hashers(), 0
            try:
                reading = drive.place.open_reader(copy.path)
                try:
                    with contextlib.closing(self._read_ahead.read_pieces(reading, entry.size)) as chunks:
                        for chunk in chunks:
                            self._raise_if_stopped()
                            self._hasher.update(sums, chunk, incoming.write)
                            count += len(chunk)
                            yield count
                finally:
                    reading.close()
            except OSError as error:
                raise _CopyRejectedError(f"it can't be read ({error.strerror or error})") from error
            if (sums["blake3"].hexdigest(), count) != (file.digest.hex(), file.size):
                raise _CopyRejectedError("it holds other bytes than recorded")
            incoming.flush(entry.mtime_ns)
        except BaseException:
            incoming.discard()
            raise
        note = _build_note(item, count, entry.mtime_ns, sums)
        proved = self._verifier_pool.submit(self._read_back, incoming.path, file.digest, file.size)
        return _UnpublishedFile(item, self._prefix + item.path, incoming, note, proved)

    def _reject_copy(self, copy: Copy, drive: OpenDrive, reason: str) -> None:
        """Reject a copy. If its stamp is as recorded, it becomes a finding."""
        if not drive.place.is_connected():
            self._drives.pop(copy.place_id, None)
            self.rejected.append(RejectedCopy(drive.record.name, copy.path, "its drive stopped answering"))
            return
        entry = drive.stat_or_none(copy.path)
        if entry is not None and is_untouched(copy, entry):
            record_failed_copy(self._ctx, copy, reason, "handover", self.job_id)
        elif entry is not None:
            reason = _CHANGED_REASON
        self.rejected.append(RejectedCopy(drive.record.name, copy.path, reason))

    def _explain_left_out(self, item: HandoverItem) -> str:
        paths = {copy.path for copy in item.copies}
        if any(bad.path in paths and bad.reason == _CHANGED_REASON for bad in self.rejected):
            return "it was changed on the drives; `tripleguard rescan` enters what it is now"
        if all(copy.place_id in self._drives for copy in item.copies):
            return "no good copy of it is left"
        return "no good copy of it is on a drive that is connected"

    # Back from the folder

    def _read_back(self, path: str, digest: bytes, size: int) -> Medium | None:
        """Return the medium that was read if the folder's disk holds what was written, else None."""
        hasher = Hasher()
        reading = self._target.open_reader(path)
        try:
            with contextlib.closing(self._read_back_ahead.read_pieces(reading, size)) as chunks:
                for chunk in chunks:
                    hasher.update(chunk)
        finally:
            reading.close()
        found = hasher.as_file()
        return reading.medium if (found.digest, found.size) == (digest, size) else None

    def _publish_verified(self, max_pending: int) -> None:
        """Publish copies, in order, until at most this many are waiting."""
        while len(self._pending) > max_pending:
            one = self._pending[0]
            try:
                medium = one.verification.result()
            except OSError as error:
                raise _build_unreadable_error(self._target, one.path, error) from error
            if medium is None:
                raise PlaceFailedError(
                    f"{self._target.name} does not give back what was written ({escape_text(one.path)}).",
                    safe="That copy was not given a name; the drives were only read.",
                    do="Use another disk for the handover; this one, or its cable, is failing.",
                )
            self._record_medium(medium)
            entry = one.incoming.publish(one.path)
            self._pending.popleft()
            note = FinishedCopy(
                one.note.path, one.note.size, entry.mtime_ns, one.note.blake3, one.note.sha256, one.note.sha512
            )
            self.finished_notes[one.item.path] = note
            self.copied += 1
            self._unsaved_notes.append(note)
            noted_bytes = sum(some.size for some in self._unsaved_notes)
            if len(self._unsaved_notes) >= _FILES_PER_SAVE or noted_bytes >= _BYTES_PER_SAVE:
                self._save_notes()

    def _save_notes(self) -> None:
        """Make the published names durable, then note what is finished."""
        if not self._unsaved_notes:
            return
        paths = [
            self._prefix + urllib.parse.unquote(note.path, errors="surrogateescape")
            for note in self._unsaved_notes
        ]
        self._target.fsync_dirs({folder for path in paths for folder in _iter_parent_folders(path)})
        self._target.record_finished(self._number, self._unsaved_notes)
        self._number += 1
        self._unsaved_notes = []

    def _record_medium(self, medium: Medium) -> None:
        order = (Medium.DIRECT, Medium.DROPPED, Medium.CACHED)
        self.medium = max(self.medium, medium, key=order.index)

    def _raise_if_stopped(self) -> None:
        if self._ctx.stop.is_set():
            raise StoppedError(
                "The handover was stopped.",
                safe="What is finished stays in the folder; the drives were only read.",
                do="Run the same command again: it goes on where it stopped.",
            )


class _CopyRejectedError(Exception):
    """A copy that is not handed over, with the reason."""


def _create_hashers() -> dict[str, RunningChecksum]:
    return {name: one for name in ALGORITHMS if (one := new_checksum(name)) is not None}


def _build_note(item: HandoverItem, size: int, mtime_ns: int, sums: dict[str, RunningChecksum]) -> FinishedCopy:
    blake3, sha256, sha512 = (sums[name].hexdigest() for name in ALGORITHMS)
    return FinishedCopy(_to_ascii(item.path), size, mtime_ns, blake3, sha256, sha512)


def _to_ascii(path: str) -> str:
    """Return a path in ASCII, whatever its bytes."""
    return urllib.parse.quote(path, errors="surrogateescape")


def _iter_parent_folders(path: str) -> Iterator[str]:
    while path:
        path = path.rpartition("/")[0]
        yield path


def _build_name_taken_error(root: Path, path: str) -> NameTakenError:
    return NameTakenError(
        f"{escape_text(str(root))} holds something else where {escape_text(path)} should lie.",
        safe="It was left as it is; nothing is ever overwritten.",
        do="Hand over into another folder.",
    )


def _build_mismatch_error(target: HandoverFolder, path: str) -> PlaceFailedError:
    return PlaceFailedError(
        f"{target.name}: {escape_text(path)} was whole when it was handed over, and is not what it was.",
        safe="It was left as it is; the drives were only read. The folder is not finished.",
        do="Move that file away and run the same command again, which copies it anew. Mind that the disk or its "
        "cable may be failing: another one is safer.",
    )


def _build_unreadable_error(target: HandoverFolder, path: str, error: OSError) -> CopyError:
    return PlaceFailedError(
        f"{target.name}: {escape_text(path)} can't be read back ({error.strerror or error}).",
        safe="The drives were only read.",
        do="Check the disk and its cable, then run the same command again.",
    )
