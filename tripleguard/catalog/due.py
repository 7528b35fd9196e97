"""What is to be looked at again on a place, and which of its check lists lag behind."""

from __future__ import annotations

import json

from tripleguard.catalog.rows import COPY, COPY_FROM, copy_of
from tripleguard.catalog.store import Catalog
from tripleguard.clock import DAY, SECOND
from tripleguard.forecast import DueDay, Reading
from tripleguard.model import Copy, Shoot

_EVER = 2**63 - 1
_SHARED = " AND (? IS NULL OR EXISTS (SELECT 1 FROM copies o WHERE o.file_id = c.file_id AND o.place_id = ?))"


def lists_due(catalog: Catalog, place_id: int) -> list[Shoot]:
    """Shoots whose check list on a place lags behind the catalog."""
    rows = catalog.rows(
        "SELECT s.id, s.day, s.name FROM lists_due d JOIN shoots s ON s.id = d.shoot_id WHERE d.place_id = ?",
        place_id,
    )
    return [Shoot(*row) for row in rows]


def overdue(catalog: Catalog, place_id: int, before: int) -> tuple[int, int | None]:
    """Copies on a place last verified before then, and the oldest time."""
    row = catalog.row(
        "SELECT count(*), min(verified_at) FROM copies"
        " WHERE place_id = ? AND state = 'present' AND verified_at < ?",
        place_id,
        before,
    )
    assert row is not None
    return row[0], row[1]


def ahead(catalog: Catalog, place_id: int, after: int) -> tuple[int, None]:
    """Copies on a place verified after then, by a clock that was wrong; since when is not known."""
    row = catalog.row(
        "SELECT count(*) FROM copies WHERE place_id = ? AND state = 'present' AND verified_at > ?", place_id, after
    )
    assert row is not None
    return row[0], None


def oldest_verified(catalog: Catalog, place_id: int) -> int | None:
    """When the longest-unverified copy on a place was last read back."""
    row = catalog.row(
        "SELECT min(verified_at) FROM copies WHERE place_id = ? AND state = 'present' AND verified_at IS NOT NULL",
        place_id,
    )
    return row[0] if row else None


def due_bytes(catalog: Catalog, place_id: int, before: int, ahead: int, shared_with: int | None = None) -> int:
    """Bytes on a place that were never verified, or last before `before` or after `ahead` (UTC ns).

    shared_with: only of files that this other place has too.
    """
    row = catalog.row(
        "SELECT coalesce(sum(f.size), 0) FROM copies c JOIN files f ON f.id = c.file_id WHERE c.place_id = ?"
        " AND c.state = 'present' AND (c.verified_at IS NULL OR c.verified_at < ? OR c.verified_at > ?)" + _SHARED,
        place_id,
        before,
        ahead,
        shared_with,
        shared_with,
    )
    assert row is not None
    return int(row[0])


def due_copies(
    catalog: Catalog,
    place_id: int,
    before: int,
    ahead: int,
    after: tuple[int, int],
    limit: int,
    shared_with: int | None = None,
) -> list[Copy]:
    """Copies never verified, then those verified before `before`, oldest first, then those after `ahead`.

    The last ones were verified by a clock that was wrong. after: (verified_at or 0, id) of the last one that was
    taken; (-1, 0) to begin. shared_with: only files that this other place has too.
    """
    verified, last = after
    if verified <= 0:
        rows = catalog.rows(
            f"SELECT {COPY} {COPY_FROM} WHERE c.place_id = ? AND c.state = 'present'"
            f" AND c.verified_at IS NULL AND c.id > ?{_SHARED} ORDER BY c.id LIMIT ?",
            place_id,
            last if verified == 0 else -1,
            shared_with,
            shared_with,
            limit,
        )
        if rows:
            return [copy_of(row) for row in rows]
        verified, last = 1, 0
    for low, high in ((verified, before), (max(verified, ahead + 1), _EVER)):
        rows = catalog.rows(
            f"SELECT {COPY} {COPY_FROM} WHERE c.place_id = ? AND c.state = 'present' AND c.verified_at >= ?"
            f" AND c.verified_at < ? AND (c.verified_at > ? OR c.id > ?){_SHARED}"
            " ORDER BY c.verified_at, c.id LIMIT ?",
            place_id,
            low,
            high,
            verified,
            last,
            shared_with,
            shared_with,
            limit,
        )
        if rows:
            return [copy_of(row) for row in rows]
    return []


def provable_copies(
    catalog: Catalog, place_id: int, insertion: str | None, after: int, limit: int, shared_with: int | None = None
) -> list[Copy]:
    """Copies that were last read from memory, maybe, and that it helps to read again, by id, those after one.

    insertion: the place's now; None: readings there go past every cache. See `rules.reading_helps`. shared_with:
    as in `due_copies`.
    """
    rows = catalog.rows(
        f"SELECT {COPY} {COPY_FROM} WHERE c.place_id = ? AND c.state = 'present' AND c.medium = 'cached'"
        f" AND (? IS NULL OR c.cached_in IS NOT ?) AND c.id > ?{_SHARED} ORDER BY c.id LIMIT ?",
        place_id,
        insertion,
        insertion,
        after,
        shared_with,
        shared_with,
        limit,
    )
    return [copy_of(row) for row in rows]


def cached_copies(catalog: Catalog, place_id: int) -> int:
    """How many copies on a place have no better evidence than a reading that may have come from memory."""
    row = catalog.row(
        "SELECT count(*) FROM copies WHERE place_id = ? AND state = 'present' AND medium = 'cached'", place_id
    )
    assert row is not None
    return int(row[0])


def due_by_day(catalog: Catalog, place_id: int, interval_days: int, now: int) -> list[DueDay]:
    """Every present copy of a place by the day on which it falls due, as `forecast.due_day` counts them."""
    left = "c.verified_at + ?3 * ?2 - ?1"
    rows = catalog.rows(
        f"SELECT CASE WHEN c.verified_at IS NULL OR c.verified_at > ?1 OR {left} < 0 THEN 0"
        f" ELSE ({left}) / ?2 + 1 END AS day, count(*), sum(f.size) FROM copies c JOIN files f ON f.id = c.file_id"
        " WHERE c.place_id = ?4 AND c.state = 'present' GROUP BY day ORDER BY day",
        now,
        DAY,
        interval_days,
        place_id,
    )
    return [DueDay(*row) for row in rows]


def readings_of(catalog: Catalog, place_name: str, limit: int) -> list[Reading]:
    """The newest rescans of a drive that read from its medium, newest first.

    One that did not note how long it read counts from its beginning to its end, which makes the drive slower than
    it is.
    """
    rows = catalog.rows(
        "SELECT ended_at, started_at, detail FROM jobs WHERE subject = ? AND kind LIKE 'rescan %'"
        " AND ended_at IS NOT NULL AND json_extract(detail, '$.bytes') > 0 ORDER BY id DESC LIMIT ?",
        place_name,
        limit,
    )
    found = []
    for ended, started, detail in rows:
        told = json.loads(detail)
        found.append(Reading(ended, told["bytes"], told.get("seconds", (ended - started) / SECOND)))
    return found
