"""Bring a catalog up to date, step by step (`catalog/migrations/`).

Triggers keep these counts, whoever writes: how many drives hold a verified copy of each file, what each shoot has
on each place, how many files of a shoot are short of the rule, and which check lists lag behind. So a question
costs the same at ten thousand files and at ten million.

Names and paths are TEXT where they are UTF-8 and BLOB where they are not (`catalog.rows`). Times are UTC
nanoseconds; `captured_wall_ns` is the camera's own wall time counted as if it were UTC, its offset in minutes
beside it where the camera wrote one.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from typing import TYPE_CHECKING

from tripleguard.catalog.migrations import STEPS

if TYPE_CHECKING:
    from sqlite_utils import Database, Migrations

LATEST_VERSION = len(STEPS)
"""The number of steps; kept in `PRAGMA user_version`."""


def get_version(connection: sqlite3.Connection) -> int:
    """The number of migrations this catalog has had."""
    version: int = connection.execute("PRAGMA user_version").fetchone()[0]
    return version


def list_schema_objects(connection: sqlite3.Connection) -> set[tuple[str, str, str]]:
    """The tables, indexes and triggers that are there: kind, name and statement of each."""
    rows = connection.execute("SELECT type, name, sql FROM sqlite_master WHERE sql IS NOT NULL")
    # What the index of names keeps for itself is SQLite's own, and differs from one SQLite to the next.
    return {row for row in rows if "_sqlite_migrations" not in row[1] and not row[1].startswith("name_parts_")}


def migrate(connection: sqlite3.Connection) -> None:
    """Apply every migration this catalog has not had yet, each in one transaction. Raises sqlite3.Error."""
    # Only a new or old catalog pays for this import.
    from sqlite_utils import Database

    build_migrations().apply(Database(connection))


def build_migrations() -> Migrations:
    """All steps, in order."""
    from sqlite_utils import Migrations

    steps = Migrations("catalog")
    for number, (name, script) in enumerate(STEPS, start=1):
        steps(name=name)(_build_step(script, number))
    return steps


def _build_step(script: str, number: int) -> Callable[[Database], None]:
    def step(db: Database) -> None:
        for statement in _split_statements(script):
            db.conn.execute(statement)
        db.conn.execute(f"PRAGMA user_version = {number}")

    return step


def _split_statements(script: str) -> list[str]:
    """The single statements of a script; `executescript` would commit the migration half-way."""
    found, open_statement = [], ""
    for line in script.splitlines(keepends=True):
        open_statement += line
        if sqlite3.complete_statement(open_statement):
            found.append(open_statement)
            open_statement = ""
    return found
