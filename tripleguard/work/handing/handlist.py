"""What of a shoot is handed over, under which name, and from which copies.

Every file of the shoot, its companions in their newest version. A file lies in the folder that is handed over as
it lies in the shoot's folder on the drives. Names that are no UTF-8 can't stand in a bag's manifest, so there
their bytes are spelled out; two names that some systems take for one are told apart by a number, because whoever
gets the folder may copy it to such a system.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tripleguard.catalog.lineage import newest_version
from tripleguard.catalog.rows import COPY, COPY_FROM, FILE, KnownFile, copy_of, file_of
from tripleguard.catalog.selects import all_selects
from tripleguard.catalog.store import Catalog
from tripleguard.catalog.twins import twin_ids
from tripleguard.config import Layout
from tripleguard.layout import shoot_folder
from tripleguard.model import Copy, CopyState, Limits, Shoot
from tripleguard.names import fitted, folded, is_text, numbered, shown
from tripleguard.work.frames import frame_of

_COLUMNS = FILE.count(",") + 1


@dataclass(frozen=True, slots=True)
class Item:
    """One file that is handed over. path: relative to the payload. stored: as the drives have it, if it differs.

    copies: where it can be had from, those that were verified first.
    """

    known: KnownFile
    path: str
    stored: str | None
    copies: tuple[Copy, ...]


Wanted = tuple[KnownFile, str, tuple[Copy, ...]]
"""A file, its path in the shoot's folder, and its copies."""


def handlist(catalog: Catalog, shoot: Shoot, layout: Layout) -> list[Wanted]:
    """Every file of a shoot with its path in the shoot's folder and its copies, in path order."""
    folder = shoot_folder(layout, shoot.day, shoot.name) + "/"
    found: list[Wanted] = []
    for known, copies, by_name in _files_of(catalog, shoot.id):
        if not by_name:
            found.append((known, _path_in(folder, known, copies), copies))
            continue
        names: dict[str, list[Copy]] = {}
        for copy in copies:
            names.setdefault(folded(_path_in(folder, known, [copy])), []).append(copy)
        for some in names.values():
            if not _is_superseded(catalog, known.id, some):
                found.append((known, _path_in(folder, known, some), tuple(some)))
    return sorted(found, key=lambda one: (one[1], one[0].id))


def of_selects(catalog: Catalog, shoot: Shoot, found: Iterable[Wanted]) -> list[Wanted]:
    """What of the list belongs to a frame that was chosen: the raw, its camera picture, its sidecars."""
    chosen: dict[int, set[str]] = {}
    for select in all_selects(catalog):
        if select.known.shoot_id == shoot.id:
            for member in frame_of(catalog, select.known.id):
                chosen.setdefault(member.file_id, set()).add(member.path)
    twins = twin_ids(catalog)
    return [
        one
        for one in found
        if one[0].id in chosen
        and (one[0].id not in twins or any(copy.path in chosen[one[0].id] for copy in one[2]))
    ]


def placed(found: Iterable[Wanted], limits: Limits, *, text_only: bool, reserved: Sequence[str]) -> list[Item]:
    """The list with every path as the folder can hold it, no two of them alike. The order decides who is numbered.

    text_only: names must be UTF-8. reserved: paths that are kept for something else.
    """
    taken = {folded(path) for path in reserved}
    items: list[Item] = []
    for known, stored, copies in found:
        wanted = stored
        if text_only and not is_text(stored):
            wanted = "/".join(map(_spelled_out, stored.split("/")))
        path = next(path for path in _ways_to_say(wanted, limits) if folded(path) not in taken)
        taken.add(folded(path))
        items.append(Item(known, path, stored if path != stored else None, _best_first(copies)))
    return items


def _files_of(catalog: Catalog, shoot_id: int) -> Iterable[tuple[KnownFile, tuple[Copy, ...], bool]]:
    """(file, its copies, whether it is counted by name) of what a shoot wants.

    A file with twins belongs to each shoot that has a copy of it, under the names it has there.
    """
    rows = catalog.rows(
        f"SELECT {FILE}, EXISTS (SELECT 1 FROM twins t WHERE t.file_id = f.id) FROM files f"
        " WHERE f.shoot_id = ?1 AND f.wants > 0 UNION"
        f" SELECT {FILE}, 1 FROM twins t JOIN files f ON f.id = t.file_id WHERE f.wants > 0"
        " AND EXISTS (SELECT 1 FROM copies c WHERE c.file_id = f.id AND c.shoot_id = ?1)",
        shoot_id,
    )
    for row in rows:
        known, by_name = file_of(row[:_COLUMNS]), bool(row[_COLUMNS])
        copies = catalog.rows(
            f"SELECT {COPY} {COPY_FROM} WHERE c.file_id = ?1 AND c.state <> 'aside'"
            " AND (NOT ?2 OR c.shoot_id = ?3) ORDER BY c.id",
            known.id,
            by_name,
            shoot_id,
        )
        if copies or not by_name:
            yield known, tuple(map(copy_of, copies)), by_name


def _path_in(folder: str, known: KnownFile, copies: Sequence[Copy]) -> str:
    """Where a file lies in the shoot's folder, by the first of its copies that does; else its whole path there."""
    inside = next((copy.path for copy in copies if copy.path.startswith(folder)), None)
    if inside is not None:
        return inside.removeprefix(folder)
    return copies[0].path if copies else known.name


def _is_superseded(catalog: Catalog, file_id: int, copies: Sequence[Copy]) -> bool:
    return any(newest_version(catalog, copy.path, copy.place_id) not in (None, file_id) for copy in copies)


def _spelled_out(part: str) -> str:
    return part if is_text(part) else shown(part).replace("\\", "_")


def _ways_to_say(path: str, limits: Limits) -> Iterable[str]:
    folder, slash, name = path.rpartition("/")
    number = 1
    while True:
        yield fitted(f"{folder}{slash}{numbered(name, number)}", limits)
        number += 1


def _best_first(copies: Sequence[Copy]) -> tuple[Copy, ...]:
    """Copies that are as they should be, the verified ones first; by drive, so that one drive is read in order."""
    usable = [copy for copy in copies if copy.state is CopyState.PRESENT]
    return tuple(sorted(usable, key=lambda copy: (copy.evidence.verified_at is None, copy.place_id, copy.id)))
