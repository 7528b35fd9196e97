"""A temporary inventory of what a bag's manifests list and what is present, so that neither has to fit in memory.

It is a temporary SQLite database with a small cache, whose file is removed with the inventory. Names are compared
as they are, then as written in the manifest without decoding, then in one Unicode form (RFC 8493, 6.1.1: a bag
that passed through a system which changes the form of names is still the same bag).
"""

from __future__ import annotations

import contextlib
import sqlite3
import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass

from tripleguard.errors import NoSpaceError
from tripleguard.names import fold_name

_CACHE_KIB = 16 * 1024
_BATCH_ROWS = 1000

_SCHEMA = """
CREATE TABLE found (
  id INTEGER PRIMARY KEY, path BLOB NOT NULL, form TEXT NOT NULL, folded TEXT NOT NULL, size INTEGER NOT NULL
);
CREATE TABLE listed (
  id INTEGER PRIMARY KEY, manifest INTEGER NOT NULL, path BLOB NOT NULL, literal BLOB NOT NULL,
  form TEXT NOT NULL, digest TEXT NOT NULL, found_id INTEGER, how INTEGER NOT NULL DEFAULT 0
);
CREATE TABLE fetched (path BLOB NOT NULL, literal BLOB NOT NULL, size INTEGER);
"""

_MATCH = """
CREATE UNIQUE INDEX found_by_path ON found (path);
CREATE INDEX found_by_form ON found (form);
UPDATE listed SET found_id = (SELECT id FROM found f WHERE f.path = listed.path);
UPDATE listed SET how = 1, found_id = (SELECT id FROM found f WHERE f.path = listed.literal)
  WHERE found_id IS NULL AND literal <> path;
UPDATE listed SET how = 2, found_id = (SELECT min(id) FROM found f WHERE f.form = listed.form)
  WHERE found_id IS NULL AND (SELECT count(*) FROM found f WHERE f.form = listed.form) = 1;
CREATE INDEX listed_by_found ON listed (found_id, manifest, digest);
CREATE INDEX listed_by_path ON listed (path, manifest);
CREATE INDEX fetched_by_path ON fetched (path);
CREATE INDEX fetched_by_literal ON fetched (literal)
"""


@dataclass(frozen=True, slots=True)
class BagEntry:
    """A file that is present and listed: path, size, and (manifest, checksum) of every line about it."""

    path: str
    size: int
    checksums: tuple[tuple[int, str], ...]


class BagInventory:
    """What is listed and what is present. Add both, call `match` once, then query."""

    def __init__(self) -> None:
        self._db = sqlite3.connect("", isolation_level=None)
        self._db.execute(f"PRAGMA cache_size = -{_CACHE_KIB}")
        self._db.execute("PRAGMA temp_store = FILE")
        self._db.execute("PRAGMA journal_mode = OFF")
        self._db.executescript(_SCHEMA)
        self._db.execute("BEGIN")
        self._pending: dict[str, list[tuple[object, ...]]] = {}

    def close(self) -> None:
        self._db.close()

    def add_present(self, path: str, size: int) -> None:
        """Add a file that is present."""
        # Compare bytes as bytes: SQLite would end a text at a NUL and can't hold text that is not UTF-8.
        form = _normalize(path)
        self._enqueue(
            "INSERT INTO found (path, form, folded, size) VALUES (?, ?, ?, ?)",
            _encode_path(path),
            form,
            _case_fold(path),
            size,
        )

    def add_manifest_line(self, manifest: int, path: str, literal: str, digest: str) -> None:
        """Add a line of the manifest with this number."""
        self._enqueue(
            "INSERT INTO listed (manifest, path, literal, form, digest) VALUES (?, ?, ?, ?, ?)",
            manifest,
            _encode_path(path),
            _encode_path(literal),
            _normalize(path),
            digest,
        )

    def add_fetch_line(self, path: str, literal: str, size: int | None) -> None:
        """Add a line of the fetch list."""
        self._enqueue(
            "INSERT INTO fetched (path, literal, size) VALUES (?, ?, ?)",
            _encode_path(path),
            _encode_path(literal),
            size,
        )

    def match(self) -> None:
        """Match what is listed with what is present."""
        self._flush_all()
        with _sqlite_errors_explained():
            for statement in _MATCH.split(";"):
                self._db.execute(statement)

    def iter_missing(self) -> Iterator[tuple[str, bool]]:
        """Yield listed files that are not present: the path, and whether it is to be fetched."""
        yield from self._iter_paths(
            "SELECT DISTINCT l.path,"
            " EXISTS (SELECT 1 FROM fetched f WHERE f.path = l.path OR f.literal = l.literal)"
            " FROM listed l WHERE l.found_id IS NULL ORDER BY l.path"
        )

    def iter_unlisted(self) -> Iterator[str]:
        """Yield files that are present and in no payload manifest."""
        rows = self._iter_paths(
            "SELECT path, 0 FROM found f"
            " WHERE NOT EXISTS (SELECT 1 FROM listed l WHERE l.found_id = f.id) ORDER BY path"
        )
        yield from (path for path, _ in rows)

    def iter_partly_listed(self, manifest_count: int) -> Iterator[str]:
        """Yield files that are present and in some payload manifests, but not in all of them."""
        rows = self._iter_paths(
            "SELECT f.path, 0 FROM found f JOIN listed l ON l.found_id = f.id GROUP BY f.id"
            " HAVING count(DISTINCT l.manifest) < ? ORDER BY f.id",
            manifest_count,
        )
        yield from (path for path, _ in rows)

    def iter_duplicates(self) -> Iterator[tuple[str, bool]]:
        """Yield files listed more than once in one manifest, and whether always with the same checksum."""
        yield from self._iter_paths(
            "SELECT f.path, min(l.digest) = max(l.digest) FROM listed l JOIN found f ON f.id = l.found_id"
            " GROUP BY l.found_id, l.manifest HAVING count(*) > 1"
        )
        yield from self._iter_paths(
            "SELECT l.path, min(l.digest) = max(l.digest) FROM listed l WHERE l.found_id IS NULL"
            " GROUP BY l.path, l.manifest HAVING count(*) > 1"
        )

    def is_listed(self, manifest: int, path: str) -> bool:
        """Return whether a manifest lists a path."""
        row = self._db.execute(
            "SELECT 1 FROM listed WHERE path = ? AND manifest = ? LIMIT 1", (_encode_path(path), manifest)
        )
        return row.fetchone() is not None

    def iter_name_variants(self) -> Iterator[tuple[str, bool]]:
        """Yield files present under a variant of the listed name, and whether only the Unicode form differs."""
        yield from self._iter_paths(
            "SELECT DISTINCT path, how = 2 FROM listed WHERE found_id IS NOT NULL AND how > 0"
        )

    def iter_ambiguous_names(self) -> Iterator[str]:
        """Yield files whose names some systems treat as the same."""
        rows = self._iter_paths(
            "SELECT path, 0 FROM found"
            " WHERE folded IN (SELECT folded FROM found GROUP BY folded HAVING count(*) > 1)"
        )
        yield from (path for path, _ in rows)

    def iter_unlisted_fetches(self, manifest_count: int) -> Iterator[str]:
        """Yield files in the fetch list that are not in all payload manifests."""
        rows = self._iter_paths(
            "SELECT path, 0 FROM fetched f"
            " WHERE (SELECT count(DISTINCT manifest) FROM listed l WHERE l.path = f.path) < ?",
            manifest_count,
        )
        yield from (path for path, _ in rows)

    def iter_entries(self) -> Iterator[BagEntry]:
        """Yield every file that is present and listed, in path order."""
        for number, path, size in self._db.execute("SELECT id, path, size FROM found ORDER BY path"):
            # The smallest and the greatest checksum show whether the lines differ, however many there are.
            rows = self._db.execute(
                "SELECT manifest, min(digest), max(digest) FROM listed WHERE found_id = ? GROUP BY manifest",
                (number,),
            )
            lines = sorted({(row[0], digest) for row in rows for digest in row[1:]})
            if lines:
                yield BagEntry(_decode_path(path), size, tuple(lines))

    def count_present(self) -> tuple[int, int]:
        """Return the number of present files and their total bytes."""
        self._flush_all()
        row = self._db.execute("SELECT count(*), coalesce(sum(size), 0) FROM found").fetchone()
        return row[0], row[1]

    def _enqueue(self, sql: str, *values: object) -> None:
        waiting = self._pending.setdefault(sql, [])
        waiting.append(values)
        if len(waiting) >= _BATCH_ROWS:
            self._flush(sql)

    def _flush_all(self) -> None:
        for sql in list(self._pending):
            self._flush(sql)

    def _flush(self, sql: str) -> None:
        with _sqlite_errors_explained():
            self._db.executemany(sql, self._pending.pop(sql))

    def _iter_paths(self, sql: str, *values: object) -> Iterator[tuple[str, bool]]:
        for path, flag in self._db.execute(sql, values):
            yield _decode_path(path), bool(flag)


@contextlib.contextmanager
def _sqlite_errors_explained() -> Iterator[None]:
    try:
        yield
    except sqlite3.OperationalError as error:
        raise NoSpaceError(
            f"The list of what the bag holds can't be kept ({error}).",
            safe="A check only reads.",
            do="Make room where the system keeps temporary files, or point TMPDIR to a disk that has some.",
        ) from error


def _encode_path(path: str) -> bytes:
    try:
        return path.encode("utf-8", "surrogateescape")
    except UnicodeEncodeError:
        return path.encode("utf-8", "surrogatepass")


def _decode_path(path: bytes) -> str:
    return path.decode("utf-8", "surrogateescape")


def _normalize(path: str) -> str:
    return unicodedata.normalize("NFC", path).encode("utf-8", "backslashreplace").decode()


def _case_fold(path: str) -> str:
    return fold_name(path).encode("utf-8", "backslashreplace").decode()
