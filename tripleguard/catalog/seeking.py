"""Finding files among millions: by a part of the name, day, shoot, body, rating, digest, or a word that means any.

Each condition knows where its files can be had from without looking at all of them, and about how many they are.
The one that leaves fewest is asked first, the others are looked up for what it yields. Nothing is sorted before it
is limited, so an answer costs what it holds and not what the archive holds. `tests/test_where_plans.py` holds
every question to its index.
"""

from __future__ import annotations

import calendar
import json
import re
import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from tripleguard.catalog.rows import FILE, KnownFile, file_of
from tripleguard.catalog.store import Catalog
from tripleguard.catalog.text import to_db
from tripleguard.names import folded

SECOND = 1_000_000_000
_TIMES = re.compile(r"([12]\d{3})(?:-(\d\d)(?:-(\d\d)(?:[T ](\d\d)(?::(\d\d))?)?)?)?")
_HEX = re.compile(r"[0-9A-Fa-f]{8,64}")
_SHORTEST = 3
"""Characters of the shortest part that the index of names finds; shorter ones are looked for name by name."""
_COUNTED = 20_000


@dataclass(frozen=True, slots=True)
class Span:
    """A stretch of camera time: days `YYYY-MM-DD` from first to last, and nanoseconds of wall time in between."""

    first_day: str
    last_day: str
    begins: int
    ends: int
    whole_days: bool


@dataclass(frozen=True, slots=True)
class Sought:
    """What is looked for; all of it must hold. words: each means any of the rest. rating: at least.

    digest: at least 8 hex digits, from the first on.
    """

    words: tuple[str, ...] = ()
    name: str | None = None
    span: Span | None = None
    shoot: str | None = None
    body: str | None = None
    rating: float | None = None
    digest: str | None = None
    selects: bool = False


@dataclass(frozen=True, slots=True)
class _Source:
    """Where files of a condition come from: what stands behind SELECT f.id, and its values."""

    sql: str
    values: tuple[object, ...]


@dataclass(frozen=True, slots=True)
class _Condition:
    """One condition. holds: whether a file f meets it. about: how many files do."""

    sources: tuple[_Source, ...]
    holds: _Source
    about: int


def span_of(text: str) -> Span | None:
    """`2026`, `2026-06`, `2026-06-13`, `2026-06-13 21`, `2026-06-13 21:30`, or two of them with `..` between."""
    first, dots, last = text.partition("..")
    begin, end = _moment(first), _moment(last if dots else first)
    if begin is None or end is None or begin[0] > end[1]:
        return None
    day = "%Y-%m-%d"
    # The last moment belongs to the span, the one after it does not.
    return Span(
        begin[0].strftime(day),
        end[1].strftime(day),
        int(begin[0].timestamp()) * SECOND,
        (int(end[1].timestamp()) + 1) * SECOND,
        begin[2] and end[2],
    )


def is_digest(text: str) -> bool:
    """Whether this can be the beginning of a digest."""
    return _HEX.fullmatch(text) is not None


def seek(catalog: Catalog, sought: Sought, limit: int) -> list[KnownFile]:
    """At most limit files that are meant, by capture time. Which ones, if there are more, is not said."""
    conditions = list(_conditions(catalog, sought))
    if not conditions:
        return []
    ids = list(_ids(catalog, conditions, limit))
    rows = catalog.rows(
        f"SELECT {FILE} FROM files f WHERE f.id IN (SELECT value FROM json_each(?))", json.dumps(ids)
    )
    return sorted(map(file_of, rows), key=lambda known: (known.wall_ns or 0, known.id))


def questions(catalog: Catalog, sought: Sought, limit: int) -> list[tuple[str, tuple[object, ...]]]:
    """The statements that `seek` asks, with their values."""
    conditions = list(_conditions(catalog, sought))
    return list(_asked(conditions, limit)) if conditions else []


def _ids(catalog: Catalog, conditions: Sequence[_Condition], limit: int) -> Iterator[int]:
    seen: set[int] = set()
    for sql, values in _asked(conditions, limit):
        for (number,) in catalog.rows(sql, *values):
            if number not in seen:
                seen.add(number)
                yield number
            if len(seen) == limit:
                return


def _asked(conditions: Sequence[_Condition], limit: int) -> Iterator[tuple[str, tuple[object, ...]]]:
    first, *others = sorted(conditions, key=lambda one: one.about)
    for source in first.sources:
        holds = "".join(f" AND {other.holds.sql}" for other in others)
        values = [*source.values, *(value for other in others for value in other.holds.values)]
        yield f"SELECT f.id {source.sql}{holds} LIMIT ?", (*values, limit)


def _conditions(catalog: Catalog, sought: Sought) -> Iterator[_Condition]:
    for word in sought.words:
        yield _any_of(list(_meanings(catalog, word)))
    if sought.name is not None:
        yield _named(catalog, sought.name)
    if sought.span is not None:
        yield _taken(catalog, sought.span)
    if sought.shoot is not None:
        yield _of_shoot(catalog, sought.shoot)
    if sought.body is not None:
        yield _by_body(catalog, sought.body)
    if sought.rating is not None:
        yield _rated(catalog, sought.rating)
    if sought.digest is not None:
        yield _with_digest(sought.digest)
    if sought.selects:
        yield _chosen(catalog)


def _meanings(catalog: Catalog, word: str) -> Iterator[_Condition]:
    """What a word can mean."""
    yield _named(catalog, word)
    yield _of_shoot(catalog, word)
    yield _by_body(catalog, word)
    span = span_of(word)
    if span is not None:
        yield _taken(catalog, span)
    if is_digest(word):
        yield _with_digest(word)


def _any_of(some: Sequence[_Condition]) -> _Condition:
    meant = [one for one in some if one.sources]
    holds = " OR ".join(one.holds.sql for one in meant) or "0"
    return _Condition(
        tuple(source for one in meant for source in one.sources),
        _Source(f"({holds})", tuple(value for one in meant for value in one.holds.values)),
        sum(one.about for one in meant),
    )


def _named(catalog: Catalog, part: str) -> _Condition:
    """A part of the name of a file or of one of its copies, without regard to case, in either Unicode form."""
    # SQLite's lower() knows A to Z only.
    cases = {part} if part.isascii() else {part, part.lower(), part.upper(), part.capitalize()}
    forms = sorted({unicodedata.normalize(form, one) for form in ("NFC", "NFD") for one in cases} | {part})

    def holds(name: str) -> str:
        return f"({' OR '.join([f'instr(lower(CAST({name} AS TEXT)), lower(?))'] * len(forms))})"

    asked: tuple[object, ...]
    asked = values = tuple(map(to_db, forms))
    if min(map(len, forms)) >= _SHORTEST:
        match = " OR ".join('"' + form.replace("\0", "").replace('"', '""') + '"' for form in forms)
        names, where, asked = (
            "name_parts p CROSS JOIN names n ON n.id = p.rowid",
            "name_parts MATCH ?",
            (to_db(match),),
        )
    else:
        names, where = "names n", holds("n.name")
    count = catalog.row(f"SELECT count(*) FROM (SELECT 1 FROM {names} WHERE {where} LIMIT ?)", *asked, _COUNTED)
    assert count is not None
    sources = (
        _Source(
            f"FROM {names} CROSS JOIN files f INDEXED BY files_by_name ON f.name = n.name COLLATE NOCASE"
            f" AND f.name = n.name WHERE {where}",
            asked,
        ),
        _Source(
            f"FROM {names} CROSS JOIN called a INDEXED BY called_by_name ON a.name = n.name"
            f" CROSS JOIN files f ON f.id = a.file_id WHERE {where}",
            asked,
        ),
        # Names that are no text are in no index of names; they are few.
        _Source(
            f"FROM files f INDEXED BY files_of_odd_names WHERE typeof(f.name) = 'blob' AND {holds('f.name')}",
            values,
        ),
        _Source(
            "FROM called a INDEXED BY called_oddly CROSS JOIN files f ON f.id = a.file_id"
            f" WHERE typeof(a.name) = 'blob' AND {holds('a.name')}",
            values,
        ),
    )
    among_copies = f"EXISTS (SELECT 1 FROM called a WHERE a.file_id = f.id AND {holds('a.name')})"
    return _Condition(
        sources,
        _Source(f"({holds('f.name')} OR {among_copies})", values * 2),
        count[0] * _files_a_name(catalog),
    )


def _of_shoot(catalog: Catalog, part: str) -> _Condition:
    rows = [
        (number, files)
        for number, title, files in catalog.rows("SELECT id, day || ' ' || name, files FROM shoots")
        if folded(part) in folded(title)
    ]
    return _by_shoots([row[0] for row in rows], sum(row[1] for row in rows))


def _by_shoots(shoots: Sequence[int], files: int) -> _Condition:
    these = (json.dumps(shoots),)
    holds = _Source("f.shoot_id IN (SELECT value FROM json_each(?))", these)
    source = _Source(
        "FROM json_each(?) s CROSS JOIN files f INDEXED BY files_by_shoot ON f.shoot_id = s.value WHERE 1", these
    )
    return _Condition((source,) if shoots else (), holds, files)


def _by_body(catalog: Catalog, part: str) -> _Condition:
    labels = catalog.rows("SELECT id, label FROM bodies")
    rows = [number for number, label in labels if folded(part) in folded(label)]
    these = (json.dumps(rows),)
    holds = _Source("f.body_id IN (SELECT value FROM json_each(?))", these)
    source = _Source(
        "FROM json_each(?) b CROSS JOIN files f INDEXED BY files_by_body ON f.body_id = b.value WHERE 1", these
    )
    everyone = max(1, _most(catalog, "bodies"))
    return _Condition((source,) if rows else (), holds, _most(catalog, "files") * len(rows) // everyone)


def _taken(catalog: Catalog, span: Span) -> _Condition:
    """Taken in a span by the camera's clock, or shot on its days: a show past midnight is of the day before."""
    within = "f.captured_wall_ns >= ? AND f.captured_wall_ns < ?"
    by_clock = _Source(f"FROM files f INDEXED BY files_by_capture WHERE {within}", (span.begins, span.ends))
    if not span.whole_days:
        return _Condition((by_clock,), _Source(f"({within})", by_clock.values), _COUNTED)
    rows = catalog.rows("SELECT id, files FROM shoots WHERE day >= ? AND day <= ?", span.first_day, span.last_day)
    shot = _by_shoots([row[0] for row in rows], sum(row[1] for row in rows))
    return _Condition(
        (*shot.sources, by_clock),
        _Source(f"({shot.holds.sql} OR ({within}))", (*shot.holds.values, *by_clock.values)),
        shot.about + 1,
    )


def _rated(catalog: Catalog, rating: float) -> _Condition:
    least = round(rating * 100)
    count = catalog.row("SELECT count(*) FROM (SELECT 1 FROM ratings WHERE rating >= ? LIMIT ?)", least, _COUNTED)
    assert count is not None
    return _Condition(
        (
            _Source(
                "FROM ratings r INDEXED BY ratings_by_rating CROSS JOIN files f ON f.id = r.file_id"
                " WHERE r.rating >= ?",
                (least,),
            ),
        ),
        _Source("EXISTS (SELECT 1 FROM ratings r WHERE r.file_id = f.id AND r.rating >= ?)", (least,)),
        count[0],
    )


def _chosen(catalog: Catalog) -> _Condition:
    count = catalog.row("SELECT count(*) FROM (SELECT 1 FROM selects WHERE chosen LIMIT ?)", _COUNTED)
    assert count is not None
    return _Condition(
        (
            _Source(
                "FROM selects s INDEXED BY selects_chosen CROSS JOIN files f ON f.id = s.file_id WHERE s.chosen",
                (),
            ),
        ),
        _Source("EXISTS (SELECT 1 FROM selects s WHERE s.file_id = f.id AND s.chosen)", ()),
        count[0],
    )


def _with_digest(prefix: str) -> _Condition:
    low, high = (bytes.fromhex(prefix.lower().ljust(64, digit)) for digit in "0f")
    within = "f.digest >= ? AND f.digest <= ?"
    return _Condition(
        (_Source(f"FROM files f WHERE {within}", (low, high)),), _Source(f"({within})", (low, high)), 1
    )


def _files_a_name(catalog: Catalog) -> int:
    return _most(catalog, "files") // max(1, _most(catalog, "names")) + 1


def _most(catalog: Catalog, table: str) -> int:
    """About how many rows a table has, at no cost."""
    row = catalog.row(f"SELECT max(id) FROM {table}")
    return int(row[0]) if row and row[0] else 0


def _moment(text: str) -> tuple[datetime, datetime, bool] | None:
    """The first and the last second of a day, month, year, hour or minute; whether it is made of whole days."""
    match = _TIMES.fullmatch(text.strip())
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
