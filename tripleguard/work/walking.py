"""What lies on a drive now, folder by folder, the tool's own left out.

What the file system itself can't give (a name whose status fails, a folder that can't be listed) is neither there
nor gone: it is out of reach.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tripleguard.cameras.kinds import is_left_by_system
from tripleguard.model import Entry
from tripleguard.places.drive import Drive
from tripleguard.places.held import entry_of
from tripleguard.places.own import ASIDE, CHECK_LIST, OWN, is_own


@dataclass(frozen=True, slots=True)
class Folder:
    """One folder with the photographer's plain files right in it. has_list: a check list lies there too."""

    path: str
    entries: list[Entry]
    has_list: bool


class Walk:
    """One walk over a drive. into_own: also what lies among the tool's own and is not certainly its own."""

    def __init__(self, drive: Drive, *, into_own: bool = False) -> None:
        self._drive = drive
        self._into_own = into_own
        self.refused: set[str] = set()
        self.forbidden: set[str] = set()

    def folders(self, folder: str = "") -> Iterator[Folder]:
        """Each folder at or below folder, those above first, however deep. Raises OSError if the drive is gone."""
        waiting = [folder]
        while waiting:
            found, below = self._looked_into(waiting.pop())
            yield found
            waiting += reversed(below)

    def _looked_into(self, folder: str) -> tuple[Folder, list[str]]:
        """A folder, and the paths of those right in it."""
        entries: list[Entry] = []
        below: list[str] = []
        has_list = False
        for name, status in self._names(folder):
            path = f"{folder}/{name}" if folder else name
            if path == ASIDE or (path == OWN and not self._into_own):
                continue
            if isinstance(status, OSError):
                self._refuse(path, status)
            elif stat.S_ISDIR(status.st_mode):
                below.append(path)
            elif stat.S_ISREG(status.st_mode):
                has_list |= name == CHECK_LIST
                if not self._is_own(path):
                    entries.append(entry_of(path, status))
        return Folder(folder, entries, has_list), below

    def is_out_of_reach(self, path: str) -> bool:
        """Whether the file system did not give this path, so that nothing can be said of it."""
        return _covers(self.refused, path)

    def is_forbidden(self, path: str) -> bool:
        """Whether who runs this may not look at this path, so that nothing can be said of it."""
        return _covers(self.forbidden, path)

    def _is_own(self, path: str) -> bool:
        if not is_own(path):
            return False
        return not self._into_own or self._drive.is_certainly_own(path)

    def _names(self, folder: str) -> Sequence[tuple[str, os.stat_result | OSError]]:
        try:
            return self._drive.names(folder)
        except OSError as error:
            self._refuse(folder, error)
            return []

    def _refuse(self, path: str, error: OSError) -> None:
        """Note what the file system does not give; what went away meanwhile is simply gone."""
        if isinstance(error, FileNotFoundError | NotADirectoryError):
            return
        if not self._drive.here():
            raise error
        self.refused.add(path)
        if isinstance(error, PermissionError):
            self.forbidden.add(path)


def is_litter(drive: Drive, entry: Entry) -> bool:
    """Whether a file is what systems leave everywhere. Raises OSError."""

    def head() -> bytes:
        descriptor = drive.open_for_reading(entry.path)
        try:
            return os.read(descriptor, 8)
        finally:
            os.close(descriptor)

    return is_left_by_system(entry.path, entry.size, head)


def _covers(paths: set[str], path: str) -> bool:
    return any(path == one or path.startswith(f"{one}/") or not one for one in paths)
