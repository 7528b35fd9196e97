"""What people decided, apart from all that was found: small enough to be left on every drive after each command.

Selects and the ratings they follow, what became of drives, what was accepted, preferred and explained, and what
was answered. All of it is named by content, by a drive's id or by a path, so that another catalog of the same
files can take it over. `catalog.restoring` does that.
"""

from __future__ import annotations

import os
from typing import Any

import msgspec

from tripleguard.catalog import generations
from tripleguard.catalog.store import Catalog, Row


class Select(msgspec.Struct, frozen=True, array_like=True):
    """A frame that was chosen or dropped, by its main file. digest: hexadecimal; since: UTC ns, as all times."""

    digest: str
    chosen: bool
    how: str
    since: int


class Rating(msgspec.Struct, frozen=True, array_like=True):
    """What a frame was rated, in hundredths, and when a sidecar said so."""

    digest: str
    rating: int
    said_at: int | None


class PlaceSaid(msgspec.Struct, frozen=True, array_like=True):
    """What was said of a place. at: when that last changed; yes_at: when a yes was given that stands."""

    uid: str
    name: str
    kind: str
    state: str
    role: str
    leaving_since: int | None
    note: str
    at: int
    yes_at: int | None


class Accepted(msgspec.Struct, frozen=True, array_like=True):
    """An open finding that a person lives with. place: its id, None where it is about a file wherever it lies."""

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


class VersionSaid(msgspec.Struct, frozen=True, array_like=True):
    """A version of a path that had several, with the time that says which one is wanted. shoot: day and name."""

    path: str
    digest: str
    size: int
    kind: str
    shoot: tuple[str, str]
    mtime_ns: int
    seen_at: int


class Explained(msgspec.Struct, frozen=True, array_like=True):
    """A doubt about frame numbers that a person closed. body: make, model and serial."""

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


class NightSaid(msgspec.Struct, frozen=True, array_like=True):
    """How many cards somebody said a night had."""

    day: str
    cards: int | None
    at: int
    who: str | None


class Answer(msgspec.Struct, frozen=True, array_like=True):
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
    """All that people decided in one catalog. generation: its latest then; former: the ids it had before."""

    catalog: str
    generation: int
    at: int
    former: list[str] = []
    selects: list[Select] = []
    ratings: list[Rating] = []
    places: list[PlaceSaid] = []
    accepted: list[Accepted] = []
    versions: list[VersionSaid] = []
    explained: list[Explained] = []
    nights: list[NightSaid] = []
    answers: list[Answer] = []


def decided(catalog: Catalog, at: int) -> Decisions:
    """What people decided in this catalog until now. at: UTC ns. It must have an id."""
    known_as = generations.catalog_id(catalog)
    assert known_as is not None

    def rows(kind: Any, sql: str) -> list[Any]:
        return [kind(*row) for row in catalog.rows(sql)]

    return Decisions(
        known_as,
        generations.latest_number(catalog),
        at,
        generations.former_ids(catalog),
        [Select(digest, bool(chosen), how, since) for digest, chosen, how, since in catalog.rows(_SELECTS)],
        rows(Rating, _RATINGS),
        rows(PlaceSaid, _PLACES),
        [Accepted(kind, uid, _written(path), *rest) for kind, uid, path, *rest in catalog.rows(_ACCEPTED)],
        [
            VersionSaid(_written(path), digest, size, kind, (day, name), mtime_ns, seen_at)
            for path, digest, size, kind, day, name, mtime_ns, seen_at in catalog.rows(_VERSIONS)
        ],
        [_explained(row) for row in catalog.rows(_EXPLAINED)],
        rows(NightSaid, _NIGHTS),
        [
            Answer(at, kind, _written(subject), agent, bool(answer), *rest)
            for at, kind, subject, agent, answer, *rest in catalog.rows(_ANSWERS)
        ],
    )


def state_of_decisions(catalog: Catalog) -> str:
    """A text that changes whenever something was decided; far cheaper than `decided`."""
    return repr([catalog.row(question) for question in _STATE])


def name_in(text: str) -> str:
    """The path or name that a text of a decision stands for. Raises ValueError."""
    return os.fsdecode(bytes.fromhex(text[1:])) if text.startswith("\0") else text


def _written(value: str | bytes) -> str:
    """A path or name as a text: what is no UTF-8 as a NUL and its bytes in hexadecimal."""
    return f"\0{value.hex()}" if isinstance(value, bytes) else value


def _explained(row: Row) -> Explained:
    body = None if row[3] is None else (row[3], row[4], row[5])
    return Explained(*(*row[:3], body, *row[6:14], bool(row[14]), *row[15:18], row[18] or ""))


_SELECTS = (
    "SELECT lower(hex(f.digest)), s.chosen, s.how, s.since FROM selects s JOIN files f ON f.id = s.file_id"
    " ORDER BY s.file_id"
)
_RATINGS = (
    "SELECT lower(hex(f.digest)), r.rating, r.said_at FROM ratings r JOIN files f ON f.id = r.file_id"
    " ORDER BY r.file_id"
)
_PLACES = (
    "SELECT p.uid, p.name, p.kind, p.state, p.role, p.leaving_since, p.note, coalesce((SELECT max(e.at) FROM"
    "   events e WHERE e.place_id = p.id AND e.type IN ('place change', 'deaccession', 'clearance')), p.added_at),"
    " (SELECT y.at FROM standing_yes y WHERE y.place_id = p.id) FROM places p ORDER BY p.id"
)
_ACCEPTED = (
    "SELECT n.kind, p.uid, n.path, lower(hex(f.digest)), n.since, n.seen_at, n.accepted_at, n.accepted_by,"
    " n.accepted_why, n.evidence FROM findings n LEFT JOIN places p ON p.id = n.place_id"
    " LEFT JOIN files f ON f.id = n.file_id WHERE n.closed_at IS NULL AND n.accepted_at IS NOT NULL ORDER BY n.id"
)
_VERSIONS = (
    "SELECT v.path, lower(hex(f.digest)), f.size, f.kind, s.day, s.name, v.mtime_ns, v.seen_at FROM versions v"
    " JOIN files f ON f.id = v.file_id JOIN shoots s ON s.id = v.shoot_id"
    " WHERE v.path IN (SELECT path FROM versions GROUP BY path HAVING count(*) > 1) ORDER BY v.path, v.number"
)
_EXPLAINED = (
    "SELECT d.day, d.kind, d.mark, b.make, b.model, b.serial, d.verdict, d.frames, d.first_name, d.last_name,"
    " d.first_at, d.last_at, d.since_wall_ns, d.until_wall_ns, d.keeps, d.opened_at, d.closed_at, d.closed_by,"
    " d.closed_why FROM doubts d LEFT JOIN bodies b ON b.id = d.body_id WHERE d.closed_by IS NOT NULL"
    " ORDER BY d.id"
)
_NIGHTS = "SELECT day, told, told_at, told_by FROM nights WHERE told_at IS NOT NULL ORDER BY day"
_ANSWERS = (
    "SELECT at, subject_kind, subject, agent, answer, files, bytes, covered, lower(hex(list_digest)), detail"
    " FROM clearances ORDER BY id"
)

_STATE = (
    "SELECT value FROM meta WHERE key = 'catalog_id'",
    "SELECT count(*), sum(chosen), sum((since + file_id * 31 + length(how)) % 1000000007) FROM selects",
    "SELECT count(*), sum((rating * 7 + coalesce(said_at, 0) + file_id * 31) % 1000000007) FROM ratings",
    "SELECT group_concat(uid || state || role || coalesce(leaving_since, '') || note || id, '|') FROM places",
    "SELECT count(*), sum((accepted_at + id * 31) % 1000000007) FROM findings"
    " WHERE closed_at IS NULL AND accepted_at IS NOT NULL",
    "SELECT count(*), sum((mtime_ns + id * 31) % 1000000007) FROM versions",
    "SELECT count(*), sum((closed_at + id * 31) % 1000000007) FROM doubts WHERE closed_by IS NOT NULL",
    "SELECT count(*), sum((told_at + coalesce(told, 0) * 31) % 1000000007) FROM nights WHERE told_at IS NOT NULL",
    "SELECT count(*), max(id) FROM clearances",
    "SELECT count(*), sum((at + place_id * 31) % 1000000007) FROM standing_yes",
)
