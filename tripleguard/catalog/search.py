"""Search among millions of files: by name, day, shoot, body, rating, digest, or a word that means any of these.

Each condition knows which rows can match without a full scan, and about how many they are. The most selective one
is queried first, the others are tested on its rows. Nothing is sorted before the limit, so a search costs what it
returns and not what the archive holds. `tests/test_where_query_plans.py` checks that every query uses its index.
"""

from __future__ import annotations

import calendar
import json
import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from tripleguard.catalog.rows import FILE_COLUMNS, KnownFile, row_to_file, to_db
from tripleguard.catalog.store import Catalog
from tripleguard.names import fold_name

SECOND = 1_000_000_000
_TIME_PATTERN = re.compile(r"([12]\d{3})(?:-(\d\d)(?:-(\d\d)(?:[T ](\d\d)(?::(\d\d))?)?)?)?")
_DIGEST_PATTERN = re.compile(r"[0-9A-Fa-f]{8,64}")
_MIN_INDEXED_LENGTH = 3
"""Characters of the shortest part that the name index finds; shorter ones are compared with each name."""
_MAX_COUNTED = 20_000


@dataclass(frozen=True, slots=True)
class TimeSpan:
    """A span of camera time: days `YYYY-MM-DD` from first to last, and wall time in nanoseconds."""

    first_day: str
    last_day: str
    start_ns: int
    end_ns: int
    is_whole_days: bool


@dataclass(frozen=True, slots=True)
class SearchQuery:
    """A search; all conditions must hold. words: each may match any field. rating: at least.

    digest: its first 8 or more hex digits.
    """

    words: tuple[str, ...] = ()
    name: str | None = None
    span: TimeSpan | None = None
    shoot: str | None = None
    body: str | None = None
    rating: float | None = None
    digest: str | None = None
    only_selects: bool = False


@dataclass(frozen=True, slots=True)
class _RowSource:
    """A source of matching files: the SQL after `SELECT f.id`, and its values."""

    sql: str
    values: tuple[object, ...]


@dataclass(frozen=True, slots=True)
class _Condition:
    """One condition. test: whether a file f meets it. estimated_files: about how many do."""

    sources: tuple[_RowSource, ...]
    test: _RowSource
    estimated_files: int


def parse_time_span(text: str) -> TimeSpan | None:
    """Parse `2026`, `2026-06`, `2026-06-13`, `2026-06-13 21`, `2026-06-13 21:30`, or two with `..` between."""
    first, dots, last = text.partition("..")
    begin, end = _parse_moment(first), _parse_moment(last if dots else first)
    if begin is None or end is None or begin[0] > end[1]:
        return None
    day = "%Y-%m-%d"
    # The last moment belongs to the span, the one after it does not.
    return TimeSpan(
        begin[0].strftime(day),
        end[1].strftime(day),
        int(begin[0].timestamp()) * SECOND,
        (int(end[1].timestamp()) + 1) * SECOND,
        begin[2] and end[2],
    )


def is_digest_prefix(text: str) -> bool:
    """Return whether this can be the beginning of a digest."""
    return _DIGEST_PATTERN.fullmatch(text) is not None


def search_files(catalog: Catalog, query: SearchQuery, limit: int) -> list[KnownFile]:
    """Return at most limit matching files, by capture time; which ones, if there are more, is undefined."""
    conditions = list(_iter_conditions(catalog, query))
    if not conditions:
        return []
    ids = list(_iter_file_ids(catalog, conditions, limit))
    rows = catalog.fetch_all(
        f"SELECT {FILE_COLUMNS} FROM files f WHERE f.id IN (SELECT value FROM json_each(?))", json.dumps(ids)
    )
    return sorted(map(row_to_file, rows), key=lambda known: (known.wall_ns or 0, known.id))


def build_statements(catalog: Catalog, query: SearchQuery, limit: int) -> list[tuple[str, tuple[object, ...]]]:
    """Return the statements that `search_files` runs, with their values."""
    conditions = list(_iter_conditions(catalog, query))
    return list(_iter_statements(conditions, limit)) if conditions else []


def _iter_file_ids(catalog: Catalog, conditions: Sequence[_Condition], limit: int) -> Iterator[int]:
    seen: set[int] = set()
    for sql, values in _iter_statements(conditions, limit):
        for (number,) in catalog.fetch_all(sql, *values):
            if number not in seen:
                seen.add(number)
                yield number
            if len(seen) == limit:
                return


def _iter_statements(conditions: Sequence[_Condition], limit: int) -> Iterator[tuple[str, tuple[object, ...]]]:
    first, *others = sorted(conditions, key=lambda one: one.estimated_files)
    for source in first.sources:
        holds = "".join(f" AND {other.test.sql}" for other in others)
        values = [*source.values, *(value for other in others for value in other.test.values)]
        yield f"SELECT f.id {source.sql}{holds} LIMIT ?", (*values, limit)


def _iter_conditions(catalog: Catalog, query: SearchQuery) -> Iterator[_Condition]:
    for word in query.words:
        yield _any_of(list(_iter_word_conditions(catalog, word)))
    if query.name is not None:
        yield _match_name(catalog, query.name)
    if query.span is not None:
        yield _match_time(catalog, query.span)
    if query.shoot is not None:
        yield _match_shoot(catalog, query.shoot)
    if query.body is not None:
        yield _match_body(catalog, query.body)
    if query.rating is not None:
        yield _match_rating(catalog, query.rating)
    if query.digest is not None:
        yield _match_digest(query.digest)
    if query.only_selects:
        yield _match_selects(catalog)


def _iter_word_conditions(catalog: Catalog, word: str) -> Iterator[_Condition]:
    """Yield the possible meanings of a word."""
    yield _match_name(catalog, word)
    yield _match_shoot(catalog, word)
    yield _match_body(catalog, word)
    span = parse_time_span(word)
    if span is not None:
        yield _match_time(catalog, span)
    if is_digest_prefix(word):
        yield _match_digest(word)


def _any_of(conditions: Sequence[_Condition]) -> _Condition:
    meant = [one for one in conditions if one.sources]
    holds = " OR ".join(one.test.sql for one in meant) or "0"
    return _Condition(
        tuple(source for one in meant for source in one.sources),
        _RowSource(f"({holds})", tuple(value for one in meant for value in one.test.values)),
        sum(one.estimated_files for one in meant),
    )


def _match_name(catalog: Catalog, part: str) -> _Condition:
    """Match part of a file's or copy's name, ignoring case, in either Unicode form."""
    # SQLite's lower() converts A to Z only.
    cases = {part} if part.isascii() else {part, part.lower(), part.upper(), part.capitalize()}
    forms = sorted({unicodedata.normalize(form, one) for form in ("NFC", "NFD") for one in cases} | {part})

    def holds(name: str) -> str:
        return f"({' OR '.join([f'instr(lower(CAST({name} AS TEXT)), lower(?))'] * len(forms))})"

    parameters: tuple[object, ...]
    parameters = values = tuple(map(to_db, forms))
    if min(map(len, forms)) >= _MIN_INDEXED_LENGTH:
        match = " OR ".join('"' + form.replace("\0", "").replace('"', '""') + '"' for form in forms)
        names, where, parameters = (
            "name_parts p CROSS JOIN names n ON n.id = p.rowid",
            "name_parts MATCH ?",
            (to_db(match),),
        )
    else:
        names, where = "names n", holds("n.name")
    count = catalog.fetch_one(
        f"SELECT count(*) FROM (SELECT 1 FROM {names} WHERE {where} LIMIT ?)", *parameters, _MAX_COUNTED
    )
    assert count is not None
    sources = (
        _RowSource(
            f"FROM {names} CROSS JOIN files f INDEXED BY files_by_name ON f.name = n.name COLLATE NOCASE"
            f" AND f.name = n.name WHERE {where}",
            parameters,
        ),
        _RowSource(
            f"FROM {names} CROSS JOIN other_names a INDEXED BY other_names_by_name ON a.name = n.name"
            f" CROSS JOIN files f ON f.id = a.file_id WHERE {where}",
            parameters,
        ),
        # Names that are not text are in no name index; they are few.
        _RowSource(
            f"FROM files f INDEXED BY files_named_not_text WHERE typeof(f.name) = 'blob' AND {holds('f.name')}",
            values,
        ),
        _RowSource(
            "FROM other_names a INDEXED BY other_names_not_text CROSS JOIN files f ON f.id = a.file_id"
            f" WHERE typeof(a.name) = 'blob' AND {holds('a.name')}",
            values,
        ),
    )
    among_copies = f"EXISTS (SELECT 1 FROM other_names a WHERE a.file_id = f.id AND {holds('a.name')})"
    return _Condition(
        sources,
        _RowSource(f"({holds('f.name')} OR {among_copies})", values * 2),
        count[0] * _estimate_files_per_name(catalog),
    )


def _match_shoot(catalog: Catalog, part: str) -> _Condition:
    rows = [
        (number, files)
        for number, title, files in catalog.fetch_all("SELECT id, day || ' ' || name, files FROM shoots")
        if fold_name(part) in fold_name(title)
    ]
    return _match_shoot_ids([row[0] for row in rows], sum(row[1] for row in rows))


def _match_shoot_ids(shoots: Sequence[int], files: int) -> _Condition:
    these = (json.dumps(shoots),)
    holds = _RowSource("f.shoot_id IN (SELECT value FROM json_each(?))", these)
    source = _RowSource(
        "FROM json_each(?) s CROSS JOIN files f INDEXED BY files_by_shoot ON f.shoot_id = s.value WHERE 1", these
    )
    return _Condition((source,) if shoots else (), holds, files)


def _match_body(catalog: Catalog, part: str) -> _Condition:
    labels = catalog.fetch_all("SELECT id, label FROM bodies")
    rows = [number for number, label in labels if fold_name(part) in fold_name(label)]
    these = (json.dumps(rows),)
    holds = _RowSource("f.body_id IN (SELECT value FROM json_each(?))", these)
    source = _RowSource(
        "FROM json_each(?) b CROSS JOIN files f INDEXED BY files_by_body ON f.body_id = b.value WHERE 1", these
    )
    everyone = max(1, _estimate_rows(catalog, "bodies"))
    return _Condition((source,) if rows else (), holds, _estimate_rows(catalog, "files") * len(rows) // everyone)


def _match_time(catalog: Catalog, span: TimeSpan) -> _Condition:
    """Match files taken in a span by the camera's clock, or shot on its days, which end after midnight."""
    within = "f.captured_wall_ns >= ? AND f.captured_wall_ns < ?"
    by_clock = _RowSource(f"FROM files f INDEXED BY files_by_capture WHERE {within}", (span.start_ns, span.end_ns))
    if not span.is_whole_days:
        return _Condition((by_clock,), _RowSource(f"({within})", by_clock.values), _MAX_COUNTED)
    rows = catalog.fetch_all(
        "SELECT id, files FROM shoots WHERE day >= ? AND day <= ?", span.first_day, span.last_day
    )
    shot = _match_shoot_ids([row[0] for row in rows], sum(row[1] for row in rows))
    return _Condition(
        (*shot.sources, by_clock),
        _RowSource(f"({shot.test.sql} OR ({within}))", (*shot.test.values, *by_clock.values)),
        shot.estimated_files + 1,
    )


def _match_rating(catalog: Catalog, rating: float) -> _Condition:
    least = round(rating * 100)
    count = catalog.fetch_one(
        "SELECT count(*) FROM (SELECT 1 FROM ratings WHERE rating >= ? LIMIT ?)", least, _MAX_COUNTED
    )
    assert count is not None
    return _Condition(
        (
            _RowSource(
                "FROM ratings r INDEXED BY ratings_by_rating CROSS JOIN files f ON f.id = r.file_id"
                " WHERE r.rating >= ?",
                (least,),
            ),
        ),
        _RowSource("EXISTS (SELECT 1 FROM ratings r WHERE r.file_id = f.id AND r.rating >= ?)", (least,)),
        count[0],
    )


def _match_selects(catalog: Catalog) -> _Condition:
    count = catalog.fetch_one("SELECT count(*) FROM (SELECT 1 FROM selects WHERE chosen LIMIT ?)", _MAX_COUNTED)
    assert count is not None
    return _Condition(
        (
            _RowSource(
                "FROM selects s INDEXED BY selects_chosen CROSS JOIN files f ON f.id = s.file_id WHERE s.chosen",
                (),
            ),
        ),
        _RowSource("EXISTS (SELECT 1 FROM selects s WHERE s.file_id = f.id AND s.chosen)", ()),
        count[0],
    )


def _match_digest(prefix: str) -> _Condition:
    low, high = (bytes.fromhex(prefix.lower().ljust(64, digit)) for digit in "0f")
    within = "f.digest >= ? AND f.digest <= ?"
    return _Condition(
        (_RowSource(f"FROM files f WHERE {within}", (low, high)),), _RowSource(f"({within})", (low, high)), 1
    )


def _estimate_files_per_name(catalog: Catalog) -> int:
    return _estimate_rows(catalog, "files") // max(1, _estimate_rows(catalog, "names")) + 1


def _estimate_rows(catalog: Catalog, table: str) -> int:
    """Return a rough number of rows in a table, at no cost."""
    row = catalog.fetch_one(f"SELECT max(id) FROM {table}")
    return int(row[0]) if row and row[0] else 0


def _parse_moment(text: str) -> tuple[datetime, datetime, bool] | None:
    """Return the first and last second of a year, month, day, hour or minute, and if it is whole days."""
    match = _TIME_PATTERN.fullmatch(text.strip())
    if match is None:
        return None
    year, month, day, hour, minute = (int(part) if part else None for part in match.groups())
    assert year is not None
    try:
        last_day = day or calendar.monthrange(year, month or 12)[1]
        begins = datetime(year, month or 1, day or 1, hour or 0, minute or 0, tzinfo=UTC)
        ends = datetime(
            year,
            month or 12,
            last_day,
            23 if hour is None else hour,
            59 if minute is None else minute,
            59,
            tzinfo=UTC,
        )
    except (ValueError, calendar.IllegalMonthError):
        return None
    return begins, ends, hour is None
