"""A recorded copy whose name is spelt otherwise now, on a file system that takes both spellings for one.

Such a file is no new one: the name that is recorded still leads to it, though no folder lists that.
"""

from __future__ import annotations

import contextlib

from tripleguard.catalog.folders import folders_with_copies, names_in_folder
from tripleguard.catalog.store import Catalog
from tripleguard.names import folded
from tripleguard.places.held import HeldFolder


class Respelt:
    """Asks that of one drive, for the length of one listing. folder: the drive's root, held open."""

    def __init__(self, catalog: Catalog, place_id: int, folder: HeldFolder) -> None:
        self._catalog = catalog
        self._place_id = place_id
        self._folder = folder
        self._folders: dict[str, list[str]] | None = None
        self._paths: dict[str, dict[str, list[str]]] = {}
        self._listed: dict[str, set[str]] = {}

    def is_recorded(self, path: str) -> bool:
        """Whether what lies at this path is recorded under another spelling. Raises CatalogTrouble."""
        above, _, name = path.rpartition("/")
        for other in self._recorded_in(folded(above)).get(folded(name), []):
            there = other.rpartition("/")[2]
            # Where the folder lists the other name as well, it is another file.
            alone = there == name or there not in self._names(above)
            if other != path and alone and not self._is_listed(other) and self._leads(other):
                return True
        return False

    def _recorded_in(self, key: str) -> dict[str, list[str]]:
        """Recorded paths in all spellings of a folder, by their folded names."""
        if self._folders is None:
            self._folders = {}
            for recorded in folders_with_copies(self._catalog, self._place_id):
                self._folders.setdefault(folded(recorded), []).append(recorded)
        if key not in self._paths:
            found = self._paths[key] = dict[str, list[str]]()
            for above in self._folders.get(key, []):
                for name in names_in_folder(self._catalog, self._place_id, above):
                    found.setdefault(folded(name), []).append(f"{above}/{name}" if above else name)
        return self._paths[key]

    def _is_listed(self, path: str) -> bool:
        """Whether the folders on the way list exactly these names."""
        above = ""
        for part in path.split("/"):
            if part not in self._names(above):
                return False
            above = f"{above}/{part}" if above else part
        return True

    def _names(self, folder: str) -> set[str]:
        if folder not in self._listed:
            self._listed[folder] = set()
            with contextlib.suppress(OSError):
                self._listed[folder] = {name for name, _ in self._folder.each(folder)}
        return self._listed[folder]

    def _leads(self, path: str) -> bool:
        try:
            return self._folder.look(path) is not None
        except OSError:
            return False
