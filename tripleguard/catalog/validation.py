"""Validate a catalog of unknown origin, such as a snapshot on a drive, before anything is taken from it.

`find_invalid_row` finds what no catalog of ours contains. The caller decides which paths and names are safe on a
drive, and gets all of them here.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from tripleguard.catalog.rows import from_db, join_path
from tripleguard.catalog.store import Catalog
from tripleguard.errors import CatalogError
from tripleguard.model import CopyState, DriveRole, FileKind, PlaceKind, PlaceState
from tripleguard.names import escape_text

_PATH_TABLES = ("versions", "findings", "offsite_requirements")
_NAME_COLUMNS = (("shoots", "name"), ("bodies", "label"), ("files", "name"), ("places", "name"))


def find_invalid_row(other: Catalog) -> str | None:
    """Return why nothing may be taken from another catalog: a row that none of ours has; None if valid."""

    def unlike(column: str, known: Iterable[str]) -> str:
        return f"{column} NOT IN ({', '.join(map(repr, map(str, known)))})"

    text = "typeof({0}) NOT IN ('text', 'blob')"
    questions = (
        ("a file of an unknown kind", f"SELECT 1 FROM files WHERE {unlike('kind', FileKind)}"),
        ("a copy in an unknown state", f"SELECT 1 FROM copies WHERE {unlike('state', CopyState)}"),
        ("a place of an unknown kind", f"SELECT 1 FROM places WHERE {unlike('kind', PlaceKind)}"),
        ("a place of an unknown role", f"SELECT 1 FROM places WHERE {unlike('role', DriveRole)}"),
        ("a place in an unknown state", f"SELECT 1 FROM places WHERE {unlike('state', PlaceState)}"),
        ("a file whose name is no text", f"SELECT 1 FROM files WHERE {text.format('name')}"),
        ("a folder whose path is no text", f"SELECT 1 FROM folders WHERE {text.format('path')}"),
        ("a copy whose name is no text", f"SELECT 1 FROM copies WHERE {text.format('name')}"),
        ("a version whose path is no text", f"SELECT 1 FROM versions WHERE {text.format('path')}"),
        (
            "a folder outside its place",
            "SELECT 1 FROM folders WHERE '/' || path || '/' LIKE '%/../%' OR path LIKE '/%'",
        ),
        ("a copy whose name is a path", "SELECT 1 FROM copies WHERE instr(name, '/')"),
        (
            "a rule that is no number",
            "SELECT 1 FROM meta WHERE key = 'required_copies' AND value NOT GLOB '[0-9]'",
        ),
        ("a row that belongs to none", "SELECT 1 FROM pragma_foreign_key_check"),
    )
    try:
        said = other.fetch_all("SELECT name, note FROM places UNION ALL SELECT uid, '' FROM places")
        if any(not isinstance(part, str) or escape_text(part) != part for row in said for part in row):
            return "a place with a name or a note that can't be shown"
        return next((what for what, question in questions if other.fetch_one(f"{question} LIMIT 1")), None)
    except CatalogError as error:
        return error.what


def iter_folder_paths(catalog: Catalog) -> Iterator[str]:
    """Yield the path of every folder with recorded copies, except the top of a place."""
    for (path,) in catalog.iter_rows("SELECT path FROM folders WHERE path <> ''"):
        yield from_db(path)


def iter_copies_in_hidden_folders(catalog: Catalog) -> Iterator[tuple[str, CopyState]]:
    """Yield path and state of every copy at the top of a place or in a folder whose path begins with a dot."""
    for path, name, state in catalog.iter_rows(
        "SELECT d.path, c.name, c.state FROM folders d JOIN copies c ON c.folder_id = d.id"
        " WHERE d.path = '' OR d.path LIKE '.%'"
    ):
        yield join_path(path, name), CopyState(state)


def iter_copies_named_like(catalog: Catalog, beginning: str) -> Iterator[str]:
    """Yield the path of every copy outside hidden folders whose name has this beginning, ignoring case."""
    for path, name in catalog.iter_rows(
        "SELECT d.path, c.name FROM copies c JOIN folders d ON d.id = c.folder_id"
        " WHERE c.name LIKE ? AND d.path NOT LIKE '.%'",
        f"{beginning}%",
    ):
        yield join_path(path, name)


def iter_unusable_copy_names(catalog: Catalog) -> Iterator[str]:
    """Yield the names of copies that no file can have: empty, dots, or with a NUL."""
    for (name,) in catalog.iter_rows(
        "SELECT name FROM copies WHERE name IN ('', '.', '..') OR instr(name, char(0))"
    ):
        yield from_db(name)


def iter_other_paths(catalog: Catalog) -> Iterator[tuple[str, str]]:
    """Yield table and path of all other records with a path on a place."""
    for table in _PATH_TABLES:
        for (path,) in catalog.iter_rows(f"SELECT path FROM {table} WHERE path <> ''"):
            yield table, from_db(path)


def iter_names_that_are_paths(catalog: Catalog) -> Iterator[tuple[str, str]]:
    """Yield table and name of what becomes part of a path but is more than one name."""
    for table, column in _NAME_COLUMNS:
        for (name,) in catalog.iter_rows(
            f"SELECT {column} FROM {table} WHERE {column} IN ('.', '..') OR instr({column}, '/')"
            f" OR instr({column}, char(0))"
        ):
            yield table, from_db(name)
    for (name,) in catalog.iter_rows("SELECT name FROM shoots WHERE instr(name, '\\') OR name LIKE '.%'"):
        yield "shoots", from_db(name)
