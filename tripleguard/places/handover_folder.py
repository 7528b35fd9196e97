"""The folder of a handover: outside every drive, and the only place outside where a job writes pictures.

It is new or empty when the job begins, and the tool's own while it lasts: a copy is written below its work folder,
flushed, read back, and only then published. Nothing in it is ever replaced. Finished copies are recorded in the
work folder, so that an interrupted run resumes; when all is done the work folder is removed. All changes except
creating the folder itself, and removing the emptied work folders, go through `place_writer`.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterable, Sequence
from pathlib import Path

import msgspec

from tripleguard.errors import NoSpaceError, PlaceFailedError, UsageError
from tripleguard.model import Entry, FreeSpace, FsLimits
from tripleguard.names import escape_text
from tripleguard.places.cache_bypass import MediumReader, allocate_aligned, detect_cache_bypass, is_rotational
from tripleguard.places.copy_writer import DriveCopyWriter
from tripleguard.places.dir_handle import DirHandle, open_root, read_free_space
from tripleguard.places.enclosing import find_enclosing_card, find_enclosing_drive, iter_enclosing
from tripleguard.places.fs_limits import probe_fs_limits
from tripleguard.places.os_errors import os_errors_explained
from tripleguard.places.place_writer import PlaceWriter
from tripleguard.places.reserved import INCOMING_DIR, RESERVED_DIR, SUPERSEDED_SUFFIX

TASK_PATH = f"{RESERVED_DIR}/handover.json"
_FINISHED_DIR = f"{RESERVED_DIR}/done"
_READ_SIZE = 1024 * 1024
_MAX_NOTE_BYTES = 64 * 1024 * 1024


class HandoverTask(msgspec.Struct, frozen=True):
    """The task of this folder; another task never continues in it.

    form: `bag` or `list`. closing: the finished folder's description, once it is final.
    """

    shoot: str
    catalog: str
    form: str
    what: str
    closing: str = ""


class FinishedCopy(msgspec.Struct, frozen=True):
    """One finished copy. path: percent-encoded bytes; digests in hex; mtime as the folder stores it."""

    path: str
    size: int
    mtime_ns: int
    blake3: str
    sha256: str
    sha512: str


class HandoverFolder:
    """A handover folder, held open. Use `open_handover_folder` to get one."""

    def __init__(self, folder: DirHandle) -> None:
        self._folder = folder
        self.name = f"The folder {escape_text(str(folder.root))}"
        self._writer = PlaceWriter(folder, self.name)
        self._cache_bypass = detect_cache_bypass(folder.root)
        self._fs_limits: FsLimits | None = None
        self.is_rotational = is_rotational(folder.root)

    @property
    def root(self) -> Path:
        return self._folder.root

    @property
    def fs_limits(self) -> FsLimits:
        if self._fs_limits is None:
            self._fs_limits = probe_fs_limits(self._folder, self._writer)
        return self._fs_limits

    def close(self) -> None:
        self._folder.close()

    def free_space(self) -> FreeSpace:
        with os_errors_explained(self.name, "asking for free space"):
            return read_free_space(self._folder, 0)

    def open_lock(self) -> int:
        """Return a read-write descriptor on the lock of the work folder. Raises NoSpaceError, PlaceFailedError."""
        return self._writer.open_lock()

    def read_task(self) -> HandoverTask | None:
        """Return the folder's task, None if it has none. Raises PlaceFailedError."""
        content = self._read_own(TASK_PATH)
        if content is None:
            return None
        try:
            return msgspec.json.decode(content, type=HandoverTask)
        except msgspec.MsgspecError as error:
            raise PlaceFailedError(
                f"{self.name} is unfinished, and what it was to become can't be read ({error}).",
                safe="It was left as it is, and so were the drives.",
                do="Hand over into another folder; this one can be removed by hand.",
            ) from error

    def write_task(self, task: HandoverTask) -> None:
        """Write the folder's task, new or updated.

        Raises NoSpaceError, PlaceFailedError.
        """
        self._writer.write_own(TASK_PATH, [msgspec.json.encode(task)])

    def delete_unfinished(self) -> None:
        """Remove unpublished copies. The caller holds the lock."""
        self._writer.delete_unfinished()

    def begin_copy(self) -> DriveCopyWriter:
        """Start a copy. Raises NoSpaceError, PlaceFailedError."""
        return DriveCopyWriter(self._writer)

    def open_reader(self, path: str) -> MediumReader:
        """Open a file of the folder past the cache, published or not. Raises OSError."""
        return MediumReader(self._folder, path, self._cache_bypass)

    def stat(self, path: str) -> Entry | None:
        """Return the regular file at path as it is now, or None. Raises PlaceFailedError."""
        with os_errors_explained(self.name, f"looking at {escape_text(path)}"):
            return self._folder.stat(path)

    def exists(self, path: str) -> bool:
        """Return whether anything at all is at path. Raises PlaceFailedError."""
        with os_errors_explained(self.name, f"looking at {escape_text(path)}"):
            try:
                self._folder.lstat(path)
            except (FileNotFoundError, NotADirectoryError):
                return False
            return True

    def find_first_name(self) -> str | None:
        """Return the first name besides the work folder, None if there is none. Raises PlaceFailedError."""
        with os_errors_explained(self.name, "listing it"):
            return next((name for name, _ in self._folder.iter_dir("") if name != RESERVED_DIR), None)

    def is_foreign(self) -> bool:
        """Return whether its work folder contains foreign files: it may be a drive that lost its marker."""
        ours = {
            one.rpartition("/")[2]
            for one in (
                TASK_PATH,
                _FINISHED_DIR,
                INCOMING_DIR,
                f"{RESERVED_DIR}/lock",
                TASK_PATH + SUPERSEDED_SUFFIX,
            )
        }
        with os_errors_explained(self.name, "looking at its work folder"):
            try:
                return any(name not in ours for name, _ in self._folder.iter_dir(RESERVED_DIR))
            except FileNotFoundError:
                return False

    def read_whole(self, path: str) -> bytes:
        """Return the content of one of the folder's own files, past the cache. Raises OSError."""
        reading = self.open_reader(path)
        try:
            buffer = allocate_aligned(_READ_SIZE)
            pieces = []
            while count := reading.readinto(buffer):
                pieces.append(bytes(buffer[:count]))
            return b"".join(pieces)
        finally:
            reading.close()

    def walk(self) -> Iterable[Entry]:
        """Return every regular file outside the work folder."""
        return self._folder.walk("", exclude=frozenset({RESERVED_DIR}))

    def fsync_dirs(self, folders: Iterable[str]) -> None:
        """Make the names in these folders durable. Raises PlaceFailedError."""
        self._writer.fsync_dirs(folders)

    def record_finished(self, number: int, copies: Sequence[FinishedCopy]) -> None:
        """Record that these copies are published and durable. number: a new one each time."""
        self._writer.write_own(f"{_FINISHED_DIR}/{number:06d}", [msgspec.json.encode(list(copies))])

    def read_finished(self) -> tuple[int, dict[str, FinishedCopy]]:
        """Return the copies that earlier runs finished, by encoded path, and the next free number.

        Raises PlaceFailedError.
        """
        found: dict[str, FinishedCopy] = {}
        number = 0
        with os_errors_explained(self.name, "looking what is finished"):
            names = [entry.name for entry in self._folder.walk(_FINISHED_DIR)]
        for name in names:
            if name.isdigit():
                number = max(number, int(name))
            try:
                some = msgspec.json.decode(
                    self._read_own(f"{_FINISHED_DIR}/{name}") or b"[]", type=list[FinishedCopy]
                )
            except msgspec.MsgspecError:
                continue  # the files in this record are read again
            found |= {one.path: one for one in some}
        return number + 1, found

    def remove_work_folder(self) -> tuple[str, ...]:
        """Remove the work folder of a complete handover. Raises PlaceFailedError.

        Anything not certainly of the handover stays, with its folders; its paths are returned.
        """
        with os_errors_explained(self.name, "clearing its work folder"):
            there = [entry.path for entry in self._folder.walk(RESERVED_DIR)]
            ours = [path for path in there if self._writer.is_certainly_own(path)]
            # Remove the task last: while it exists, the same command resumes an interrupted run.
            for path in sorted(ours, key=lambda path: path == TASK_PATH):
                self._writer.delete_own(path)
            for folder in (_FINISHED_DIR, INCOMING_DIR, RESERVED_DIR):
                try:
                    os.rmdir(self._folder.syscall_path(folder), dir_fd=self._folder.fd)
                except OSError as error:
                    # It contains something that is not ours, or was never made: leave it.
                    if error.errno not in (errno.ENOTEMPTY, errno.EEXIST, errno.ENOENT, errno.ENOTDIR):
                        raise
        self._writer.fsync_dirs([""])
        return tuple(path for path in there if path not in set(ours))

    def _read_own(self, path: str) -> bytes | None:
        self._writer.restore_own(path)
        with os_errors_explained(self.name, f"reading {escape_text(path)}"):
            try:
                return self._folder.read_small(path, _MAX_NOTE_BYTES)
            except (FileNotFoundError, NotADirectoryError):
                return None


def open_handover_folder(root: Path, drives: Sequence[Path], card_folders: Sequence[str]) -> HandoverFolder:
    """Return the opened folder at root, created if necessary. drives: the drives' roots.

    Raises UsageError if nothing may be handed over there, NoSpaceError, PlaceFailedError, PlaceError.
    """
    why = _find_obstacle(root, drives, card_folders)
    if why is not None:
        raise UsageError(
            f"Nothing can be handed over in {escape_text(str(root))}: {why}.",
            safe="Nothing was changed.",
            do="Give a new folder on the client's disk or on the laptop.",
        )
    try:
        os.mkdir(root)
    except FileExistsError:
        pass
    except OSError as error:
        kind = NoSpaceError if error.errno == errno.ENOSPC else PlaceFailedError
        raise kind(
            f"The folder {escape_text(str(root))} can't be made ({error.strerror}).",
            safe="Nothing was changed.",
            do="Check that the disk is connected and can be written to.",
        ) from error
    return HandoverFolder(open_root(root))


def _find_obstacle(root: Path, drives: Sequence[Path], card_folders: Sequence[str]) -> str | None:
    """Return why nothing may be handed over there, in plain words; None if it may."""
    real = Path(os.path.realpath(root))
    if not real.parent.is_dir():
        return "the folder above it is not there"
    for drive in drives:
        there = Path(os.path.realpath(drive))
        if real.is_relative_to(there):
            return f"it lies on the drive at {escape_text(str(drive))}, among the copies that are kept"
        if there.is_relative_to(real):
            return f"the drive at {escape_text(str(drive))} lies in it"
    marked = find_enclosing_drive(real)
    if marked is not None:
        return f"{escape_text(str(marked))} carries a drive's marker"
    card = find_enclosing_card(real, card_folders)
    if card is not None:
        return f"{escape_text(str(card[0]))} is a card: it has a folder {card[1]}"
    bag = next((one for one in iter_enclosing(real) if one != real and os.path.exists(one / "bagit.txt")), None)
    return f"{escape_text(str(bag))} is a bag, and would not be whole any more" if bag is not None else None
