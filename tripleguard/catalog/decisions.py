"""Collect a person's decisions, separately from everything that was found.

They are small enough to be written to every drive after each command: selects and their ratings, states of drives,
accepted findings, preferred versions, explained gaps, and given answers. All are named by content, by a drive's id
or by a path, so that another catalog of the same files can apply them (see `catalog.restore_decisions`).
"""

from __future__ import annotations

import os
from typing import Any

import msgspec

from tripleguard.catalog import generations
from tripleguard.catalog.store import Catalog, Row


class SelectDecision(msgspec.Struct, frozen=True, array_like=True):
    """A frame that was chosen or dropped, by its main file. digest: hexadecimal; all times: UTC ns."""

    digest: str
    chosen: bool
    how: str
    since: int


class RatingRecord(msgspec.Struct, frozen=True, array_like=True):
    """A frame's rating in hundredths, and the time of the sidecar that had it."""

    digest: str
    rating: int
    said_at: int | None


class PlaceDecision(msgspec.Struct, frozen=True, array_like=True):
    """The state of a place. at: when it last changed; yes_at: when a yes was given that still holds."""

    uid: str
    name: str
    kind: str
    state: str
    role: str
    leaving_since: int | None
    note: str
    at: int
    yes_at: int | None


class AcceptedFinding(msgspec.Struct, frozen=True, array_like=True):
    """An open finding that a person accepted. place: its id; None for a finding about a file at any path."""

    kind: str
    place: str | None
    path: str
    digest: str | None
    since: int
    seen_at: int
    at: int
    who: str
    why: str
    evidence: str


class PreferredVersion(msgspec.Struct, frozen=True, array_like=True):
    """A version of a path, with the time that makes it the preferred one. shoot: day and name."""

    path: str
    digest: str
    size: int
    kind: str
    shoot: tuple[str, str]
    mtime_ns: int
    seen_at: int


class ExplainedGap(msgspec.Struct, frozen=True, array_like=True):
    """A gap in frame numbers that a person explained. body: make, model and serial."""

    day: str
    kind: str
    mark: str
    body: tuple[str, str, str] | None
    verdict: str
    frames: int
    first: str
    last: str
    first_at: int
    last_at: int
    since: int | None
    until: int | None
    keeps: bool
    opened_at: int
    closed_at: int
    who: str
    why: str


class ReportedCardCount(msgspec.Struct, frozen=True, array_like=True):
    """How many cards a night had, as a person reported."""

    day: str
    cards: int | None
    at: int
    who: str | None


class RecordedAnswer(msgspec.Struct, frozen=True, array_like=True):
    """An answer whether a card or drive may be reformatted."""

    at: int
    kind: str
    subject: str
    agent: str
    answer: bool
    files: int
    total_bytes: int
    covered: int
    list_digest: str
    detail: str


class Decisions(msgspec.Struct, frozen=True, forbid_unknown_fields=False):
    """All decisions made in one catalog. generation: its latest then; former: its earlier ids."""

    catalog: str
    generation: int
    at: int
    former: list[str] = []
    selects: list[SelectDecision] = []
    ratings: list[RatingRecord] = []
    places: list[PlaceDecision] = []
    accepted: list[AcceptedFinding] = []
    versions: list[PreferredVersion] = []
    explained: list[ExplainedGap] = []
    nights: list[ReportedCardCount] = []
    answers: list[RecordedAnswer] = []


def collect_decisions(catalog: Catalog, at: int) -> Decisions:
    """Return the decisions made in this catalog until now. at: UTC ns. The catalog must have an id."""
    known_as = generations.get_catalog_id(catalog)
    assert known_as is not None

    def rows(kind: Any, sql: str) -> list[Any]:
        return [kind(*row) for row in catalog.fetch_all(sql)]

    return Decisions(
        known_as,
        generations.get_latest_number(catalog),
        at,
        generations.list_former_ids(catalog),
        [
            SelectDecision(digest, bool(chosen), how, since)
            for digest, chosen, how, since in catalog.fetch_all(_SELECTS)
        ],
        rows(RatingRecord, _RATINGS),
        rows(PlaceDecision, _PLACES),
        [
            AcceptedFinding(kind, uid, _encode_name(path), *rest)
            for kind, uid, path, *rest in catalog.fetch_all(_ACCEPTED)
        ],
        [
            PreferredVersion(_encode_name(path), digest, size, kind, (day, name), mtime_ns, seen_at)
            for path, digest, size, kind, day, name, mtime_ns, seen_at in catalog.fetch_all(_VERSIONS)
        ],
        [_build_explained_gap(row) for row in catalog.fetch_all(_EXPLAINED)],
        rows(ReportedCardCount, _CARD_COUNTS),
        [
            RecordedAnswer(at, kind, _encode_name(subject), agent, bool(answer), *rest)
            for at, kind, subject, agent, answer, *rest in catalog.fetch_all(_ANSWERS)
        ],
    )


def fingerprint_decisions(catalog: Catalog) -> str:
    """Return a text that changes with every decision; much cheaper than `collect_decisions`."""
    return repr([catalog.fetch_one(question) for question in _FINGERPRINT_QUERIES])


def decode_name(text: str) -> str:
    """Return the path or name that a decision's text encodes. Raises ValueError."""
    return os.fsdecode(bytes.fromhex(text[1:])) if text.startswith("\0") else text


def _encode_name(value: str | bytes) -> str:
    """Encode a path or name as text; what is not UTF-8 as a NUL and its bytes in hexadecimal."""
    return f"\0{value.hex()}" if isinstance(value, bytes) else value


def _build_explained_gap(row: Row) -> ExplainedGap:
    body = None if row[3] is None else (row[3], row[4], row[5])
    return ExplainedGap(*(*row[:3], body, *row[6:14], bool(row[14]), *row[15:18], row[18] or ""))


_SELECTS = (
    "SELECT lower(hex(f.digest)), s.chosen, s.method, s.since FROM selects s JOIN files f ON f.id = s.file_id"
    " ORDER BY s.file_id"
)
_RATINGS = (
    "SELECT lower(hex(f.digest)), r.rating, r.stated_at FROM ratings r JOIN files f ON f.id = r.file_id"
    " ORDER BY r.file_id"
)
_PLACES = (
    "SELECT p.uid, p.name, p.kind, p.state, p.role, p.retiring_since, p.note, coalesce((SELECT max(e.at) FROM"
    "   events e WHERE e.place_id = p.id AND e.type IN ('place change', 'deaccession', 'clearance')), p.added_at),"
    " (SELECT y.at FROM drives_given_yes y WHERE y.place_id = p.id) FROM places p ORDER BY p.id"
)
_ACCEPTED = (
    "SELECT n.kind, p.uid, n.path, lower(hex(f.digest)), n.since, n.seen_at, n.accepted_at, n.accepted_by,"
    " n.accepted_reason, n.evidence FROM findings n LEFT JOIN places p ON p.id = n.place_id"
    " LEFT JOIN files f ON f.id = n.file_id WHERE n.closed_at IS NULL AND n.accepted_at IS NOT NULL ORDER BY n.id"
)
_VERSIONS = (
    "SELECT v.path, lower(hex(f.digest)), f.size, f.kind, s.day, s.name, v.mtime_ns, v.seen_at FROM versions v"
    " JOIN files f ON f.id = v.file_id JOIN shoots s ON s.id = v.shoot_id"
    " WHERE v.path IN (SELECT path FROM versions GROUP BY path HAVING count(*) > 1) ORDER BY v.path, v.number"
)
_EXPLAINED = (
    "SELECT d.day, d.kind, d.gap_key, b.make, b.model, b.serial, d.verdict, d.frames, d.first_name, d.last_name,"
    " d.first_at, d.last_at, d.since_wall_ns, d.until_wall_ns, d.should_keep_cards, d.opened_at,"
    " d.closed_at, d.closed_by,"
    " d.closed_reason FROM gaps d LEFT JOIN bodies b ON b.id = d.body_id WHERE d.closed_by IS NOT NULL"
    " ORDER BY d.id"
)
_CARD_COUNTS = (
    "SELECT day, reported_cards, reported_at, reported_by FROM sessions WHERE reported_at IS NOT NULL ORDER BY day"
)
_ANSWERS = (
    "SELECT at, subject_kind, subject, agent, answer, files, bytes, covered, lower(hex(list_digest)), detail"
    " FROM clearances ORDER BY id"
)

_FINGERPRINT_QUERIES = (
    "SELECT value FROM meta WHERE key = 'catalog_id'",
    "SELECT count(*), sum(chosen), sum((since + file_id * 31 + length(method)) % 1000000007) FROM selects",
    "SELECT count(*), sum((rating * 7 + coalesce(stated_at, 0) + file_id * 31) % 1000000007) FROM ratings",
    "SELECT group_concat(uid || state || role || coalesce(retiring_since, '') || note || id, '|') FROM places",
    "SELECT count(*), sum((accepted_at + id * 31) % 1000000007) FROM findings"
    " WHERE closed_at IS NULL AND accepted_at IS NOT NULL",
    "SELECT count(*), sum((mtime_ns + id * 31) % 1000000007) FROM versions",
    "SELECT count(*), sum((closed_at + id * 31) % 1000000007) FROM gaps WHERE closed_by IS NOT NULL",
    "SELECT count(*), sum((reported_at + coalesce(reported_cards, 0) * 31) % 1000000007) FROM sessions WHERE"
    " reported_at IS NOT NULL",
    "SELECT count(*), max(id) FROM clearances",
    "SELECT count(*), sum((at + place_id * 31) % 1000000007) FROM drives_given_yes",
)
