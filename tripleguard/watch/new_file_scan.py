"""Find files in a folder that the catalog does not have, or has in another version.

On a drive these are files of cameras and editors below a shoot's folder, in an import folder all of them. A
file whose recorded name is merely spelt otherwise, on a file system that treats both spellings as one, is not
new.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Iterator
from pathlib import Path

from tripleguard.cameras.kinds import LITTER_HEAD, is_system_litter, kind_of
from tripleguard.catalog.file_queries import list_files_read_from
from tripleguard.catalog.folder_queries import iter_folders, list_copies_in_folder, list_names_in_folder
from tripleguard.catalog.store import Catalog
from tripleguard.config import LayoutSettings
from tripleguard.layout import can_hold_shoots, parse_shoot_path
from tripleguard.model import Copy, CopyState, Entry, FileKind
from tripleguard.names import fold_name
from tripleguard.places.dir_handle import DirHandle, to_entry
from tripleguard.places.reserved import RESERVED_DIR, is_reserved
from tripleguard.rules import is_exactly_as_recorded

_MAX_DEPTH = 32


def find_new_on_drive(
    catalog: Catalog, layout: LayoutSettings, place_id: int, root: Path, below: str
) -> Iterator[Entry]:
    """What is new below a folder of a drive ('' for all that can hold shoots). Raises OSError."""
    folder = DirHandle(root)
    respelt = EquivalentNameLookup(catalog, place_id, folder)
    try:
        for path, entries in _walk_folders(folder, below, 0, layout):
            if not entries:
                continue
            recorded = {copy.path: copy for copy in list_copies_in_folder(catalog, place_id, path)}
            for entry in entries:
                known = recorded.get(entry.path)
                if not _is_new(known, entry) or not (recorded or parse_shoot_path(layout, entry.path)):
                    continue
                if known is not None or not respelt.is_recorded(entry.path):
                    yield entry
    finally:
        folder.close()


def find_new_in_folder(catalog: Catalog, root: Path) -> Iterator[Entry]:
    """What is new in an import folder. Raises OSError."""
    taken = list_files_read_from(catalog, str(root))
    folder = DirHandle(root, no_atime=True)
    try:
        for _, entries in _walk_folders(folder, "", 0, None):
            yield from (entry for entry in entries if taken.get(entry.path) != (entry.size, entry.mtime_ns))
    finally:
        folder.close()


def stat_files(root: Path, paths: list[str]) -> dict[str, Entry | None]:
    """These files as they are now; None: gone. Raises OSError if the folder is gone."""
    folder = DirHandle(root)
    try:
        return {path: _stat_or_none(folder, path) for path in paths}
    finally:
        folder.close()


def _is_new(copy: Copy | None, entry: Entry) -> bool:
    """Whether it is to be entered. A changed original is not: that is for the rescan to judge."""
    if copy is None or copy.state is CopyState.MISSING:
        return True
    return kind_of(entry.name) is FileKind.COMPANION and not is_exactly_as_recorded(copy, entry)


def _walk_folders(
    folder: DirHandle, path: str, depth: int, layout: LayoutSettings | None
) -> Iterator[tuple[str, list[Entry]]]:
    """Every folder at or below path, with what in it a camera or an editor wrote."""
    entries, below = [], []
    try:
        found = folder.list_dir(path)
    except (FileNotFoundError, NotADirectoryError):
        return
    for name, status in found:
        inside = f"{path}/{name}" if path else name
        if isinstance(status, OSError) or inside == RESERVED_DIR:
            continue
        if stat.S_ISDIR(status.st_mode):
            if depth < _MAX_DEPTH and (path or layout is None or can_hold_shoots(layout, name)):
                below.append(inside)
        elif stat.S_ISREG(status.st_mode) and not is_reserved(inside) and _is_camera_file(folder, inside, status):
            entries.append(to_entry(inside, status))
    yield path, entries
    for inside in below:
        yield from _walk_folders(folder, inside, depth + 1, layout)


def _is_camera_file(folder: DirHandle, path: str, status: os.stat_result) -> bool:
    kind = kind_of(path)
    if not (kind.is_original or kind is FileKind.COMPANION) or status.st_size == 0:
        return False
    return not is_system_litter(path, status.st_size, lambda: folder.read_small(path, LITTER_HEAD))


def _stat_or_none(folder: DirHandle, path: str) -> Entry | None:
    try:
        return folder.stat(path)
    except OSError:
        return None


class EquivalentNameLookup:
    """Asks that of one drive, for the length of one listing. folder: the drive's root, held open."""

    def __init__(self, catalog: Catalog, place_id: int, folder: DirHandle) -> None:
        self._catalog = catalog
        self._place_id = place_id
        self._folder = folder
        self._folders: dict[str, list[str]] | None = None
        self._paths_by_folder: dict[str, dict[str, list[str]]] = {}
        self._names_by_folder: dict[str, set[str]] = {}

    def is_recorded(self, path: str) -> bool:
        """Whether what lies at this path is recorded under another spelling. Raises CatalogTrouble."""
        above, _, name = path.rpartition("/")
        for other in self._find_recorded(fold_name(above)).get(fold_name(name), []):
            there = other.rpartition("/")[2]
            # Where the folder lists the other name as well, it is another file.
            alone = there == name or there not in self._list_names(above)
            if other != path and alone and not self._is_listed(other) and self._exists(other):
                return True
        return False

    def _find_recorded(self, key: str) -> dict[str, list[str]]:
        """Recorded paths in all spellings of a folder, by their folded names."""
        if self._folders is None:
            self._folders = {}
            for recorded in iter_folders(self._catalog, self._place_id):
                self._folders.setdefault(fold_name(recorded), []).append(recorded)
        if key not in self._paths_by_folder:
            found = self._paths_by_folder[key] = dict[str, list[str]]()
            for above in self._folders.get(key, []):
                for name in list_names_in_folder(self._catalog, self._place_id, above):
                    found.setdefault(fold_name(name), []).append(f"{above}/{name}" if above else name)
        return self._paths_by_folder[key]

    def _is_listed(self, path: str) -> bool:
        """Whether the folders on the way list exactly these names."""
        above = ""
        for part in path.split("/"):
            if part not in self._list_names(above):
                return False
            above = f"{above}/{part}" if above else part
        return True

    def _list_names(self, folder: str) -> set[str]:
        if folder not in self._names_by_folder:
            self._names_by_folder[folder] = set()
            with contextlib.suppress(OSError):
                self._names_by_folder[folder] = {name for name, _ in self._folder.iter_dir(folder)}
        return self._names_by_folder[folder]

    def _exists(self, path: str) -> bool:
        try:
            return self._folder.stat(path) is not None
        except OSError:
            return False
