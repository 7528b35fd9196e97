"""Copies on a place that are due to be read again, and check lists that are out of date."""

from __future__ import annotations

import json

from tripleguard.catalog.rows import COPY_COLUMNS, GOOD_COPY_FROM, UNVERIFIED_COPY_FROM, row_to_copy
from tripleguard.catalog.store import Catalog
from tripleguard.clock import DAY, SECOND
from tripleguard.forecast.rescan_plan import DueCopies, ReadMeasurement
from tripleguard.model import Copy, Shoot

_MAX_TIME_NS = 2**63 - 1
_SHARED_SQL = " AND (? IS NULL OR EXISTS (SELECT 1 FROM copies o WHERE o.file_id = c.file_id AND o.place_id = ?))"


def list_stale_checklists(catalog: Catalog, place_id: int) -> list[Shoot]:
    """Return the shoots whose check list on a place is out of date."""
    rows = catalog.fetch_all(
        "SELECT s.id, s.day, s.name FROM stale_checklists d JOIN shoots s ON s.id = d.shoot_id WHERE"
        " d.place_id = ?",
        place_id,
    )
    return [Shoot(*row) for row in rows]


def count_overdue(catalog: Catalog, place_id: int, before: int) -> tuple[int, int | None]:
    """Return how many copies on a place were last verified before then, and the oldest time."""
    row = catalog.fetch_one(
        "SELECT count(*), min(verified_at) FROM good_copies WHERE place_id = ? AND verified_at < ?",
        place_id,
        before,
    )
    assert row is not None
    return row[0], row[1]


def count_verified_in_future(catalog: Catalog, place_id: int, after: int) -> tuple[int, None]:
    """Return how many copies on a place were verified after then, by a wrong clock; the time is unknown."""
    row = catalog.fetch_one(
        "SELECT count(*) FROM good_copies WHERE place_id = ? AND verified_at > ?", place_id, after
    )
    assert row is not None
    return row[0], None


def get_oldest_verified(catalog: Catalog, place_id: int) -> int | None:
    """Return when the longest unverified copy on a place was last read back."""
    row = catalog.fetch_one(
        "SELECT min(verified_at) FROM good_copies WHERE place_id = ?",
        place_id,
    )
    return row[0] if row else None


def sum_due_bytes(
    catalog: Catalog, place_id: int, before: int, latest: int, shared_with: int | None = None
) -> int:
    """Return the bytes on a place never verified, or last before `before` or after `latest` (UTC ns).

    shared_with: only of files that this other place has too.
    """
    row = catalog.fetch_one(
        "SELECT coalesce(sum(f.size), 0) FROM copies c JOIN files f ON f.id = c.file_id WHERE c.place_id = ?"
        " AND c.state = 'present' AND (c.verified_at IS NULL OR c.verified_at < ? OR c.verified_at > ?)"
        + _SHARED_SQL,
        place_id,
        before,
        latest,
        shared_with,
        shared_with,
    )
    assert row is not None
    return int(row[0])


def list_due_copies(
    catalog: Catalog,
    place_id: int,
    before: int,
    latest: int,
    after: tuple[int, int],
    limit: int,
    shared_with: int | None = None,
) -> list[Copy]:
    """Return copies never verified, then those verified before `before`, oldest first, then after `latest`.

    The last ones were verified by a wrong clock. after: (verified_at or 0, id) of the last copy already returned;
    (-1, 0) to begin. shared_with: only files that this other place has too.
    """
    verified, last = after
    if verified <= 0:
        rows = catalog.fetch_all(
            f"SELECT {COPY_COLUMNS} {UNVERIFIED_COPY_FROM} WHERE c.place_id = ?"
            f" AND c.id > ?{_SHARED_SQL} ORDER BY c.id LIMIT ?",
            place_id,
            last if verified == 0 else -1,
            shared_with,
            shared_with,
            limit,
        )
        if rows:
            return [row_to_copy(row) for row in rows]
        verified, last = 1, 0
    for low, high in ((verified, before), (max(verified, latest + 1), _MAX_TIME_NS)):
        rows = catalog.fetch_all(
            f"SELECT {COPY_COLUMNS} {GOOD_COPY_FROM} WHERE c.place_id = ? AND c.verified_at >= ?"
            f" AND c.verified_at < ? AND (c.verified_at > ? OR c.id > ?){_SHARED_SQL}"
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
            return [row_to_copy(row) for row in rows]
    return []


def list_verifiable_copies(
    catalog: Catalog, place_id: int, insertion: str | None, after: int, limit: int, shared_with: int | None = None
) -> list[Copy]:
    """Return copies whose last reading may have come from a cache and that should be read again, by id.

    insertion: the place's current one; None if readings there bypass every cache. See `rules.should_read_again`.
    after: only ids above this one. shared_with: as in `list_due_copies`.
    """
    rows = catalog.fetch_all(
        f"SELECT {COPY_COLUMNS} {GOOD_COPY_FROM} WHERE c.place_id = ? AND c.medium = 'cached'"
        f" AND (? IS NULL OR c.cached_insertion IS NOT ?) AND c.id > ?{_SHARED_SQL} ORDER BY c.id LIMIT ?",
        place_id,
        insertion,
        insertion,
        after,
        shared_with,
        shared_with,
        limit,
    )
    return [row_to_copy(row) for row in rows]


def count_cached_copies(catalog: Catalog, place_id: int) -> int:
    """Return how many copies on a place were at best read from a cache."""
    row = catalog.fetch_one("SELECT count(*) FROM good_copies WHERE place_id = ? AND medium = 'cached'", place_id)
    assert row is not None
    return int(row[0])


def count_due_by_day(catalog: Catalog, place_id: int, interval_days: int, now: int) -> list[DueCopies]:
    """Return a place's present copies by the day on which they are due; see `rescan_plan.get_due_day`."""
    left = "c.verified_at + ?3 * ?2 - ?1"
    rows = catalog.fetch_all(
        f"SELECT CASE WHEN c.verified_at IS NULL OR c.verified_at > ?1 OR {left} < 0 THEN 0"
        f" ELSE ({left}) / ?2 + 1 END AS day, count(*), sum(f.size) FROM copies c JOIN files f ON f.id = c.file_id"
        " WHERE c.place_id = ?4 AND c.state = 'present' GROUP BY day ORDER BY day",
        now,
        DAY,
        interval_days,
        place_id,
    )
    return [DueCopies(*row) for row in rows]


def list_rescan_readings(catalog: Catalog, place_name: str, limit: int) -> list[ReadMeasurement]:
    """Return the newest rescans of a drive that read from its medium, newest first.

    If the reading time was not recorded, the whole rescan counts, so the drive appears slower than it is.
    """
    rows = catalog.fetch_all(
        "SELECT ended_at, started_at, detail FROM jobs WHERE subject = ? AND kind LIKE 'rescan %'"
        " AND ended_at IS NOT NULL AND json_extract(detail, '$.bytes') > 0 ORDER BY id DESC LIMIT ?",
        place_name,
        limit,
    )
    found = []
    for ended, started, detail in rows:
        detail_fields = json.loads(detail)
        found.append(
            ReadMeasurement(
                ended, detail_fields["bytes"], detail_fields.get("seconds", (ended - started) / SECOND)
            )
        )
    return found
