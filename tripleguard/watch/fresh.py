"""What is new in a folder: files that the catalog does not have, or not like this.

On a drive, below a shoot's folder, what a camera or an editor wrote; elsewhere on a drive nothing. In an import
folder all of that.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from pathlib import Path

from tripleguard.cameras.kinds import is_left_by_system, kind_of
from tripleguard.catalog.folders import copies_right_in
from tripleguard.catalog.readings import taken_from
from tripleguard.catalog.store import Catalog
from tripleguard.config import Layout
from tripleguard.layout import may_hold_shoots, shoot_at
from tripleguard.model import Copy, CopyState, Entry, Kind
from tripleguard.places.held import HeldFolder, entry_of
from tripleguard.places.own import OWN, is_own
from tripleguard.rules import is_exactly_as_recorded
from tripleguard.watch.respelt import Respelt

_DEEPEST = 32


def new_on_drive(catalog: Catalog, layout: Layout, place_id: int, root: Path, below: str) -> Iterator[Entry]:
    """What is new below a folder of a drive ('' for all that can hold shoots). Raises OSError."""
    folder = HeldFolder(root)
    respelt = Respelt(catalog, place_id, folder)
    try:
        for path, entries in _folders(folder, below, 0, layout):
            if not entries:
                continue
            recorded = {copy.path: copy for copy in copies_right_in(catalog, place_id, path)}
            for entry in entries:
                known = recorded.get(entry.path)
                if not _is_new(known, entry) or not (recorded or shoot_at(layout, entry.path)):
                    continue
                if known is not None or not respelt.is_recorded(entry.path):
                    yield entry
    finally:
        folder.close()


def new_in_folder(catalog: Catalog, root: Path) -> Iterator[Entry]:
    """What is new in an import folder. Raises OSError."""
    taken = taken_from(catalog, str(root))
    folder = HeldFolder(root, quiet=True)
    try:
        for _, entries in _folders(folder, "", 0, None):
            yield from (entry for entry in entries if taken.get(entry.path) != (entry.size, entry.mtime_ns))
    finally:
        folder.close()


def looked_at(root: Path, paths: list[str]) -> dict[str, Entry | None]:
    """These files as they are now; None: gone. Raises OSError if the folder is gone."""
    folder = HeldFolder(root)
    try:
        return {path: _look(folder, path) for path in paths}
    finally:
        folder.close()


def _is_new(copy: Copy | None, entry: Entry) -> bool:
    """Whether it is to be entered. A changed original is not: that is for the rescan to judge."""
    if copy is None or copy.state is CopyState.MISSING:
        return True
    return kind_of(entry.name) is Kind.COMPANION and not is_exactly_as_recorded(copy, entry)


def _folders(
    folder: HeldFolder, path: str, depth: int, layout: Layout | None
) -> Iterator[tuple[str, list[Entry]]]:
    """Every folder at or below path, with what in it a camera or an editor wrote."""
    entries, below = [], []
    try:
        found = folder.names(path)
    except (FileNotFoundError, NotADirectoryError):
        return
    for name, status in found:
        inside = f"{path}/{name}" if path else name
        if isinstance(status, OSError) or inside == OWN:
            continue
        if stat.S_ISDIR(status.st_mode):
            if depth < _DEEPEST and (path or layout is None or may_hold_shoots(layout, name)):
                below.append(inside)
        elif stat.S_ISREG(status.st_mode) and not is_own(inside) and _counts(folder, inside, status):
            entries.append(entry_of(inside, status))
    yield path, entries
    for inside in below:
        yield from _folders(folder, inside, depth + 1, layout)


def _counts(folder: HeldFolder, path: str, status: os.stat_result) -> bool:
    kind = kind_of(path)
    if not (kind.is_original or kind is Kind.COMPANION) or status.st_size == 0:
        return False
    return not is_left_by_system(path, status.st_size, lambda: folder.read_small(path, 8))


def _look(folder: HeldFolder, path: str) -> Entry | None:
    try:
        return folder.look(path)
    except OSError:
        return None
