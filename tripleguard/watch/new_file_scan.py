"""Find files in a folder that the catalog does not have, or has in another version.

On a drive only files of cameras and editors below a shoot's folder count, in an import folder those in any folder.
A file that is recorded under another spelling of its name is not new where the file system treats both as one.
"""

from __future__ import annotations

import contextlib
import os
import stat
from collections.abc import Iterable, Iterator
from pathlib import Path

from tripleguard.cameras.kinds import LITTER_HEAD, is_system_litter, kind_of
from tripleguard.catalog.file_queries import list_files_read_from
from tripleguard.catalog.folder_queries import iter_folders, list_copies_in_folder, list_names_in_folder
from tripleguard.catalog.store import Catalog
from tripleguard.config import LayoutSettings
from tripleguard.layout import can_hold_shoots, parse_shoot_path
from tripleguard.model import Entry, FileKind
from tripleguard.names import fold_name
from tripleguard.places.dir_handle import DirHandle, to_entry
from tripleguard.places.reserved import RESERVED_DIR, is_reserved
from tripleguard.rules import needs_recording

_MAX_DEPTH = 32


def find_new(
    catalog: Catalog, layout: LayoutSettings, place_id: int | None, root: Path, folders: Iterable[str]
) -> Iterator[Entry]:
    """Yield the new files in these folders of a drive and below, or in all of an import folder (place_id None).

    Raises OSError.
    """
    if place_id is None:
        yield from find_new_in_folder(catalog, root)
        return
    for folder in _keep_outermost(set(folders)):
        yield from find_new_on_drive(catalog, layout, place_id, root, folder)


def find_new_on_drive(
    catalog: Catalog, layout: LayoutSettings, place_id: int, root: Path, below: str
) -> Iterator[Entry]:
    """Yield the new files below a folder of a drive; '' for all that can hold shoots. Raises OSError."""
    folder = DirHandle(root)
    equivalents = EquivalentNameLookup(catalog, place_id, folder)
    try:
        for path, entries in _walk_folders(folder, below, 0, layout):
            if not entries:
                continue
            recorded = {copy.path: copy for copy in list_copies_in_folder(catalog, place_id, path)}
            for entry in entries:
                known = recorded.get(entry.path)
                if not needs_recording(known, entry, kind_of(entry.name)) or not (
                    recorded or parse_shoot_path(layout, entry.path)
                ):
                    continue
                if known is not None or not equivalents.is_recorded(entry.path):
                    yield entry
    finally:
        folder.close()


def find_new_in_folder(catalog: Catalog, root: Path) -> Iterator[Entry]:
    """Yield the new files in an import folder. Raises OSError."""
    taken = list_files_read_from(catalog, str(root))
    folder = DirHandle(root, no_atime=True)
    try:
        for _, entries in _walk_folders(folder, "", 0, None):
            yield from (entry for entry in entries if taken.get(entry.path) != (entry.size, entry.mtime_ns))
    finally:
        folder.close()


def stat_files(root: Path, paths: list[str]) -> dict[str, Entry | None]:
    """Return these files as they are now, None for one that is gone. Raises OSError if the folder is gone."""
    folder = DirHandle(root)
    try:
        return {path: _stat_or_none(folder, path) for path in paths}
    finally:
        folder.close()


def _walk_folders(
    folder: DirHandle, path: str, depth: int, layout: LayoutSettings | None
) -> Iterator[tuple[str, list[Entry]]]:
    """Yield every folder at or below a path, with the files in it that a camera or an editor wrote."""
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


def _keep_outermost(folders: set[str]) -> list[str]:
    """Return these folders without those inside another one."""
    return [one for one in sorted(folders) if not any(one != top and _is_below(one, top) for top in folders)]


def _is_below(path: str, top: str) -> bool:
    return not top or path.startswith(f"{top}/")


class EquivalentNameLookup:
    """Finds recorded names that one drive treats as equal, during one listing. folder: the drive's root."""

    def __init__(self, catalog: Catalog, place_id: int, folder: DirHandle) -> None:
        self._catalog = catalog
        self._place_id = place_id
        self._folder = folder
        self._folders: dict[str, list[str]] | None = None
        self._paths_by_folder: dict[str, dict[str, list[str]]] = {}
        self._names_by_folder: dict[str, set[str]] = {}

    def is_recorded(self, path: str) -> bool:
        """Return whether the file at this path is recorded under another spelling. Raises CatalogError."""
        above, _, name = path.rpartition("/")
        for other in self._find_recorded(fold_name(above)).get(fold_name(name), []):
            there = other.rpartition("/")[2]
            # If the folder lists the other name as well, that is another file.
            is_only_name = there == name or there not in self._list_names(above)
            if other != path and is_only_name and not self._is_listed(other) and self._exists(other):
                return True
        return False

    def _find_recorded(self, key: str) -> dict[str, list[str]]:
        """Return the recorded paths in a folder in all its spellings, by folded name."""
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
        """Return whether each folder of a path lists the next name in exactly this spelling."""
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
