"""Frame counts: which cards were read in which session, and where each body's counter stood.

A session is a shooting day (`YYYY-MM-DD`); a reading is the offload of one card.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from tripleguard.catalog.rows import join_path
from tripleguard.catalog.store import Catalog

NO_CARD = -1
"""The reading number of files that came from a folder."""
FOLDER_JOB_DETAIL: dict[str, object] = {"folder": True}
"""The detail of a job that reads a folder."""

_RECENT_SESSIONS = 30
_IS_ORIGINAL_SQL = "f.kind IN ('raw', 'picture', 'video', 'sound')"


# CROSS JOIN keeps this order: from a few jobs to their files, never through all files ever read.
NEW_DAYS_SQL = (
    "SELECT s.day, min(f.first_seen_at) FROM shoots s CROSS JOIN files f ON f.shoot_id = s.id"
    " WHERE s.day IN (SELECT DISTINCT t.day FROM jobs j CROSS JOIN card_files k ON k.job_id = j.id"
    "   CROSS JOIN files g ON g.id = k.file_id CROSS JOIN shoots t ON t.id = g.shoot_id"
    "   WHERE j.started_at >= ? AND j.kind = 'offload')"
    " GROUP BY s.day HAVING min(f.first_seen_at) >= ? ORDER BY s.day"
)


@dataclass(frozen=True, slots=True)
class CardOriginal:
    """One original that a reading found on its card. wall_ns, offset as in `file_updates.FileOrigin`.

    reading: the offload; NO_CARD for files from a folder, or that came onto a drive without us.
    """

    reading: int
    path: str
    file_id: int
    body_id: int | None
    wall_ns: int | None
    offset: int | None
    day: str


@dataclass(frozen=True, slots=True)
class KnownBody:
    """A camera body. serial: empty if it writes none; begins with a space if a person named it."""

    id: int
    label: str
    serial: str


@dataclass(frozen=True, slots=True)
class BodySessionRecord:
    """One body's night: how many frames, the last of them, and the sizes of gaps inside its cards."""

    body_id: int
    frames: int
    number: int
    folder: int
    letters: str
    wall_ns: int | None
    offset: int | None
    file_id: int
    deletion_sizes: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class SessionCards:
    """The cards of a night: those with files, all readings, and how many a person reported.

    reported_at: when that was reported or asked (UTC ns); expected_cards None beside it: the person did not know.
    """

    day: str
    cards: int
    readings: int
    expected_cards: int | None
    reported_at: int | None


def list_card_originals(catalog: Catalog, days: Sequence[str]) -> list[CardOriginal]:
    """Return all originals of every card that held one of these days, including their other days.

    Also those of these days that came onto a drive without us: they are on no card, and not missing.
    """
    marks = ",".join("?" * len(days))
    rows = catalog.fetch_all(
        f"SELECT CASE WHEN json_extract(j.detail, '$.folder') THEN {NO_CARD} ELSE k.job_id END,"
        " k.folder, k.name, k.file_id, f.body_id, f.captured_wall_ns, f.captured_offset, s.day"
        " FROM card_files k JOIN files f ON f.id = k.file_id JOIN shoots s ON s.id = f.shoot_id"
        " JOIN jobs j ON j.id = k.job_id"
        f" WHERE {_IS_ORIGINAL_SQL} AND k.job_id IN (SELECT DISTINCT n.job_id FROM shoots t JOIN files g"
        f" ON g.shoot_id = t.id JOIN card_files n ON n.file_id = g.id WHERE t.day IN ({marks}))"
        " ORDER BY k.job_id, k.id",
        *days,
    )
    rows += catalog.fetch_all(
        f"SELECT {NO_CARD}, d.path, c.name, f.id, f.body_id, f.captured_wall_ns, f.captured_offset, s.day"
        " FROM shoots s CROSS JOIN files f ON f.shoot_id = s.id CROSS JOIN copies c ON c.file_id = f.id"
        f" JOIN folders d ON d.id = c.folder_id WHERE s.day IN ({marks}) AND {_IS_ORIGINAL_SQL}"
        " AND NOT EXISTS (SELECT 1 FROM card_files k WHERE k.file_id = f.id) GROUP BY f.id ORDER BY f.id",
        *days,
    )
    return [CardOriginal(row[0], join_path(row[1], row[2]), *row[3:]) for row in rows]


def mark_folder_job(catalog: Catalog, job_id: int) -> None:
    """Record that a job reads a folder, not a card. Call inside `transaction`."""
    catalog.execute(
        "UPDATE jobs SET detail = json_patch(detail, ?) WHERE id = ?", json.dumps(FOLDER_JOB_DETAIL), job_id
    )


def list_days_of_job(catalog: Catalog, job_id: int) -> list[str]:
    """Return the shooting days of the originals that a job found on its card."""
    rows = catalog.fetch_all(
        "SELECT DISTINCT s.day FROM card_files k JOIN files f ON f.id = k.file_id"
        f" JOIN shoots s ON s.id = f.shoot_id WHERE k.job_id = ? AND {_IS_ORIGINAL_SQL} ORDER BY s.day",
        job_id,
    )
    return [row[0] for row in rows]


def list_new_days(catalog: Catalog, at: int) -> list[str]:
    """Return the days whose originals were all first seen since then (UTC ns), by offloads begun since."""
    rows = catalog.fetch_all(NEW_DAYS_SQL, at, at)
    return [row[0] for row in rows]


def list_file_ids_of_jobs(catalog: Catalog, job_ids: Sequence[int]) -> list[int]:
    """Return the ids of the originals that these readings found."""
    marks = ",".join("?" * len(job_ids))
    rows = catalog.fetch_all(
        "SELECT DISTINCT k.file_id FROM card_files k JOIN files f ON f.id = k.file_id"
        f" WHERE k.job_id IN ({marks}) AND {_IS_ORIGINAL_SQL}",
        *job_ids,
    )
    return [row[0] for row in rows]


def map_known_bodies(catalog: Catalog) -> dict[int, KnownBody]:
    """Return every body by its id."""
    return {row[0]: KnownBody(*row) for row in catalog.fetch_all("SELECT id, label, serial FROM bodies")}


def find_last_session_of_body(
    catalog: Catalog, body_id: int, day: str
) -> tuple[BodySessionRecord, frozenset[int]] | None:
    """Return a body's last night before a day, and the readings that held its last frame."""
    row = catalog.fetch_one(
        "SELECT body_id, frames, last_number, last_folder, last_letters, last_wall_ns, last_offset, last_file_id,"
        " deleted FROM body_sessions WHERE body_id = ? AND day < ? ORDER BY day DESC LIMIT 1",
        body_id,
        day,
    )
    if row is None:
        return None
    readings = catalog.fetch_all("SELECT DISTINCT job_id FROM card_files WHERE file_id = ?", row[7])
    night = BodySessionRecord(*(*row[:8], tuple(json.loads(row[8]))))
    return night, frozenset(one[0] for one in readings)


def find_previous_day(catalog: Catalog, body_id: int, day: str) -> str | None:
    """Return the last day before this one on which a body was seen."""
    row = catalog.fetch_one("SELECT max(day) FROM body_sessions WHERE body_id = ? AND day < ?", body_id, day)
    return row[0] if row else None


def list_next_days(catalog: Catalog, day: str) -> list[str]:
    """Return, for each body seen on a day, its next night, whose first frames may depend on that day."""
    rows = catalog.fetch_all(
        "SELECT DISTINCT (SELECT min(l.day) FROM body_sessions l WHERE l.body_id = n.body_id AND l.day > n.day)"
        " FROM body_sessions n WHERE n.day = ?",
        day,
    )
    return sorted(row[0] for row in rows if row[0] is not None)


def list_earlier_deletion_sizes(catalog: Catalog, body_id: int, day: str) -> tuple[int, ...]:
    """Return the sizes of the gaps inside a body's cards, in its nights before a day."""
    rows = catalog.fetch_all(
        "SELECT deleted FROM body_sessions WHERE body_id = ? AND day < ? ORDER BY day DESC LIMIT ?",
        body_id,
        day,
        _RECENT_SESSIONS,
    )
    return tuple(size for row in rows for size in json.loads(row[0]))


def save_session(
    catalog: Catalog,
    session: SessionCards,
    bodies: Iterable[BodySessionRecord],
    extra_days: Sequence[str],
    at: int,
) -> None:
    """Save a night's session. extra_days: days of wrong clocks that belong to it. Call inside `transaction`."""
    for day in (session.day, *extra_days):
        catalog.execute("DELETE FROM body_sessions WHERE day = ?", day)
    for body in bodies:
        catalog.execute(
            "INSERT INTO body_sessions (body_id, day, frames, last_number, last_folder,"
            " last_letters, last_wall_ns,"
            " last_offset, last_file_id, deleted) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            body.body_id,
            session.day,
            body.frames,
            body.number,
            body.folder,
            body.letters,
            body.wall_ns,
            body.offset,
            body.file_id,
            json.dumps(body.deletion_sizes),
        )
    catalog.execute(
        "INSERT INTO sessions (day, cards, readings, seen_at, extra_days) VALUES (?, ?, ?, ?, ?) ON CONFLICT (day)"
        " DO UPDATE SET cards = excluded.cards, readings = excluded.readings, seen_at = excluded.seen_at,"
        " extra_days = excluded.extra_days",
        session.day,
        session.cards,
        session.readings,
        at,
        json.dumps(extra_days),
    )


def merge_sessions(catalog: Catalog, other: Catalog, bodies: Mapping[int, int], files: Mapping[int, int]) -> None:
    """Merge the sessions of each body from another catalog. Call inside `transaction`.

    bodies, files: maps from the other catalog's ids to those here.
    """
    columns = "day, frames, last_number, last_folder, last_letters, last_wall_ns, last_offset, deleted"
    for body_id, file_id, *values in other.fetch_all(
        f"SELECT body_id, last_file_id, {columns} FROM body_sessions"
    ):
        catalog.execute(
            f"INSERT INTO body_sessions (body_id, last_file_id, {columns}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)"
            " ON CONFLICT DO NOTHING",
            bodies[body_id],
            files[file_id],
            *values,
        )


def map_days_to_sessions(catalog: Catalog) -> dict[str, str]:
    """Return the days of failed clocks, each with the night it belongs to."""
    rows = catalog.fetch_all("SELECT day, extra_days FROM sessions WHERE extra_days <> '[]'")
    return {day: night for night, also in rows for day in json.loads(also)}


def record_card_count(catalog: Catalog, day: str, cards: int | None, person: str, at: int) -> None:
    """Record a person's number of cards of a night; None: unknown. Call inside `transaction`."""
    catalog.execute(
        "INSERT INTO sessions (day, reported_cards, reported_at, reported_by) VALUES (?, ?, ?, ?) ON CONFLICT"
        " (day) DO UPDATE SET"
        " reported_cards = excluded.reported_cards, reported_at = excluded.reported_at, reported_by ="
        " excluded.reported_by",
        day,
        cards,
        at,
        person,
    )


def get_session_cards(catalog: Catalog, day: str) -> SessionCards:
    """Return the cards of a night."""
    row = catalog.fetch_one(
        "SELECT day, cards, readings, reported_cards, reported_at FROM sessions WHERE day = ?", day
    )
    return SessionCards(*row) if row else SessionCards(day, 0, 0, None, None)


def find_last_reported_session(catalog: Catalog) -> SessionCards | None:
    """Return the last night for which a person was asked for the number of cards."""
    row = catalog.fetch_one(
        "SELECT day, cards, readings, reported_cards, reported_at FROM sessions WHERE reported_at IS NOT NULL"
        " ORDER BY reported_at DESC LIMIT 1"
    )
    return SessionCards(*row) if row else None


def find_last_session_day(catalog: Catalog) -> str | None:
    """Return the latest night with a session."""
    row = catalog.fetch_one("SELECT max(day) FROM sessions WHERE seen_at IS NOT NULL")
    return row[0] if row else None
