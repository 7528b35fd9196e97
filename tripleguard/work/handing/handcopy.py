"""Copying into the folder that is handed over: read once, summed three ways, written, read back, named.

A copy's BLAKE3 is compared with the catalog while it is read. One that is not equal, or can't be read, is tried
once more, then never handed over: the other drive's copy is taken, and the bad one is a finding. The same pass
makes the SHA-256 and SHA-512 of the manifests. What was written is read back past the cache, while the next file
is copied, and only then gets its name.
"""

from __future__ import annotations

import contextlib
import urllib.parse
from collections import deque
from collections.abc import Generator, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from tripleguard.digest import Hasher, Sum, sum_named
from tripleguard.errors import CopyTrouble, NameTaken, PlaceFailed, Stopped
from tripleguard.model import Copy, Medium
from tripleguard.names import shown
from tripleguard.places.handing import Handing, Note
from tripleguard.places.incoming import DriveIncoming
from tripleguard.rules import is_untouched
from tripleguard.work.failing import enter_failed
from tripleguard.work.handing.handlist import Item
from tripleguard.work.kit import Kit, OpenDrive
from tripleguard.work.readahead import ReadAhead
from tripleguard.work.summing import Summing

SUMS = ("blake3", "sha256", "sha512")
_NOTED_FILES = 16
_NOTED_BYTES = 256_000_000
_READ_BACK_AT_ONCE = 2
_CHANGED = "it was changed since it was last looked at"


@dataclass(frozen=True, slots=True)
class BadCopy:
    """A copy that was not taken, and why."""

    place: str
    path: str
    why: str


@dataclass(frozen=True, slots=True)
class _Written:
    """A copy that is written and flushed, and not named yet."""

    item: Item
    path: str
    incoming: DriveIncoming
    note: Note
    proved: Future[Medium | None]


class HandCopier:
    """Copies one list of items. prefix: what stands before each item's path in the folder."""

    def __init__(
        self,
        kit: Kit,
        drives: Sequence[OpenDrive],
        target: Handing,
        prefix: str,
        notes: dict[str, Note],
        number: int,
    ) -> None:
        self._kit = kit
        self._drives = {drive.record.id: drive for drive in drives}
        self._target = target
        self._prefix = prefix
        self._notes = notes
        self._number = number
        self._pending: deque[_Written] = deque()
        self._unnoted: list[Note] = []
        self._summing = Summing()
        self._ahead = ReadAhead("handover")
        self._back = ReadAhead("read-back")
        self._prover = ThreadPoolExecutor(max_workers=1, thread_name_prefix="read-back")
        self.job_id = 0
        self.copied = 0
        self.already_there = 0
        self.medium = Medium.DIRECT
        self.bad: list[BadCopy] = []
        self.left_out: list[tuple[Item, str]] = []
        self.finished: dict[str, Note] = {}

    def close(self) -> None:
        """Forget what is not named yet, and end the threads."""
        for one in self._pending:
            one.proved.exception()
            one.incoming.discard()
        self._prover.shutdown()
        self._summing.close()
        self._ahead.close()
        self._back.close()

    def copy_all(self, items: Sequence[Item]) -> Generator[tuple[int, int], None, None]:
        """Copy what is not there yet; (files, bytes) after each piece. Raises CopyTrouble, Stopped."""
        done = 0
        for files, item in enumerate(items):
            if not self._is_there(item):
                written: _Written | None = None
                reading = self._written(item)
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
                    self._name_what_is_proved(0 if self._target.turns else _READ_BACK_AT_ONCE)
            done += item.known.file.size
            yield files + 1, done
        self._name_what_is_proved(0)
        self._keep_notes()

    def _is_there(self, item: Item) -> bool:
        """Whether a run before this one finished the item: it is read, whatever was noted of it then.

        Raises NameTaken if its name holds something else, PlaceFailed if it does not hold any more what was noted.
        """
        self._may_go_on()
        path = self._prefix + item.path
        there = self._target.look(path)
        if there is None:
            if self._target.taken(path):
                raise _taken(self._target.root, path)
            return False
        note = self._notes.get(_plain(item.path))
        as_noted = note is not None and (note.size, note.mtime_ns) == (there.size, there.mtime_ns)
        was_whole = as_noted and note is not None and note.blake3 == item.known.file.digest.hex()
        self.finished[item.path] = self._read_there(item, path, there.mtime_ns, was_whole=was_whole)
        if not was_whole:
            self._unnoted.append(self.finished[item.path])
        self.already_there += 1
        return True

    def _read_there(self, item: Item, path: str, mtime_ns: int, *, was_whole: bool) -> Note:
        """What a file that was named before holds: the item, or it is not ours to touch.

        was_whole: it was read back by the run that named it, and is as old and as large as it was then.
        """
        sums = _new_sums()
        size = 0
        try:
            reading = self._target.read(path)
            try:
                with contextlib.closing(self._ahead.chunks(reading, item.known.file.size)) as chunks:
                    for chunk in chunks:
                        self._may_go_on()
                        self._summing.update(sums, chunk)
                        size += len(chunk)
                self._reached(reading.medium)
            finally:
                reading.close()
        except OSError as error:
            raise _unreadable(self._target, path, error) from error
        if sums["blake3"].hexdigest() != item.known.file.digest.hex():
            raise _rotten(self._target, path) if was_whole else _taken(self._target.root, path)
        return _note(item, size, mtime_ns, sums)

    # From a drive

    def _written(self, item: Item) -> Generator[int, None, _Written | None]:
        """Copy an item from the first copy that holds what it should; bytes so far."""
        for copy in item.copies:
            drive = self._drives.get(copy.place_id)
            if drive is None:
                continue
            why = ""
            # A reading that is wrong once may be the cable; only one that is wrong twice is the copy.
            for _ in range(2):
                try:
                    return (yield from self._written_from(item, copy, drive))
                except _NotThis as error:
                    why = str(error)
                if not drive.place.here():
                    break
            self._refused(copy, drive, why)
        self.left_out.append((item, self._why_left_out(item)))
        return None

    def _written_from(self, item: Item, copy: Copy, drive: OpenDrive) -> Generator[int, None, _Written]:
        file = item.known.file
        entry = drive.seen(copy.path)
        if entry is None:
            raise _NotThis("it is not there")
        incoming = self._target.begin()
        try:
            sums, count = _new_sums(), 0
            try:
                reading = drive.place.read(copy.path)
                try:
                    with contextlib.closing(self._ahead.chunks(reading, entry.size)) as chunks:
                        for chunk in chunks:
                            self._may_go_on()
                            self._summing.update(sums, chunk, incoming.write)
                            count += len(chunk)
                            yield count
                finally:
                    reading.close()
            except OSError as error:
                raise _NotThis(f"it can't be read ({error.strerror or error})") from error
            if (sums["blake3"].hexdigest(), count) != (file.digest.hex(), file.size):
                raise _NotThis("it holds other bytes than recorded")
            incoming.flush(entry.mtime_ns)
        except BaseException:
            incoming.discard()
            raise
        note = _note(item, count, entry.mtime_ns, sums)
        proved = self._prover.submit(self._read_back, incoming.path, file.digest, file.size)
        return _Written(item, self._prefix + item.path, incoming, note, proved)

    def _refused(self, copy: Copy, drive: OpenDrive, why: str) -> None:
        """A copy that can't be handed over. If nobody touched it since it was recorded, it is a finding."""
        if not drive.place.here():
            self._drives.pop(copy.place_id, None)
            self.bad.append(BadCopy(drive.record.name, copy.path, "its drive stopped answering"))
            return
        entry = drive.seen(copy.path)
        if entry is not None and is_untouched(copy, entry):
            enter_failed(self._kit, copy, why, "handover", self.job_id)
        elif entry is not None:
            why = _CHANGED
        self.bad.append(BadCopy(drive.record.name, copy.path, why))

    def _why_left_out(self, item: Item) -> str:
        paths = {copy.path for copy in item.copies}
        if any(bad.path in paths and bad.why == _CHANGED for bad in self.bad):
            return "it was changed on the drives; `tripleguard rescan` enters what it is now"
        if all(copy.place_id in self._drives for copy in item.copies):
            return "no good copy of it is left"
        return "no good copy of it is on a drive that is connected"

    # Back from the folder

    def _read_back(self, path: str, digest: bytes, size: int) -> Medium | None:
        """How far down the reading reached, if what was written is what the folder's disk holds now."""
        hasher = Hasher()
        reading = self._target.read(path)
        try:
            with contextlib.closing(self._back.chunks(reading, size)) as chunks:
                for chunk in chunks:
                    hasher.update(chunk)
        finally:
            reading.close()
        found = hasher.file()
        return reading.medium if (found.digest, found.size) == (digest, size) else None

    def _name_what_is_proved(self, leave: int) -> None:
        """Give copies their names, in order, until so many are waiting."""
        while len(self._pending) > leave:
            one = self._pending[0]
            try:
                medium = one.proved.result()
            except OSError as error:
                raise _unreadable(self._target, one.path, error) from error
            if medium is None:
                raise PlaceFailed(
                    f"{self._target.name} does not give back what was written ({shown(one.path)}).",
                    safe="That copy was not given a name; the drives were only read.",
                    do="Use another disk for the handover; this one, or its cable, is failing.",
                )
            self._reached(medium)
            entry = one.incoming.publish(one.path)
            self._pending.popleft()
            note = Note(
                one.note.path, one.note.size, entry.mtime_ns, one.note.blake3, one.note.sha256, one.note.sha512
            )
            self.finished[one.item.path] = note
            self.copied += 1
            self._unnoted.append(note)
            noted_bytes = sum(some.size for some in self._unnoted)
            if len(self._unnoted) >= _NOTED_FILES or noted_bytes >= _NOTED_BYTES:
                self._keep_notes()

    def _keep_notes(self) -> None:
        """Make the names durable, then note what is finished."""
        if not self._unnoted:
            return
        paths = [
            self._prefix + urllib.parse.unquote(note.path, errors="surrogateescape") for note in self._unnoted
        ]
        self._target.settle({folder for path in paths for folder in _folders_of(path)})
        self._target.note(self._number, self._unnoted)
        self._number += 1
        self._unnoted = []

    def _reached(self, medium: Medium) -> None:
        order = (Medium.DIRECT, Medium.DROPPED, Medium.CACHED)
        self.medium = max(self.medium, medium, key=order.index)

    def _may_go_on(self) -> None:
        if self._kit.stop.is_set():
            raise Stopped(
                "The handover was stopped.",
                safe="What is finished stays in the folder; the drives were only read.",
                do="Run the same command again: it goes on where it stopped.",
            )


class _NotThis(Exception):
    """A copy that is not handed over, with the reason."""


def _new_sums() -> dict[str, Sum]:
    return {name: one for name in SUMS if (one := sum_named(name)) is not None}


def _note(item: Item, size: int, mtime_ns: int, sums: dict[str, Sum]) -> Note:
    blake3, sha256, sha512 = (sums[name].hexdigest() for name in SUMS)
    return Note(_plain(item.path), size, mtime_ns, blake3, sha256, sha512)


def _plain(path: str) -> str:
    """A path in ASCII, whatever its bytes."""
    return urllib.parse.quote(path, errors="surrogateescape")


def _folders_of(path: str) -> Iterator[str]:
    while path:
        path = path.rpartition("/")[0]
        yield path


def _taken(root: Path, path: str) -> NameTaken:
    return NameTaken(
        f"{shown(str(root))} holds something else where {shown(path)} should lie.",
        safe="It was left as it is; nothing is ever overwritten.",
        do="Hand over into another folder.",
    )


def _rotten(target: Handing, path: str) -> PlaceFailed:
    return PlaceFailed(
        f"{target.name}: {shown(path)} was whole when it was handed over, and is not what it was.",
        safe="It was left as it is; the drives were only read. The folder is not finished.",
        do="Move that file away and run the same command again, which copies it anew. Mind that the disk or its "
        "cable may be failing: another one is safer.",
    )


def _unreadable(target: Handing, path: str, error: OSError) -> CopyTrouble:
    return PlaceFailed(
        f"{target.name}: {shown(path)} can't be read back ({error.strerror or error}).",
        safe="The drives were only read.",
        do="Check the disk and its cable, then run the same command again.",
    )
