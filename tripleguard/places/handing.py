"""The folder that is handed over: outside every drive, and the only place outside that a job writes pictures to.

It is new or empty when the work begins, and the tool's own while it lasts: a copy is written below its work
folder, flushed, read back, and only then named. Nothing in it is ever replaced. What is finished is noted in the
work folder as it is finished, so that a run that was cut off goes on where it stopped; when all is done the work
folder goes. All changes but making the folder itself, and removing the emptied work folders, go through `storing`.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterable, Sequence
from pathlib import Path

import msgspec

from tripleguard.errors import NoRoom, PlaceFailed, WrongUse
from tripleguard.model import Entry, Limits, Room
from tripleguard.names import shown
from tripleguard.places.drive import held_root, room_at
from tripleguard.places.held import HeldFolder
from tripleguard.places.incoming import DriveIncoming
from tripleguard.places.marker import MARKER
from tripleguard.places.media import MediumReading, aligned_buffer, depth_of, is_rotational
from tripleguard.places.mounts import mount_of
from tripleguard.places.own import INCOMING, OWN, SUPERSEDED
from tripleguard.places.probe import learn_limits
from tripleguard.places.storing import Storing
from tripleguard.places.telling import told

TASK_FILE = f"{OWN}/handover.json"
_DONE = f"{OWN}/done"
_AT_ONCE = 1024 * 1024
_NOTE_LIMIT = 64 * 1024 * 1024


class Task(msgspec.Struct, frozen=True):
    """What this folder is being filled with; another task never goes on in it.

    form: `bag` or `list`. closing: what the finished folder says of itself, once that is settled.
    """

    shoot: str
    catalog: str
    form: str
    what: str
    closing: str = ""


class Note(msgspec.Struct, frozen=True):
    """One finished copy. path: percent-encoded bytes; digests in hex; mtime as the folder keeps it."""

    path: str
    size: int
    mtime_ns: int
    blake3: str
    sha256: str
    sha512: str


class Handing:
    """A folder being filled, held open. Use `open_handing` to get one."""

    def __init__(self, folder: HeldFolder) -> None:
        self._folder = folder
        self.name = f"The folder {shown(str(folder.root))}"
        self._storing = Storing(folder, self.name)
        self._depth = depth_of(folder.root)
        self._limits: Limits | None = None
        self.turns = is_rotational(folder.root)

    @property
    def root(self) -> Path:
        return self._folder.root

    @property
    def limits(self) -> Limits:
        if self._limits is None:
            self._limits = learn_limits(self._folder, self._storing)
        return self._limits

    def close(self) -> None:
        self._folder.close()

    def room(self) -> Room:
        with told(self.name, "asking for free space"):
            return room_at(self._folder, 0)

    def open_lock(self) -> int:
        """A read-write descriptor on the lock of the work folder. Raises NoRoom, PlaceFailed."""
        return self._storing.open_lock()

    def task(self) -> Task | None:
        """What the folder is being filled with, None if it is not. Raises PlaceFailed."""
        content = self._own(TASK_FILE)
        if content is None:
            return None
        try:
            return msgspec.json.decode(content, type=Task)
        except msgspec.MsgspecError as error:
            raise PlaceFailed(
                f"{self.name} is unfinished, and what it was to become can't be read ({error}).",
                safe="It was left as it is, and so were the drives.",
                do="Hand over into another folder; this one can be removed by hand.",
            ) from error

    def begin_task(self, task: Task) -> None:
        """Note what the folder is filled with, from the beginning or anew. Raises NoRoom, PlaceFailed."""
        self._storing.write_own(TASK_FILE, [msgspec.json.encode(task)])

    def clear_unfinished(self) -> None:
        """Remove copies that have no name yet. The caller holds the lock."""
        self._storing.clear_incoming()

    def begin(self) -> DriveIncoming:
        """Start a copy. Raises NoRoom, PlaceFailed."""
        return DriveIncoming(self._storing)

    def read(self, path: str) -> MediumReading:
        """Open a file of the folder past the cache, named or not named yet. Raises OSError."""
        return MediumReading(self._folder, path, self._depth)

    def look(self, path: str) -> Entry | None:
        """The plain file at path as it lies there now, or None. Raises PlaceFailed."""
        with told(self.name, f"looking at {shown(path)}"):
            return self._folder.look(path)

    def taken(self, path: str) -> bool:
        """Whether anything at all stands at path. Raises PlaceFailed."""
        with told(self.name, f"looking at {shown(path)}"):
            try:
                self._folder.status(path)
            except (FileNotFoundError, NotADirectoryError):
                return False
            return True

    def first_name(self) -> str | None:
        """The first name in the folder beside the work folder, None if there is none. Raises PlaceFailed."""
        with told(self.name, "listing it"):
            return next((name for name, _ in self._folder.each("") if name != OWN), None)

    def is_anothers(self) -> bool:
        """Whether its work folder holds what no handover puts there: it may be a drive that lost its marker."""
        ours = {
            one.rpartition("/")[2] for one in (TASK_FILE, _DONE, INCOMING, f"{OWN}/lock", TASK_FILE + SUPERSEDED)
        }
        with told(self.name, "looking at its work folder"):
            try:
                return any(name not in ours for name, _ in self._folder.each(OWN))
            except FileNotFoundError:
                return False

    def read_all(self, path: str) -> bytes:
        """The whole of a file that the folder says itself, past the cache. Raises OSError."""
        reading = self.read(path)
        try:
            buffer = aligned_buffer(_AT_ONCE)
            pieces = []
            while count := reading.readinto(buffer):
                pieces.append(bytes(buffer[:count]))
            return b"".join(pieces)
        finally:
            reading.close()

    def walk(self) -> Iterable[Entry]:
        """Every plain file but those of the work folder."""
        return self._folder.walk("", leave_out=frozenset({OWN}))

    def settle(self, folders: Iterable[str]) -> None:
        """Make the names in these folders durable. Raises PlaceFailed."""
        self._storing.settle(folders)

    def note(self, number: int, notes: Sequence[Note]) -> None:
        """Keep that these copies are finished: named, and durable. number: another one each time."""
        self._storing.write_own(f"{_DONE}/{number:06d}", [msgspec.json.encode(list(notes))])

    def notes(self) -> tuple[int, dict[str, Note]]:
        """What runs before this one finished, by encoded path, and the next free number. Raises PlaceFailed."""
        found: dict[str, Note] = {}
        number = 0
        with told(self.name, "looking what is finished"):
            names = [entry.name for entry in self._folder.walk(_DONE)]
        for name in names:
            if name.isdigit():
                number = max(number, int(name))
            try:
                some = msgspec.json.decode(self._own(f"{_DONE}/{name}") or b"[]", type=list[Note])
            except msgspec.MsgspecError:
                continue  # what it spoke of is read again
            found |= {one.path: one for one in some}
        return number + 1, found

    def finish(self) -> tuple[str, ...]:
        """Remove the work folder, once the folder says of itself what it holds. Raises PlaceFailed.

        What is not certainly of the handover stays, with the folders that it lies in; its paths are returned.
        """
        with told(self.name, "clearing its work folder"):
            there = [entry.path for entry in self._folder.walk(OWN)]
            ours = [path for path in there if self._storing.is_certainly_own(path)]
            # The task goes last: while it is there, the same command goes on where this one was cut off.
            for path in sorted(ours, key=lambda path: path == TASK_FILE):
                self._storing.forget_own(path)
            for folder in (_DONE, INCOMING, OWN):
                try:
                    os.rmdir(self._folder.where(folder), dir_fd=self._folder.fd)
                except OSError as error:
                    # Something that is not ours lies in it, or it was never made: it stays as it is.
                    if error.errno not in (errno.ENOTEMPTY, errno.EEXIST, errno.ENOENT, errno.ENOTDIR):
                        raise
        self._storing.settle([""])
        return tuple(path for path in there if path not in set(ours))

    def _own(self, path: str) -> bytes | None:
        self._storing.restore_own(path)
        with told(self.name, f"reading {shown(path)}"):
            try:
                return self._folder.read_small(path, _NOTE_LIMIT)
            except (FileNotFoundError, NotADirectoryError):
                return None


def open_handing(root: Path, drives: Sequence[Path], card_folders: Sequence[str]) -> Handing:
    """The folder at root, made if it is not there, and held. drives: where the drives are.

    Raises WrongUse if nothing may be handed over there, NoRoom, PlaceFailed, PlaceTrouble.
    """
    why = _why_not(root, drives, card_folders)
    if why is not None:
        raise WrongUse(
            f"Nothing can be handed over in {shown(str(root))}: {why}.",
            safe="Nothing was changed.",
            do="Give a new folder on the client's disk or on the laptop.",
        )
    try:
        os.mkdir(root)
    except FileExistsError:
        pass
    except OSError as error:
        kind = NoRoom if error.errno == errno.ENOSPC else PlaceFailed
        raise kind(
            f"The folder {shown(str(root))} can't be made ({error.strerror}).",
            safe="Nothing was changed.",
            do="Check that the disk is connected and can be written to.",
        ) from error
    return Handing(held_root(root))


def _why_not(root: Path, drives: Sequence[Path], card_folders: Sequence[str]) -> str | None:
    """Why this is no place to hand anything over, in plain words."""
    real = Path(os.path.realpath(root))
    if not real.parent.is_dir():
        return "the folder above it is not there"
    for drive in drives:
        there = Path(os.path.realpath(drive))
        if real.is_relative_to(there):
            return f"it lies on the drive at {shown(str(drive))}, among the copies that are kept"
        if there.is_relative_to(real):
            return f"the drive at {shown(str(drive))} lies in it"
    mount = mount_of(real.parent)
    top = Path(mount.point) if mount else Path(real.anchor)
    for above in (real, *real.parents):
        if os.path.exists(above / MARKER):
            return f"{shown(str(above))} carries a drive's marker"
        card = next((name for name in card_folders if _is_folder(above / name)), None)
        if card is not None:
            return f"{shown(str(above))} is a card: it has a folder {card}"
        if above != real and os.path.exists(above / "bagit.txt"):
            return f"{shown(str(above))} is a bag, and would not be whole any more"
        if above == top:
            break
    return None


def _is_folder(path: Path) -> bool:
    try:
        return stat.S_ISDIR(os.stat(path).st_mode)
    except OSError:
        return False
