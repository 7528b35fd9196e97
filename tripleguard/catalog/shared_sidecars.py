"""Files that belong to more than one picture or name, and how many copies each of these uses still needs.

Counting copies by content is enough for a picture. Two pictures with equal sidecars share one content: each
picture needs its own copies of it. Only such shared files are examined here, so that the rest of the archive costs
nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from tripleguard.catalog import file_queries
from tripleguard.catalog.companions import find_newest_version, find_pictures
from tripleguard.catalog.places import list_places
from tripleguard.catalog.rows import COPY_COLUMNS, COPY_FROM, FILE_COLUMNS, KnownFile, row_to_copy, row_to_file
from tripleguard.catalog.store import Catalog
from tripleguard.model import Copy, CopyState
from tripleguard.names import EXFAT_FORBIDDEN, fold_name, split_suffix
from tripleguard.rules import is_counted_drive, is_good_copy

_FORBIDDEN_REPLACED = str.maketrans({char: "_" for char in EXFAT_FORBIDDEN if char != "/"})


@dataclass(frozen=True, slots=True)
class SharedFileShortage:
    """One use of a file that has fewer verified copies than the rule asks; copies: all of that use."""

    known_file: KnownFile
    copies: tuple[Copy, ...]
    verified: int


def list_shared_file_ids(catalog: Catalog) -> frozenset[int]:
    """Return the files that are counted by name."""
    return frozenset(row[0] for row in catalog.fetch_all("SELECT file_id FROM shared_files"))


def iter_shortages(catalog: Catalog, drive_copies: int) -> Iterator[SharedFileShortage]:
    """Yield every use with fewer than drive_copies copies, of every file with more than one use."""
    counting = {place.id for place in list_places(catalog) if is_counted_drive(place)}
    for row in catalog.fetch_all(
        "SELECT t.file_id FROM shared_files t JOIN files f ON f.id = t.file_id WHERE f.required_copies > 0"
    ):
        for copies in group_copies_by_use(catalog, row[0]):
            good = {copy.place_id for copy in copies if is_good_copy(copy) and copy.place_id in counting}
            if len(good) < drive_copies and not is_superseded(catalog, row[0], copies):
                yield SharedFileShortage(file_queries.get_file(catalog, row[0]), tuple(copies), len(good))


def mark_shared(catalog: Catalog, file_id: int) -> None:
    """Record that a file lies beside two pictures under one path. Call inside `Catalog.transaction`."""
    catalog.execute("INSERT OR IGNORE INTO shared_files (file_id) VALUES (?)", file_id)


def group_copies_by_use(catalog: Catalog, file_id: int) -> Iterator[list[Copy]]:
    """Yield the copies of a file grouped by use, without quarantined ones.

    Copies beside the same picture are one use, whatever their names; one without a picture is identified by its
    path.
    """
    same: dict[str, str] = {}
    marked: list[tuple[Copy, str]] = []
    for copy in file_queries.list_copies(catalog, file_id):
        if copy.state is not CopyState.QUARANTINED:
            first, *others = _list_use_keys(catalog, copy)
            for other in others:
                same[_get_canonical_key(same, other)] = _get_canonical_key(same, first)
            marked.append((copy, first))
    groups: dict[str, list[Copy]] = {}
    for copy, mark in marked:
        groups.setdefault(_get_canonical_key(same, mark), []).append(copy)
    yield from groups.values()


def _list_use_keys(catalog: Catalog, copy: Copy) -> list[str]:
    """Return what identifies a copy's use: each picture beside it, or its path if there is none."""
    pictures = find_pictures(catalog, copy.place_id, copy.path)
    end = split_suffix(copy.path.rpartition("/")[2])[1]
    marks = [f"{digest.hex()} {end}" for digest in sorted(pictures)] or [copy.path]
    return [fold_name(mark.translate(_FORBIDDEN_REPLACED)) for mark in marks]


def _get_canonical_key(same: dict[str, str], key: str) -> str:
    """Return the representative of all keys that were found to be the same as this one."""
    while (other := same.get(key, key)) != key:
        key = other
    return key


def iter_required_files(catalog: Catalog, shoot_id: int) -> Iterator[tuple[KnownFile, tuple[Copy, ...], bool]]:
    """Yield each file that a shoot requires, its copies without quarantined ones, and whether it is shared.

    A shared file belongs to each shoot that has a copy of it, with the copies it has there.
    """
    rows = catalog.fetch_all(
        f"SELECT EXISTS (SELECT 1 FROM shared_files t WHERE t.file_id = f.id), {FILE_COLUMNS} FROM files f"
        " WHERE f.shoot_id = ?1 AND f.required_copies > 0 UNION"
        f" SELECT 1, {FILE_COLUMNS} FROM shared_files t JOIN files f ON f.id = t.file_id WHERE"
        " f.required_copies > 0"
        " AND EXISTS (SELECT 1 FROM copies c WHERE c.file_id = f.id AND c.shoot_id = ?1) ORDER BY 2",
        shoot_id,
    )
    for is_shared, *columns in rows:
        known = row_to_file(tuple(columns))
        copies = catalog.fetch_all(
            f"SELECT {COPY_COLUMNS} {COPY_FROM} WHERE c.file_id = ?1 AND c.state <> 'quarantined'"
            " AND (NOT ?2 OR c.shoot_id = ?3) ORDER BY c.id",
            known.id,
            bool(is_shared),
            shoot_id,
        )
        if copies or not is_shared:
            yield known, tuple(map(row_to_copy, copies)), bool(is_shared)


def count_extra_missing_copies(catalog: Catalog, drive_copies: int) -> int:
    """Return how many names lack a copy beyond what counting by content shows."""
    names: dict[int, int] = {}
    for debt in iter_shortages(catalog, drive_copies):
        names[debt.known_file.id] = names.get(debt.known_file.id, 0) + 1
    short = {
        row[0]
        for row in catalog.fetch_all(
            "SELECT t.file_id FROM shared_files t JOIN files f ON f.id = t.file_id WHERE f.drive_copies <"
            " f.required_copies"
        )
    }
    return sum(count - (file_id in short) for file_id, count in names.items())


def is_superseded(catalog: Catalog, file_id: int, copies: list[Copy]) -> bool:
    """Return whether this name has a newer version by now, so that the older one requires no copies."""
    return any(find_newest_version(catalog, copy.path, copy.place_id) not in (None, file_id) for copy in copies)
