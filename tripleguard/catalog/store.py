"""Open the catalog: one writer at a time, transactions, and commits that survive a power cut.

WAL with synchronous=FULL: a commit is on the disk before anything depends on it, unless the caller allows its
loss. Readers never wait for the writer. A second process waits up to `BUSY_TIMEOUT_SECONDS`, and then reports it.
"""

from __future__ import annotations

import contextlib
import errno
import sqlite3
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from tripleguard.catalog import schema
from tripleguard.errors import CatalogError, NotSetUpError

BUSY_TIMEOUT_SECONDS = 30.0

Row = tuple[Any, ...]


class Catalog:
    """An open catalog. A connection is used by one thread at a time; `reopen` returns another one."""

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self._connection = connection

    def close(self) -> None:
        self._connection.close()

    def reopen(self) -> Catalog:
        """Return the same catalog for another thread. Raises CatalogError."""
        return Catalog(self.path, _connect(self.path))

    @contextlib.contextmanager
    def transaction(self, *, durable: bool = True) -> Iterator[None]:
        """Run the block as one transaction, all or nothing. Raises CatalogError if the catalog stays locked.

        durable: flush it to the disk. A transaction that is not survives the end of this process, but a power cut
        may undo it, back to the last durable one; use that only for what is simply found again.
        """
        with sqlite_errors_explained(self.path):
            self._connection.execute(f"PRAGMA synchronous = {'FULL' if durable else 'NORMAL'}")
            self._connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            with sqlite_errors_explained(self.path):
                self._connection.execute("COMMIT")
        except BaseException:
            self._roll_back()
            raise

    def _roll_back(self) -> None:
        """End the transaction after an error, which the caller raises again whatever happens here."""
        # A full disk may have ended the transaction already.
        if self._connection.in_transaction:
            # SQLite undoes what was never committed when the catalog is opened the next time.
            with contextlib.suppress(sqlite3.Error):
                self._connection.execute("ROLLBACK")

    def execute(self, sql: str, *values: object) -> int:
        """Execute one statement inside `transaction`; return the id of the inserted row, if any."""
        if not self._connection.in_transaction:
            raise AssertionError("changes are made inside `transaction` only")
        with sqlite_errors_explained(self.path):
            return self._connection.execute(sql, values).lastrowid or 0

    @property
    def is_in_transaction(self) -> bool:
        """Return whether a transaction of this connection is open."""
        return self._connection.in_transaction

    @contextlib.contextmanager
    def savepoint(self) -> Iterator[None]:
        """Undo the block's changes inside `transaction` if it ends with an error."""
        self.execute("SAVEPOINT attempt")
        try:
            yield
        except BaseException:
            # After some errors, such as a full disk, SQLite has rolled back the whole transaction itself.
            if self._connection.in_transaction:
                self.execute("ROLLBACK TO attempt")
                self.execute("RELEASE attempt")
            raise
        self.execute("RELEASE attempt")

    @property
    def data_version(self) -> int:
        """Return a number that changes with each commit of another connection, but not of this one.

        If it is unchanged, nobody else has changed evidence or findings. See `PRAGMA data_version`.
        """
        row = self.fetch_one("PRAGMA data_version")
        assert row is not None
        return int(row[0])

    @property
    def change_counters(self) -> tuple[int, int]:
        """Return `data_version`, and the number of this connection's own changes."""
        return self.data_version, self._connection.total_changes

    def fetch_all(self, sql: str, *values: object) -> list[Row]:
        """Return all rows of a query."""
        with sqlite_errors_explained(self.path):
            return self._connection.execute(sql, values).fetchall()

    def iter_rows(self, sql: str, *values: object) -> Iterator[Row]:
        """Yield the rows of a query one by one, for results that may not fit in memory."""
        with sqlite_errors_explained(self.path):
            cursor = self._connection.execute(sql, values)
            yield from cursor

    def fetch_one(self, sql: str, *values: object) -> Row | None:
        """Return the first row of a query, or None."""
        with sqlite_errors_explained(self.path):
            found: Row | None = self._connection.execute(sql, values).fetchone()
            return found

    def has_known_schema(self) -> bool:
        """Return whether its tables and triggers are exactly those that this program creates."""
        fresh = sqlite3.connect(":memory:")
        try:
            with sqlite_errors_explained(self.path):
                schema.migrate(fresh)
                return schema.list_schema_objects(fresh) == schema.list_schema_objects(self._connection)
        finally:
            fresh.close()

    def back_up_to(self, target: Path) -> None:
        """Write a compact, consistent copy of the whole catalog to a new file. Raises CatalogError."""
        with sqlite_errors_explained(self.path):
            self._connection.execute("VACUUM INTO ?", (str(target),))


def create_catalog(path: Path, *, may_be_empty: bool = True) -> Catalog:
    """Return the catalog at path, created or migrated. Raises CatalogError.

    may_be_empty: If False, a file without tables is an error, as something emptied it or `setup` was killed.
    """
    connection = _connect(path)
    try:
        with sqlite_errors_explained(path):
            if not may_be_empty and not schema.list_applied_migrations(connection):
                raise CatalogError(
                    f"The catalog {path} is empty: `setup` was interrupted, or something emptied it.",
                    safe="Nothing was changed.",
                    do="If it held pictures, bring it back from the drives with `tripleguard rebuild --anew "
                    "PLACE...`, else run `tripleguard setup` again.",
                )
            _bring_up_to_date(connection)
    except BaseException:
        connection.close()
        raise
    return Catalog(path, connection)


def find_open_error(path: Path) -> str | None:
    """Return why the file at path can't be opened as a catalog, in words; None if it can. Only reads."""
    connection = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)
    try:
        answer = connection.execute("PRAGMA integrity_check(1)").fetchone()[0]
        tables = {row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    except sqlite3.Error as error:
        return str(error)
    finally:
        connection.close()
    if answer != "ok":
        return f"its tables do not hold together ({answer})"
    return None if {"files", "copies", "places", "events", "meta"} <= tables else "it is no catalog"


def checkpoint_into_one_file(path: Path) -> None:
    """Move everything in a catalog's journal into its one file; leave a damaged one as it is.

    Raises CatalogError if another process has it open.
    """
    connection = sqlite3.connect(path, timeout=1, isolation_level=None)
    try:
        # SQLite leaves WAL only for the last connection (sqlite.org/pragma, journal_mode).
        connection.execute("PRAGMA journal_mode = DELETE")
    except sqlite3.OperationalError as error:
        if "locked" not in str(error) and "busy" not in str(error):
            return
        raise CatalogError(
            f"The catalog {path} is in use by another tripleguard.",
            safe="Nothing was changed.",
            do="Wait until that one has finished, or end it, then run the command again.",
        ) from error
    except sqlite3.DatabaseError:
        return
    finally:
        connection.close()


def open_catalog(path: Path) -> Catalog:
    """Return the catalog at path, migrated. Raises NotSetUpError, CatalogError."""
    try:
        path.stat()
    except OSError as error:
        if error.errno not in (errno.ENOENT, errno.ENOTDIR):
            raise CatalogError(
                f"The catalog {path} can't be reached ({error.strerror or error}).",
                safe="The pictures on the drives do not depend on it, and each drive carries a snapshot of it.",
                do="Check the disk it is on before anything else; do not reformat any card now.",
            ) from error
        raise NotSetUpError(
            f"There is no catalog in {path.parent} yet.",
            safe="Nothing was changed.",
            do="Run `tripleguard setup --drive A=PATH --drive B=PATH` first, or point --home elsewhere.",
        ) from None
    return create_catalog(path, may_be_empty=False)


def _connect(path: Path) -> sqlite3.Connection:
    with sqlite_errors_explained(path):
        connection = sqlite3.connect(
            path, timeout=BUSY_TIMEOUT_SECONDS, isolation_level=None, check_same_thread=False
        )
        _enable_wal(connection)
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
        # Else `INSERT OR REPLACE` would bypass the triggers that keep events append-only.
        connection.execute("PRAGMA recursive_triggers = ON")
        if sys.platform == "darwin":
            connection.execute("PRAGMA fullfsync = ON")
            connection.execute("PRAGMA checkpoint_fullfsync = ON")
    return connection


def _enable_wal(connection: sqlite3.Connection) -> None:
    """Choose WAL; SQLite does not wait if two do so at once. Raises sqlite3.OperationalError."""
    deadline = time.monotonic() + BUSY_TIMEOUT_SECONDS
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > deadline:
                raise
            time.sleep(0.02)
        else:
            return


def _bring_up_to_date(connection: sqlite3.Connection) -> None:
    applied, known = schema.list_applied_migrations(connection), [name for name, _ in schema.MIGRATIONS]
    if applied == known:
        return
    if applied != known[: len(applied)]:
        unknown = next((name for name in applied if name not in known), applied[-1])
        raise CatalogError(
            f"The catalog was made by another version of tripleguard (its schema {unknown!r} is not known here).",
            safe="It was not changed.",
            do="Use the version of tripleguard that made it, or a newer one.",
        )
    # Another process may have done the same: if so, nothing is left to do.
    connection.execute("BEGIN IMMEDIATE")
    try:
        schema.migrate(connection)
        connection.execute("COMMIT")
    except BaseException:
        with contextlib.suppress(sqlite3.Error):
            connection.execute("ROLLBACK")
        raise


@contextlib.contextmanager
def sqlite_errors_explained(path: Path) -> Iterator[None]:
    """Translate SQLite's errors into advice for a person."""
    try:
        yield
    except sqlite3.DatabaseError as error:
        if "locked" in str(error) or "busy" in str(error):
            raise CatalogError(
                f"The catalog {path} was in use by another tripleguard for {BUSY_TIMEOUT_SECONDS:.0f} s.",
                safe="Nothing was changed; copies on the drives are not affected.",
                do="Wait for the other one to finish, then run the command again.",
            ) from error
        if isinstance(error, sqlite3.IntegrityError):
            raise
        raise CatalogError(
            f"The catalog {path} can't be used ({error}).",
            safe="The pictures on the drives do not depend on it, and each drive carries a snapshot of it.",
            do="Check that its disk is not full or failing before anything else; do not reformat any card now.",
        ) from error
