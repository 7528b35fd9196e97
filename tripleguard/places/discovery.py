"""Find out which known drives are connected, and where they are mounted.

A drive is looked for at its last path, and then on every mounted volume. Only its marker identifies it. One id at
two paths means a cloned drive: neither can be trusted to be the original, so that is an error which names both.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from pathlib import Path

from tripleguard.errors import PlaceError, PlaceUnreadableError
from tripleguard.model import PlaceRecord
from tripleguard.places.marker import read_marker_at
from tripleguard.places.mounts import list_mounts


def find_connected_drives(records: Iterable[PlaceRecord], extra_roots: Iterable[Path] = ()) -> dict[str, Path]:
    """Return where each connected drive is: marker id to path. Raises PlaceError for one id at two paths.

    A drive whose device fails at its last path counts as connected; opening it reports the error.

    extra_roots: folders to check besides the drives' last paths and mounted volumes.
    """
    known = list(records)
    found: dict[str, Path] = {}
    dead: dict[str, Path] = {}
    for root in (*_candidate_roots(known), *extra_roots):
        try:
            uid = _read_uid(root, known)
        except PlaceUnreadableError:
            last = [record.uid for record in known if record.last_path == str(root)]
            dead |= {last[0]: root} if len(last) == 1 else {}
            continue
        if uid is None:
            continue
        if uid in found and not _is_same_folder(found[uid], root):
            raise PlaceError(
                f"Two connected drives have the same id: {found[uid]} and {root}. One is a clone of the other.",
                safe="Nothing was changed on either.",
                do="Disconnect the clone, or remove the folder .tripleguard from it if it is to become a "
                "drive of its own, then run the command again.",
            )
        found.setdefault(uid, root)
    return dead | found


def _read_uid(root: Path, known: list[PlaceRecord]) -> str | None:
    try:
        marker = read_marker_at(root)
    except PlaceError:
        # Ignore the broken marker of an unknown drive, but not one at the last path of a known one.
        if any(record.last_path == str(root) for record in known):
            raise
        return None
    if marker is None or all(record.uid != marker.id for record in known):
        return None
    return marker.id


def _candidate_roots(known: list[PlaceRecord]) -> Iterator[Path]:
    seen: set[str] = set()
    for root in _possible_roots(known):
        if str(root) not in seen:
            seen.add(str(root))
            yield root


def _possible_roots(known: list[PlaceRecord]) -> Iterator[Path]:
    for record in known:
        if record.last_path:
            yield Path(record.last_path)
    tails = {tail for record in known if record.last_path for tail in _path_tails(Path(record.last_path))}
    for mount in list_mounts():
        yield Path(mount.point)
        for tail in sorted(tails):
            yield Path(mount.point) / tail


def _path_tails(path: Path) -> list[Path]:
    """Return the last one, two and three parts of a path: a drive may be a folder on its volume."""
    parts = path.parts[1:]
    return [Path(*parts[-count:]) for count in (1, 2, 3) if len(parts) >= count]


def _is_same_folder(first: Path, second: Path) -> bool:
    try:
        return os.path.samefile(first, second)
    except OSError:
        return False
