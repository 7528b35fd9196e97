"""Places that are kept in memory: what jobs need of a place, and nothing else that a file system has."""

from __future__ import annotations

import io
import os
import stat
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tripleguard.errors import NameTakenError, PlaceError
from tripleguard.model import Entry, FreeSpace, FsLimits, Medium, PlaceRecord
from tripleguard.places.base import Place, SourceFolder
from tripleguard.places.changes import FolderChanges
from tripleguard.places.disks import DiskSet
from tripleguard.places.fs_identity import FileSystemIdentity
from tripleguard.places.marker import MARKER_PATH, Marker, encode_marker
from tripleguard.places.quarantine import QuarantineEntry
from tripleguard.places.reserved import QUARANTINE_DIR, RESERVED_DIR, is_reserved

_LIMITS = FsLimits(
    is_case_insensitive=False,
    is_normalization_insensitive=False,
    forbidden_chars="",
    is_utf8_only=False,
    max_name_bytes=255,
    max_name_units=0,
    max_file_bytes=0,
    mtime_step_ns=1,
    file_system="memory",
)
_TOTAL_BYTES = 1 << 30


@dataclass
class MemoryFile:
    """The bytes of a file and its times."""

    body: bytes
    mtime_ns: int
    ctime_ns: int


@dataclass
class MemoryMedium:
    """What stays of a drive in memory while no job has it open."""

    marker: Marker
    files: dict[str, MemoryFile] = field(default_factory=dict)
    changes: int = 0

    def put(self, path: str, body: bytes, mtime_ns: int = 0) -> None:
        self.changes += 1
        self.files[path] = MemoryFile(body, mtime_ns, self.changes)

    def pictures(self) -> dict[str, bytes]:
        """What it holds, without the tool's own files."""
        return {path: one.body for path, one in self.files.items() if not is_reserved(path)}


class MemoryReader(io.BytesIO):
    """Reads one file."""

    medium = Medium.DIRECT

    def read_at(self, offset: int, buffer: memoryview) -> int:
        piece = self.getvalue()[offset : offset + len(buffer)]
        buffer[: len(piece)] = piece
        return len(piece)


class MemoryWriter:
    """One unfinished copy."""

    def __init__(self, place: MemoryPlace) -> None:
        self._place = place
        self._body = bytearray()
        self._mtime_ns: int | None = None

    def write(self, buffer: memoryview) -> None:
        self._body += buffer

    def flush(self, mtime_ns: int) -> None:
        self._mtime_ns = mtime_ns

    def publish(self, path: str) -> Entry:
        assert self._mtime_ns is not None, "only a flushed copy may be published"
        if self._place.exists(path):
            raise NameTakenError(f"{path} is taken.")
        self._place.medium.put(path, bytes(self._body), self._mtime_ns)
        entry = self._place.stat(path)
        assert entry is not None
        return entry

    def discard(self) -> None:
        self._body.clear()

    def quarantine_partial(self, name: str, reason: str) -> None:
        self._place.put_into_quarantine(f"{name}.part", bytes(self._body), 0, reason)


class MemoryChangeWatch:
    """Notices nothing and says so."""

    is_complete = False
    is_supported = False

    def watch(self, folder: str) -> None:
        pass

    def begin_reading(self, path: str) -> None:
        pass

    def may_have_changed(self, path: str) -> bool:
        return False

    def changes(self) -> FolderChanges:
        return FolderChanges()

    def close(self) -> None:
        pass


class MemoryPlace:
    """A drive in memory: all of `base.Place`, without a file system below."""

    is_rotational = False
    is_read_only = False
    keeps_change_times = True
    makes_up_change_times = False
    insertion = None
    best_medium = Medium.DIRECT
    fs_limits = _LIMITS

    def __init__(self, root: Path, medium: MemoryMedium) -> None:
        self.root = root
        self.medium = medium
        self.uid = medium.marker.id
        self.name = medium.marker.name
        self.disk_id = f"memory {root}"
        self._lock_file = tempfile.TemporaryFile()  # noqa: SIM115  # closed in `close`

    def close(self) -> None:
        self._lock_file.close()

    def read_identity(self) -> FileSystemIdentity:
        return FileSystemIdentity(uuid=str(self.root))

    def find_disks(self) -> DiskSet:
        return frozenset({self.disk_id})

    def start_change_monitor(self) -> MemoryChangeWatch:
        return MemoryChangeWatch()

    def free_space(self) -> FreeSpace:
        used = sum(len(one.body) for one in self.medium.files.values())
        return FreeSpace(_TOTAL_BYTES - used, _TOTAL_BYTES, 0)

    def is_connected(self) -> bool:
        return True

    def stat(self, path: str) -> Entry | None:
        one = self.medium.files.get(path)
        return Entry(path, len(one.body), one.mtime_ns, ctime_ns=one.ctime_ns) if one else None

    def exists(self, path: str) -> bool:
        return path in self.medium.files or any(name.startswith(f"{path}/") for name in self.medium.files)

    def walk(self, folder: str) -> Iterator[Entry]:
        below = f"{folder}/" if folder else ""
        for path in sorted(self.medium.files):
            entry = self.stat(path)
            if entry and path.startswith(below) and not path.startswith(f"{RESERVED_DIR}/"):
                yield entry

    def list_dir(self, folder: str) -> list[tuple[str, os.stat_result | OSError]]:
        below = f"{folder}/" if folder else ""
        found: dict[str, os.stat_result | OSError] = {}
        for path, one in self.medium.files.items():
            name, _, rest = path.removeprefix(below).partition("/")
            if path.startswith(below):
                found[name] = _status(None if rest else one)
        if folder and not found:
            raise FileNotFoundError(folder)
        return sorted(found.items())

    def open_for_reading(self, path: str) -> int:
        with tempfile.TemporaryFile() as file:
            file.write(self._get(path).body)
            file.flush()
            descriptor = os.dup(file.fileno())
        os.lseek(descriptor, 0, os.SEEK_SET)
        return descriptor

    def begin_copy(self, size: int) -> MemoryWriter:
        return MemoryWriter(self)

    def fsync_dirs(self, folders: Iterable[str]) -> None:
        list(folders)

    def fsync_files(self, *paths: str) -> None:
        for path in paths:
            self._get(path)

    def open_reader(self, path: str) -> MemoryReader:
        return MemoryReader(self._get(path).body)

    def move(self, old: str, new: str) -> Entry:
        if self.exists(new):
            raise NameTakenError(f"{new} is taken.")
        one = self.medium.files.pop(old)
        self.medium.put(new, one.body, one.mtime_ns)
        return Entry(new, len(one.body), one.mtime_ns, ctime_ns=self.medium.changes)

    def quarantine(self, path: str, reason: str) -> str:
        one = self.medium.files.pop(path)
        return self.put_into_quarantine(path.rpartition("/")[2], one.body, one.mtime_ns, reason)

    def put_into_quarantine(self, name: str, body: bytes, mtime_ns: int, reason: str) -> str:
        path = f"{QUARANTINE_DIR}/20260613T213000Z-{self.medium.changes:08x}/{name}"
        self.medium.put(path, body, mtime_ns)
        return path

    def list_quarantine(self) -> list[QuarantineEntry]:
        return [
            QuarantineEntry(path, len(one.body), one.mtime_ns, link_count=1)
            for path, one in sorted(self.medium.files.items())
            if path.startswith(f"{QUARANTINE_DIR}/")
        ]

    def is_quarantine_unchanged(self, entry: QuarantineEntry) -> bool:
        return entry.path in self.medium.files

    def delete_quarantined(self, entry: QuarantineEntry) -> bool:
        return self.medium.files.pop(entry.path, None) is not None

    def remove_empty_dirs(self) -> None:
        pass

    def write_own(self, path: str, content: Iterable[bytes], *, replaces: bytes | None = None) -> None:
        assert is_reserved(path), path
        self.medium.put(path, b"".join(content))

    def read_own(self, path: str, limit: int) -> bytes | None:
        one = self.medium.files.get(path)
        return one.body[:limit] if one else None

    def read_own_unlocked(self, path: str, limit: int) -> bytes | None:
        return self.read_own(path, limit)

    def list_own_files(self, folder: str) -> list[Entry]:
        below = f"{folder}/"
        return [
            entry
            for path in sorted(self.medium.files)
            if path.startswith(below) and (entry := self.stat(path)) is not None
        ]

    def is_certainly_own(self, path: str) -> bool:
        return is_reserved(path) and path in self.medium.files

    def delete_own(self, path: str) -> None:
        self.medium.files.pop(path, None)

    def delete_unfinished(self) -> int:
        return 0

    def open_lock(self) -> int:
        return os.dup(self._lock_file.fileno())

    def _get(self, path: str) -> MemoryFile:
        try:
            return self.medium.files[path]
        except KeyError:
            raise FileNotFoundError(path) from None


class MemoryPlaces:
    """Finds and opens drives in memory; an absolute path is the only name they have."""

    def __init__(self) -> None:
        self.media: dict[Path, MemoryMedium] = {}
        self.away: set[Path] = set()

    def find_connected(self, records: Iterable[PlaceRecord], extra_roots: Iterable[Path] = ()) -> dict[str, Path]:
        known = {record.uid for record in records}
        found = {medium.marker.id: root for root, medium in self.media.items() if root not in self.away}
        return {uid: root for uid, root in found.items() if uid in known}

    def open_drive(self, root: Path, *, reserve_bytes: int = 0, no_atime: bool = False) -> MemoryPlace:
        if root in self.away or root not in self.media:
            raise PlaceError(f"There is nothing at {root}.")
        return MemoryPlace(root, self.media[root])

    def open_unmarked_drive(self, root: Path, marker: Marker) -> MemoryPlace:
        return MemoryPlace(root, MemoryMedium(marker))

    def open_source(self, root: Path) -> SourceFolder:
        raise PlaceError(f"{root} can't be read like a card.")

    def check_not_on_card(self, root: Path, card_folders: Sequence[str]) -> None:
        """Nothing here is a card."""

    def find_enclosing_drive(self, root: Path) -> Path | None:
        return None

    def read_marker(self, root: Path) -> Marker | None:
        return self.media[root].marker if root in self.media else None

    def write_new_marker(self, root: Path, marker: Marker) -> None:
        self.media[root] = MemoryMedium(marker)
        self.media[root].put(MARKER_PATH, encode_marker(marker))

    def rewrite_marker(self, place: Place, marker: Marker) -> None:
        place.write_own(MARKER_PATH, [encode_marker(marker)])

    def read_identity(self, root: Path) -> FileSystemIdentity | None:
        return FileSystemIdentity(uuid=str(root))

    def read_free_space(self, root: Path, reserve_bytes: int) -> FreeSpace | None:
        return self.open_drive(root).free_space()

    def read_evidence_reach(self, root: Path) -> tuple[Medium, str | None]:
        return Medium.DIRECT, None


def _status(one: MemoryFile | None) -> os.stat_result:
    """Return what lstat gives for a file, or for a folder if there is none."""
    size, mtime_ns, ctime_ns = (len(one.body), one.mtime_ns, one.ctime_ns) if one else (0, 0, 0)
    mode = stat.S_IFREG | 0o644 if one else stat.S_IFDIR | 0o755
    seconds = (mtime_ns // 10**9, mtime_ns // 10**9, ctime_ns // 10**9)
    floats = {"st_atime": 0.0, "st_mtime": mtime_ns / 1e9, "st_ctime": ctime_ns / 1e9}
    exact = {"st_atime_ns": 0, "st_mtime_ns": mtime_ns, "st_ctime_ns": ctime_ns}
    return os.stat_result((mode, 1, 1, 1, 0, 0, size, *seconds), {**floats, **exact})
