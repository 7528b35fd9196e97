"""Create the tables of a catalog, and migrate an older catalog.

Each migration is a name and a script. sqlite-utils applies those that a catalog lacks and records their names in
`_sqlite_migrations`, the only record of its version. A released migration is never edited or renamed.

Names and paths are TEXT if they are UTF-8 and BLOB if not (`catalog.rows`). Times are UTC nanoseconds;
`captured_wall_ns` is the camera's own wall time counted as UTC, with its offset in minutes if the camera wrote
one.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import TYPE_CHECKING

from tripleguard.catalog.schema_annotations import ANNOTATIONS_SCRIPT
from tripleguard.catalog.schema_archive import ARCHIVE_SCRIPT

if TYPE_CHECKING:
    from sqlite_utils import Database, Migrations

MIGRATIONS: tuple[tuple[str, str], ...] = (("0001_schema", ARCHIVE_SCRIPT + ANNOTATIONS_SCRIPT),)
"""Name and statements of every migration, in the order in which they are applied."""

_SET_NAME = "catalog"


def list_applied_migrations(connection: sqlite3.Connection) -> list[str]:
    """Return the names of the migrations this catalog has had, in order; none for an empty file."""
    # Don't use sqlite-utils here: its import takes longer than a short command, and most catalogs are current.
    if not connection.execute("SELECT 1 FROM sqlite_master WHERE name = '_sqlite_migrations'").fetchone():
        return []
    rows = connection.execute(
        "SELECT name FROM _sqlite_migrations WHERE migration_set = ? ORDER BY id", (_SET_NAME,)
    )
    return [name for (name,) in rows]


def list_schema_objects(connection: sqlite3.Connection) -> set[tuple[str, str, str]]:
    """Return kind, name and statement of each table, index, view and trigger."""
    rows = connection.execute("SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL")
    # SQLite creates the internal tables of the name index, and they differ between its versions.
    return {row for row in rows if "_sqlite_migrations" not in row[1] and not row[1].startswith("name_parts_")}


def migrate(connection: sqlite3.Connection) -> None:
    """Apply every migration this catalog has not had yet, each in one transaction.

    Raises:
        sqlite3.Error: A statement failed; its migration has no effect.
    """
    from sqlite_utils import Database

    build_migrations(MIGRATIONS).apply(Database(connection))


def build_migrations(scripts: tuple[tuple[str, str], ...]) -> Migrations:
    """Return the migrations with these names and scripts."""
    from sqlite_utils import Migrations

    migrations = Migrations(_SET_NAME)
    for name, script in scripts:
        migrations(name=name)(_build_migration(script))
    return migrations


def _build_migration(script: str) -> Callable[[Database], None]:
    def apply_script(db: Database) -> None:
        for statement in _split_statements(script):
            db.conn.execute(statement)

    return apply_script


def _split_statements(script: str) -> list[str]:
    """Return the statements of a script one by one; `executescript` would commit half a migration."""
    found, open_statement = [], ""
    for line in script.splitlines(keepends=True):
        open_statement += line
        if sqlite3.complete_statement(open_statement):
            found.append(open_statement)
            open_statement = ""
    return found
