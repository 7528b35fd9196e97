"""Jobs, append-only events in the words of PREMIS 3, and given clearances."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass

from tripleguard.catalog.rows import from_db, to_db
from tripleguard.catalog.store import Catalog
from tripleguard.clearance_answer import Clearance, ClearanceReason
from tripleguard.model import EventOutcome, EventType


@dataclass(frozen=True, slots=True)
class CatalogEvent:
    """One event. at: UTC ns; message: one plain line."""

    at: int
    type: EventType
    outcome: EventOutcome
    place: str | None
    shoot: str | None
    message: str


def begin_job(
    catalog: Catalog, kind: str, subject: str, agent: str, at: int, *, insertion: str | None = None
) -> int:
    """Record that a job began; return its id. insertion: of its card. Call inside `transaction`."""
    return catalog.execute(
        "INSERT INTO jobs (kind, subject, agent, started_at, insertion) VALUES (?, ?, ?, ?, ?)",
        kind,
        to_db(subject),
        agent,
        at,
        insertion,
    )


def end_job(catalog: Catalog, job_id: int, outcome: EventOutcome, detail: Mapping[str, object], at: int) -> None:
    """Record how a job ended. Call inside `transaction`."""
    catalog.execute(
        "UPDATE jobs SET ended_at = ?, outcome = ?, detail = ? WHERE id = ?",
        at,
        outcome,
        json.dumps(detail, sort_keys=True),
        job_id,
    )


def find_interrupted_run_start(catalog: Catalog, kind: str, subject: str, since: int) -> int | None:
    """Return when the first of the latest interrupted runs of a job began; None if the last one succeeded.

    since: only runs that began after this time (UTC ns) count.
    """
    last = catalog.fetch_one(
        "SELECT outcome FROM jobs WHERE kind = ? AND subject = ? AND started_at > ? ORDER BY id DESC LIMIT 1",
        kind,
        to_db(subject),
        since,
    )
    if last is None or last[0] == EventOutcome.SUCCESS:
        return None
    first = catalog.fetch_one(
        "SELECT min(started_at) FROM jobs WHERE kind = ?1 AND subject = ?2 AND started_at > max(?3,"
        " coalesce((SELECT max(started_at) FROM jobs WHERE kind = ?1 AND subject = ?2"
        " AND outcome = 'success'), 0))",
        kind,
        to_db(subject),
        since,
    )
    return first[0] if first else None


def get_last_event_id(catalog: Catalog) -> int:
    """Return the id of the newest event; 0 if there is none."""
    row = catalog.fetch_one("SELECT coalesce(max(id), 0) FROM events")
    assert row is not None
    return int(row[0])


def add_event(
    catalog: Catalog,
    type_: EventType,
    outcome: EventOutcome,
    message: str,
    at: int,
    *,
    job_id: int | None = None,
    place_id: int | None = None,
    shoot_id: int | None = None,
    file_id: int | None = None,
    detail: Mapping[str, object] | None = None,
) -> None:
    """Append one event. Call inside `transaction`."""
    catalog.execute(
        "INSERT INTO events (at, type, outcome, job_id, place_id, shoot_id, file_id, message, detail)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        at,
        type_,
        outcome,
        job_id,
        place_id,
        shoot_id,
        file_id,
        message,
        json.dumps(dict(detail or {}), sort_keys=True),
    )


def list_events(catalog: Catalog, shoot_id: int | None, limit: int) -> list[CatalogEvent]:
    """Return the newest limit events, oldest first, of one shoot or of all."""
    where, values = ("WHERE e.shoot_id = ?", [shoot_id]) if shoot_id is not None else ("", [])
    rows = catalog.fetch_all(
        "SELECT e.at, e.type, e.outcome, p.name, s.day || ' ' || s.name, e.message FROM events e"
        " LEFT JOIN places p ON p.id = e.place_id LEFT JOIN shoots s ON s.id = e.shoot_id"
        f" {where} ORDER BY e.at DESC, e.id DESC LIMIT ?",
        *values,
        limit,
    )
    return [CatalogEvent(at, EventType(kind), EventOutcome(out), *rest) for at, kind, out, *rest in reversed(rows)]


def add_clearance(catalog: Catalog, clearance: Clearance, subject_kind: str, agent: str) -> None:
    """Record an answer. Call inside `transaction`."""
    numbers = [one.message for one in clearance.missing_frames]
    detail = {
        "reasons": _encode_reasons(clearance.reasons),
        "notes": _encode_reasons(clearance.notes),
        "numbers": numbers,
    }
    catalog.execute(
        "INSERT INTO clearances (at, subject_kind, subject, agent, answer, files, bytes, covered,"
        " list_digest, detail) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        clearance.at,
        subject_kind,
        to_db(clearance.subject),
        agent,
        int(clearance.is_yes),
        clearance.files,
        clearance.total_bytes,
        clearance.covered_files,
        clearance.list_digest,
        json.dumps(detail, sort_keys=True),
    )


def record_drive_yes(catalog: Catalog, place_id: int, at: int) -> None:
    """Record that a person was told that this drive may be reformatted, at this time (UTC ns).

    From then on it may be gone at any moment. Call inside `transaction`.
    """
    catalog.execute(
        "INSERT INTO drives_given_yes (place_id, at) VALUES (?, ?)"
        " ON CONFLICT (place_id) DO UPDATE SET at = excluded.at",
        place_id,
        at,
    )


def revoke_drive_yes(catalog: Catalog, place_id: int) -> bool:
    """Withdraw the yes for a drive; return whether there was one. Call inside `transaction`."""
    stood = place_id in list_drives_with_yes(catalog)
    catalog.execute("DELETE FROM drives_given_yes WHERE place_id = ?", place_id)
    return stood


def list_drives_with_yes(catalog: Catalog) -> frozenset[int]:
    """Return the ids of drives that were given a yes which was not withdrawn.

    They may be gone by now, however long ago that was.
    """
    return frozenset(row[0] for row in catalog.fetch_all("SELECT place_id FROM drives_given_yes"))


def get_last_card_clearance(catalog: Catalog) -> tuple[int, str, bool] | None:
    """Return when, for what, and how the last question about a card was answered."""
    row = catalog.fetch_one(
        "SELECT at, subject, answer FROM clearances WHERE subject_kind = 'card' ORDER BY id DESC LIMIT 1"
    )
    return (row[0], from_db(row[1]), bool(row[2])) if row else None


def _encode_reasons(reasons: tuple[ClearanceReason, ...]) -> list[dict[str, object]]:
    return [{"kind": reason.kind, "count": reason.count, "message": reason.message} for reason in reasons]
