"""Walk a drive, folder by folder, without the tool's own files.

What the file system itself can't return (a name whose stat fails, a folder that can't be listed) is neither
present nor missing: it is unreachable.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tripleguard.cameras.kinds import LITTER_HEAD, is_system_litter
from tripleguard.model import Entry
from tripleguard.places.base import Place
from tripleguard.places.dir_handle import to_entry
from tripleguard.places.reserved import CHECKLIST_NAME, QUARANTINE_DIR, RESERVED_DIR, is_reserved


@dataclass(frozen=True, slots=True)
class DriveFolder:
    """One folder with the regular files directly in it. has_checklist: it contains a check list too."""

    path: str
    entries: list[Entry]
    has_checklist: bool


class DriveWalk:
    """One walk over a drive. include_reserved: also files in the reserved folder that may not be the tool's."""

    def __init__(self, drive: Place, *, include_reserved: bool = False) -> None:
        self._drive = drive
        self._include_reserved = include_reserved
        self.unreachable_paths: set[str] = set()
        self.forbidden_paths: set[str] = set()

    def folders(self, folder: str = "") -> Iterator[DriveFolder]:
        """Yield each folder at or below folder, parents first. Raises OSError if the drive is gone."""
        waiting = [folder]
        while waiting:
            found, below = self._list_folder(waiting.pop())
            yield found
            waiting += reversed(below)

    def _list_folder(self, folder: str) -> tuple[DriveFolder, list[str]]:
        """Return a folder, and the paths of its subfolders."""
        entries: list[Entry] = []
        below: list[str] = []
        has_list = False
        for name, status in self._list_names(folder):
            path = f"{folder}/{name}" if folder else name
            if path == QUARANTINE_DIR or (path == RESERVED_DIR and not self._include_reserved):
                continue
            if isinstance(status, OSError):
                self._record_unreachable(path, status)
            elif stat.S_ISDIR(status.st_mode):
                below.append(path)
            elif stat.S_ISREG(status.st_mode):
                has_list |= name == CHECKLIST_NAME
                if not self._is_reserved(path):
                    entries.append(to_entry(path, status))
        return DriveFolder(folder, entries, has_list), below

    def is_unreachable(self, path: str) -> bool:
        """Return whether the file system failed to return this path, so that its state is unknown."""
        return _contains_path(self.unreachable_paths, path)

    def is_forbidden(self, path: str) -> bool:
        """Return whether the current user may not read this path, so that its state is unknown."""
        return _contains_path(self.forbidden_paths, path)

    def _is_reserved(self, path: str) -> bool:
        if not is_reserved(path):
            return False
        return not self._include_reserved or self._drive.is_certainly_own(path)

    def _list_names(self, folder: str) -> Sequence[tuple[str, os.stat_result | OSError]]:
        try:
            return self._drive.list_dir(folder)
        except OSError as error:
            self._record_unreachable(folder, error)
            return []

    def _record_unreachable(self, path: str, error: OSError) -> None:
        """Note a path that the file system does not return; one that vanished meanwhile is simply gone."""
        if isinstance(error, FileNotFoundError | NotADirectoryError):
            return
        if not self._drive.is_connected():
            raise error
        self.unreachable_paths.add(path)
        if isinstance(error, PermissionError):
            self.forbidden_paths.add(path)


def is_litter(drive: Place, entry: Entry) -> bool:
    """Return whether a file is litter of an operating system. Raises OSError."""

    def head() -> bytes:
        descriptor = drive.open_for_reading(entry.path)
        try:
            return os.read(descriptor, LITTER_HEAD)
        finally:
            os.close(descriptor)

    return is_system_litter(entry.path, entry.size, head)


def _contains_path(paths: set[str], path: str) -> bool:
    return any(path == one or path.startswith(f"{one}/") or not one for one in paths)
