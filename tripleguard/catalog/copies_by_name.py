"""Copies of one file by the names that they stand for.

A picture has a few copies. One content that many names share, as equal sidecars do, has as many as there are
names, and a job asks about each name: so the names of such a file are read once, and each question then costs the
same however many there are.
"""

from __future__ import annotations

from collections.abc import Iterable

from tripleguard.catalog.rows import COPY, COPY_FROM, copy_of
from tripleguard.catalog.store import Catalog
from tripleguard.catalog.text import from_db
from tripleguard.model import Copy
from tripleguard.names import name_key, name_keys, stands_for

_FEW = 16
_AT_ONCE = 500  # SQLite takes 999 values in a statement at least (sqlite.org/limits)


class CopiesByName:
    """Answers for one thread and one job. Copies that are entered meanwhile are seen by the next question.

    A copy that is given another name or another content meanwhile, by another job, may be passed over: it then
    does not count, which is the safe side.
    """

    def __init__(self, catalog: Catalog) -> None:
        self.catalog = catalog
        self._names: dict[int, _Names] = {}

    def standing_for(self, file_id: int, name: str) -> list[Copy]:
        """The copies of a file, whatever their state, whose own name stands for this one (`names.stands_for`)."""
        known = self._names.get(file_id)
        if known is None:
            rows = self.catalog.rows(f"SELECT {COPY} {COPY_FROM} WHERE c.file_id = ? LIMIT ?", file_id, _FEW + 1)
            if len(rows) <= _FEW:
                return _those_for(name, map(copy_of, rows))
            known = self._names[file_id] = _Names()
        known.learn(self.catalog, file_id)
        found: list[Copy] = []
        ids = known.candidates(name)
        for start in range(0, len(ids), _AT_ONCE):
            some = ids[start : start + _AT_ONCE]
            marks = ", ".join("?" * len(some))
            rows = self.catalog.rows(
                f"SELECT {COPY} {COPY_FROM} WHERE c.id IN ({marks}) AND c.file_id = ? ORDER BY c.id",
                *some,
                file_id,
            )
            found += _those_for(name, map(copy_of, rows))
        return found


class _Names:
    """The names of one file's copies, as far as they were read."""

    def __init__(self) -> None:
        self._by_key: dict[str, list[int]] = {}
        self._maybe_cut: list[int] = []
        self._last: dict[int, int] = {}

    def learn(self, catalog: Catalog, file_id: int) -> None:
        """Read the names that were entered since the last time."""
        for (place,) in catalog.rows("SELECT id FROM places"):
            # The index on file and place ends with the row's id: what is known already is not passed over again.
            rows = catalog.rows(
                "SELECT id, name FROM copies WHERE file_id = ? AND place_id = ? AND id > ? ORDER BY id",
                file_id,
                place,
                self._last.get(place, 0),
            )
            for copy_id, name in rows:
                self._last[place] = copy_id
                keys = name_keys(from_db(name))
                if keys is None:
                    self._maybe_cut.append(copy_id)
                for key in keys or ():
                    self._by_key.setdefault(key, []).append(copy_id)

    def candidates(self, name: str) -> list[int]:
        """The ids of copies that may stand for this name."""
        return self._by_key.get(name_key(name), []) + self._maybe_cut


def _those_for(name: str, copies: Iterable[Copy]) -> list[Copy]:
    return [copy for copy in copies if stands_for(copy.path.rpartition("/")[2], name)]
