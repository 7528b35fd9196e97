"""Which pictures a companion belongs to, and which of its versions is the newest.

A companion belongs to the pictures beside it, under its own name, on its own drive. A path alone does not identify
it: two drives can have two pictures under one path, each with settings of its own. So a companion is identified by
the content of its pictures. A numbered one (`IMG_1-2.xmp`) belongs to the picture of that number; if there is
none, it is another version beside the picture without a number.

The newest version wins. An edit is newer than what it replaced; else the versions' own times decide. An older
version is kept where it is but needs no more copies. If two drives have different pictures at one path, the
companions of each have their own line of versions.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from tripleguard.catalog import file_queries, folder_queries
from tripleguard.catalog.places import list_places
from tripleguard.catalog.rows import COPY_COLUMNS, COPY_FROM, IS_ORIGINAL, row_to_copy, split_path, to_db
from tripleguard.catalog.store import Catalog
from tripleguard.model import Copy, PlaceKind
from tripleguard.names import fold_name, may_be_truncated, split_suffix, strip_number

_HAS_CONTENT = f"{IS_ORIGINAL} AND f.size > 0"
_UNCUT_CHARACTERS = 60
"""The characters of a name that no drive truncates: the shortest limit is 255 bytes, four per character."""


def find_pictures(catalog: Catalog, place_id: int, path: str) -> frozenset[bytes]:
    """Return the digests of the originals of a companion at this path of a place; empty if none.

    An original that is missing or bad there counts too; a quarantined one does not.
    """
    folder, _, name = path.rpartition("/")
    for stem in _iter_stems(name):
        found = frozenset(
            digest
            for other, digest in _iter_originals(catalog, place_id, folder, stem, cut=may_be_truncated(name))
            if _is_same_stem(fold_name(other.rpartition(".")[0]), fold_name(stem), cut=may_be_truncated(name))
        )
        if found:
            return found
    return frozenset()


def list_companions(catalog: Catalog, file_id: int, pictures: Iterable[bytes]) -> list[Copy]:
    """Return the copies of a companion, whatever their state, beside one of these pictures (digests).

    The cost does not depend on how many other pictures have companions with the same bytes.
    """
    wanted, found = frozenset(pictures), dict[int, Copy]()
    for digest in sorted(wanted):
        picture = file_queries.find_file_by_digest(catalog, digest)
        for original_copy in file_queries.list_copies(catalog, picture.id) if picture is not None else ():
            folder, _, name = original_copy.path.rpartition("/")
            stem = name.rpartition(".")[0]
            for copy in _iter_copies_named(catalog, original_copy.place_id, folder, stem, file_id):
                if copy.id not in found and find_pictures(catalog, copy.place_id, copy.path) & wanted:
                    found[copy.id] = copy
    return list(found.values())


def build_companion_name(picture: str, name: str) -> str:
    """Return the name of a companion beside this picture, so that the two stay a pair."""
    return picture.rpartition(".")[0] + split_suffix(name)[1]


def _iter_stems(name: str) -> Iterator[str]:
    """Yield the possible stems of a companion's picture, the closest first."""
    yield from dict.fromkeys(
        one
        for stem in (name.rpartition(".")[0], split_suffix(name)[0])
        for one in (stem, strip_number(stem))
        if one
    )


def _is_same_stem(left: str, right: str, *, cut: bool) -> bool:
    return left == right or (cut and (left.startswith(right) or right.startswith(left)))


def _iter_originals(
    catalog: Catalog, place_id: int, folder: str, stem: str, *, cut: bool
) -> Iterator[tuple[str, bytes]]:
    for low, high in _build_name_ranges(stem[:_UNCUT_CHARACTERS] if cut else f"{stem}.", cut=cut):
        for row in catalog.fetch_all(
            f"SELECT {COPY_COLUMNS}, f.digest {COPY_FROM} WHERE d.place_id = ? AND d.path = ? AND c.name >= ?"
            f" AND c.name < ? AND c.state <> 'quarantined' AND {_HAS_CONTENT}",
            place_id,
            to_db(folder),
            to_db(low),
            to_db(high),
        ):
            yield row_to_copy(row[:-1]).path.rpartition("/")[2], row[-1]


def _iter_copies_named(catalog: Catalog, place_id: int, folder: str, stem: str, file_id: int) -> Iterator[Copy]:
    """Yield the copies of one file in a folder whose names begin with a picture's stem."""
    for low, high in _build_name_ranges(stem[:_UNCUT_CHARACTERS], cut=True):
        for row in catalog.fetch_all(
            f"SELECT {COPY_COLUMNS} {COPY_FROM} WHERE d.place_id = ? AND d.path = ? AND c.name >= ? AND c.name < ?"
            " AND c.file_id = ? AND c.state <> 'quarantined'",
            place_id,
            to_db(folder),
            to_db(low),
            to_db(high),
            file_id,
        ):
            yield row_to_copy(row)


def _build_name_ranges(begin: str, *, cut: bool) -> Iterator[tuple[str, str]]:
    """Yield the ranges of names with this beginning, as written and in lower or upper case."""
    for one in dict.fromkeys((begin, begin.upper(), begin.lower())):
        # `/` follows `.`, and is in no name.
        yield one, (f"{one}\U0010ffff" if cut else f"{one[:-1]}/")


def add_version(catalog: Catalog, shoot_id: int, path: str, file_id: int, mtime_ns: int, at: int) -> None:
    """Record that this path held this file at this time. Call inside `transaction`."""
    row = catalog.fetch_one("SELECT coalesce(max(number), 0) FROM versions WHERE path = ?", to_db(path))
    assert row is not None
    catalog.execute(
        "INSERT INTO versions (shoot_id, path, number, file_id, mtime_ns, seen_at) VALUES (?, ?, ?, ?, ?, ?)"
        " ON CONFLICT (path, file_id) DO UPDATE SET mtime_ns = max(mtime_ns, excluded.mtime_ns)",
        shoot_id,
        to_db(path),
        row[0] + 1,
        file_id,
        mtime_ns,
        at,
    )


def add_edit(
    catalog: Catalog, shoot_id: int, path: str, file_id: int, mtime_ns: int, at: int, *, previous_file_id: int
) -> None:
    """Record an edit of this path, which replaced the version `previous_file_id`. Call inside `transaction`.

    Content that is new at this path is newer than what it replaced, even if the editor's clock was behind. Content
    that was there before was restored; its time decides whether on purpose.
    """
    rows = catalog.fetch_all(
        "SELECT file_id, mtime_ns FROM versions WHERE path = ? AND file_id IN (?, ?)",
        to_db(path),
        file_id,
        previous_file_id,
    )
    times: dict[int, int] = {row[0]: row[1] for row in rows}
    if file_id not in times:
        mtime_ns = max(mtime_ns, times.get(previous_file_id, 0) + 1)
    add_version(catalog, shoot_id, path, file_id, mtime_ns, at)


def find_newest_version(catalog: Catalog, path: str, place_id: int | None) -> int | None:
    """Return the file that this path should hold on a place; None in doubt or without two versions.

    place_id: None for any place, if only one picture is beside this path.
    """
    versions = _list_versions(catalog, path)
    if not versions:
        return None
    lines = _list_version_lines(catalog, path)
    pictures = find_pictures(catalog, place_id, path) if place_id is not None else frozenset()
    if len(lines) < 2:
        strange = lines and pictures and lines[0].pictures and not lines[0].pictures & pictures
        return None if strange else versions[0]
    for line in lines:
        if place_id in line.files or line.pictures & pictures:
            return next((file_id for file_id in versions if file_id in line.files.values()), None)
    return None


@dataclass(slots=True)
class _VersionLine:
    """The places whose companions at a path belong to the same picture, and each one's file."""

    pictures: frozenset[bytes]
    files: dict[int, int]


def is_in_version_line(catalog: Catalog, copy: Copy, pictures: frozenset[bytes]) -> bool:
    """Return whether a companion's copy can be a version of the one beside these pictures (digests)."""
    its = find_pictures(catalog, copy.place_id, copy.path)
    return _is_same_picture(its, pictures) or (not its and copy.place_id not in _list_drive_ids(catalog))


def _is_same_picture(left: frozenset[bytes], right: frozenset[bytes]) -> bool:
    return bool(left & right) or left == right


def _list_drive_ids(catalog: Catalog) -> frozenset[int]:
    return frozenset(place.id for place in list_places(catalog) if place.kind is PlaceKind.DRIVE)


def _list_version_lines(catalog: Catalog, path: str) -> list[_VersionLine]:
    """Return the companions recorded at a path, grouped by picture.

    Offsite a companion may arrive before its picture: without one, it is grouped as on the drives.
    """
    drives = _list_drive_ids(catalog)
    lines: list[_VersionLine] = []
    for copy in folder_queries.list_copies_at_path(catalog, path):
        pictures = find_pictures(catalog, copy.place_id, path)
        if not pictures and copy.place_id not in drives:
            continue
        joined = _VersionLine(pictures, {copy.place_id: copy.file_id})
        for line in [line for line in lines if _is_same_picture(line.pictures, pictures)]:
            lines.remove(line)
            joined = _VersionLine(joined.pictures | line.pictures, joined.files | line.files)
        lines.append(joined)
    return lines


def _list_versions(catalog: Catalog, path: str) -> list[int]:
    """Return the versions of a path, the newest first."""
    rows = catalog.fetch_all(
        "SELECT file_id FROM versions WHERE path = ? ORDER BY mtime_ns DESC, number DESC", to_db(path)
    )
    return [row[0] for row in rows]


def set_preferred_version(catalog: Catalog, path: str, file_id: int) -> None:
    """Make this version of the path the newest, as a person chose it. Call inside `transaction`.

    The next edit is newer again.
    """
    catalog.execute(
        "UPDATE versions SET mtime_ns = 1 + (SELECT max(v.mtime_ns) FROM versions v WHERE v.path = versions.path)"
        " WHERE path = ? AND file_id = ?",
        to_db(path),
        file_id,
    )


def update_required_copies(catalog: Catalog, path: str, drive_copies: int) -> None:
    """Require copies only of the newest version beside each picture, and of files with other paths.

    Call inside `transaction`.
    """
    versions, lines = _list_versions(catalog, path), _list_version_lines(catalog, path)
    if len(lines) < 2:
        newest = set(versions[:1])
    else:
        newest = {next((one for one in versions if one in line.files.values()), 0) for line in lines} - {0}
    if not newest:
        return
    folder, name = split_path(path)
    marks = ", ".join("?" * len(newest))
    catalog.execute(
        "UPDATE files SET required_copies = 0 WHERE id IN (SELECT file_id FROM versions WHERE path = ?)"
        f" AND id NOT IN ({marks})"
        " AND NOT EXISTS (SELECT 1 FROM versions v WHERE v.file_id = files.id AND v.path <> ?)"
        " AND NOT EXISTS (SELECT 1 FROM copies c JOIN folders d ON d.id = c.folder_id WHERE c.file_id = files.id"
        "   AND c.state = 'present' AND (d.path <> ? OR c.name <> ?))",
        to_db(path),
        *newest,
        to_db(path),
        folder,
        name,
    )
    catalog.execute(f"UPDATE files SET required_copies = ? WHERE id IN ({marks})", drive_copies, *newest)
