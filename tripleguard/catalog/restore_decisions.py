"""Restore the decisions made in an earlier state of this catalog, or in another one of the same files.

The later decision counts, by the recorded times. In doubt the safer one counts: a yes that was given for a drive
holds, unless a later state of this very catalog says that it was withdrawn.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable

from tripleguard.catalog.companions import add_version, update_required_copies
from tripleguard.catalog.decisions import (
    AcceptedFinding,
    Decisions,
    ExplainedGap,
    PlaceDecision,
    PreferredVersion,
    RatingRecord,
    RecordedAnswer,
    ReportedCardCount,
    SelectDecision,
    decode_name,
)
from tripleguard.catalog.event_log import add_event
from tripleguard.catalog.file_updates import ensure_shoot
from tripleguard.catalog.findings import FAULT_EVIDENCE_KEYS
from tripleguard.catalog.frame_counts import record_card_count
from tripleguard.catalog.merge_catalogs import ensure_file_row
from tripleguard.catalog.places import list_places
from tripleguard.catalog.rows import split_path, to_db
from tripleguard.catalog.store import Catalog
from tripleguard.errors import CatalogError
from tripleguard.model import (
    DriveRole,
    EventOutcome,
    EventType,
    File,
    FileKind,
    FindingKind,
    PlaceKind,
    PlaceState,
)
from tripleguard.names import find_title_problem

INVALID_DECISION_ERRORS = (CatalogError, sqlite3.IntegrityError, ValueError, TypeError, KeyError, OverflowError)
"""The errors raised by values that no catalog of ours contains."""
_SELECT_METHODS = frozenset({"rating", "hand", "list", "folder"})
_SAME_FAULT_KEYS = (*FAULT_EVIDENCE_KEYS, "broken")


def restore_decisions(catalog: Catalog, decisions: Decisions, *, is_later_state: bool) -> None:
    """Apply decisions, except on unknown files. Call inside `transaction`.

    is_later_state: they are from a later state of this very catalog. Raises `INVALID_DECISION_ERRORS` for invalid
    ones.
    """
    restoring = _DecisionRestorer(catalog, is_later_state=is_later_state)
    restoring.restore_places(decisions.places)
    restoring.restore_selects(decisions.selects)
    restoring.restore_ratings(decisions.ratings)
    restoring.restore_versions(decisions.versions)
    restoring.restore_accepted(decisions.accepted)
    restoring.restore_explained(decisions.explained)
    restoring.restore_card_counts(decisions.nights)
    restoring.restore_answers(decisions.answers)


class _DecisionRestorer:
    def __init__(self, catalog: Catalog, *, is_later_state: bool) -> None:
        self._catalog = catalog
        self._is_later_state = is_later_state

    def restore_places(self, decisions: Iterable[PlaceDecision]) -> None:
        names = {place.name.casefold() for place in list_places(self._catalog)}
        for one in decisions:
            state, role = PlaceState(one.state), DriveRole(one.role)
            row = self._catalog.fetch_one(
                "SELECT p.id, p.name, p.state, p.role, p.retiring_since, p.note, coalesce((SELECT max(e.at) FROM"
                " events e WHERE e.place_id = p.id AND e.type IN ('place change', 'deaccession',"
                " 'clearance')), p.added_at)"
                " FROM places p WHERE p.uid = ?",
                one.uid,
            )
            if row is None:
                if find_title_problem(one.name) is not None or one.name.casefold() in names:
                    continue
                names.add(one.name.casefold())
                place_id = self._catalog.execute(
                    "INSERT INTO places (uid, name, kind, role, state, added_at, retiring_since, note)"
                    " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    one.uid,
                    one.name,
                    PlaceKind(one.kind),
                    role,
                    state,
                    one.at,
                    one.leaving_since,
                    one.note,
                )
                row = (place_id, one.name, state, role, one.leaving_since, one.note, 0)
            place_id, name, *known, at = row
            self._restore_yes(place_id, one, at)
            if one.at <= at:
                continue
            if known != [state, role, one.leaving_since, one.note]:
                self._catalog.execute(
                    "UPDATE places SET state = ?, role = ?, retiring_since = ?, note = ? WHERE id = ?",
                    state,
                    role,
                    one.leaving_since,
                    one.note,
                    place_id,
                )
                self._add_event(place_id, f"drive {name} is {state}, as was decided before", one.at)

    def _restore_yes(self, place_id: int, decision: PlaceDecision, at: int) -> None:
        if decision.yes_at is not None and decision.yes_at > at:
            self._catalog.execute(
                "INSERT INTO drives_given_yes (place_id, at) VALUES (?, ?) ON CONFLICT DO NOTHING",
                place_id,
                decision.yes_at,
            )
        elif decision.yes_at is None and self._is_later_state and decision.at > at:
            self._catalog.execute("DELETE FROM drives_given_yes WHERE place_id = ?", place_id)

    def _add_event(self, place_id: int, message: str, at: int) -> None:
        add_event(self._catalog, EventType.PLACE_CHANGE, EventOutcome.SUCCESS, message, at, place_id=place_id)

    def restore_selects(self, decisions: Iterable[SelectDecision]) -> None:
        for one in decisions:
            if one.how not in _SELECT_METHODS:
                raise ValueError(f"a picture chosen by {one.how!r}")
            file_id = self._find_file_id(one.digest)
            ours = self._catalog.fetch_one("SELECT method, since FROM selects WHERE file_id = ?", file_id)
            by_hand = one.how != "rating"
            if file_id is None or (ours and (by_hand, one.since) <= (ours[0] != "rating", ours[1])):
                continue
            self._catalog.execute(
                "INSERT INTO selects (file_id, chosen, method, since) VALUES (?, ?, ?, ?) ON CONFLICT (file_id)"
                " DO UPDATE SET chosen = excluded.chosen, method = excluded.method, since = excluded.since",
                file_id,
                int(one.chosen),
                one.how,
                one.since,
            )

    def restore_ratings(self, decisions: Iterable[RatingRecord]) -> None:
        for one in decisions:
            file_id = self._find_file_id(one.digest)
            ours = self._catalog.fetch_one("SELECT stated_at, rating FROM ratings WHERE file_id = ?", file_id)
            if file_id is None or (ours and (one.said_at or 0, one.rating) <= (ours[0] or 0, ours[1])):
                continue
            self._catalog.execute(
                "INSERT INTO ratings (file_id, rating, stated_at) VALUES (?, ?, ?) ON CONFLICT (file_id)"
                " DO UPDATE SET rating = excluded.rating, stated_at = excluded.stated_at",
                file_id,
                one.rating,
                one.said_at,
            )

    def restore_versions(self, decisions: Iterable[PreferredVersion]) -> None:
        row = self._catalog.fetch_one("SELECT value FROM meta WHERE key = 'required_copies'")
        wants = int(row[0]) if row else 0
        paths: set[str] = set()
        for one in decisions:
            path = decode_name(one.path)
            if find_title_problem(one.shoot[1]) is not None:
                raise ValueError("a shoot whose name is none")
            shoot_id = ensure_shoot(self._catalog, *one.shoot, one.seen_at)
            file_id = self._find_file_id(one.digest)
            if file_id is None:
                # A version that only a rescan saw is in no snapshot and in no check list.
                file, name = File(bytes.fromhex(one.digest), one.size), path.rpartition("/")[2]
                file_id = ensure_file_row(
                    self._catalog, file, name, FileKind(one.kind), shoot_id, wants, one.seen_at
                )
            add_version(self._catalog, shoot_id, path, file_id, one.mtime_ns, one.seen_at)
            paths.add(path)
        for path in paths:
            update_required_copies(self._catalog, path, wants)

    def restore_accepted(self, decisions: Iterable[AcceptedFinding]) -> None:
        for one in decisions:
            kind, file_id = FindingKind(one.kind), self._find_file_id(one.digest)
            place = self._catalog.fetch_one("SELECT id FROM places WHERE uid = ?", one.place)
            evidence = json.loads(one.evidence)
            if not isinstance(evidence, dict):
                raise TypeError("evidence that is none")
            if (one.place is not None and place is None) or (one.digest is not None and file_id is None):
                continue
            if one.place is None and (file_id is None or kind is not FindingKind.DAMAGED_AT_SOURCE):
                raise ValueError("a finding about nothing")
            self._accept(one, kind, place[0] if place else None, file_id)

    def _accept(
        self, decision: AcceptedFinding, kind: FindingKind, place_id: int | None, file_id: int | None
    ) -> None:
        row = self._catalog.fetch_one(
            "SELECT id, file_id, evidence, accepted_at, closed_at FROM findings WHERE kind = ? AND place_id IS ?"
            " AND (path = ? OR place_id IS NULL) AND (place_id IS NOT NULL OR file_id IS ?)"
            " ORDER BY closed_at IS NULL DESC, closed_at DESC LIMIT 1",
            kind,
            place_id,
            to_db(decode_name(decision.path)),
            file_id,
        )
        values = (decision.at, decision.who, decision.why)
        if row is not None and row[4] is None:
            ours, theirs = json.loads(row[2]), json.loads(decision.evidence)
            same = row[1] == file_id and all(ours.get(key) == theirs.get(key) for key in _SAME_FAULT_KEYS)
            if row[3] is None and same:
                self._catalog.execute(
                    "UPDATE findings SET accepted_at = ?, accepted_by = ?, accepted_reason = ? WHERE id = ?",
                    *values,
                    row[0],
                )
            return
        if row is not None and row[4] >= decision.seen_at:
            return
        copy = self._catalog.fetch_one(
            "SELECT c.id FROM copies c JOIN folders d ON d.id = c.folder_id WHERE d.place_id = ? AND d.path = ?"
            " AND c.name = ? AND c.file_id IS ?",
            place_id,
            *split_path(decode_name(decision.path)),
            file_id,
        )
        shoot = self._catalog.fetch_one("SELECT shoot_id FROM files WHERE id = ?", file_id)
        self._catalog.execute(
            "INSERT INTO findings (kind, place_id, path, copy_id, file_id, shoot_id, since, seen_at, evidence,"
            " accepted_at, accepted_by, accepted_reason) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            kind,
            place_id,
            to_db(decode_name(decision.path)),
            copy[0] if copy else None,
            file_id,
            shoot[0] if shoot else None,
            decision.since,
            decision.seen_at,
            decision.evidence,
            *values,
        )

    def restore_explained(self, decisions: Iterable[ExplainedGap]) -> None:
        for one in decisions:
            row = self._catalog.fetch_one(
                "SELECT id, closed_by FROM gaps WHERE day = ? AND gap_key = ?"
                " ORDER BY closed_at IS NULL DESC, closed_by IS NULL LIMIT 1",
                one.day,
                one.mark,
            )
            if row is not None:
                if row[1] is None:
                    self._catalog.execute(
                        "UPDATE gaps SET closed_at = ?, closed_by = ?, closed_reason = ? WHERE id = ?",
                        one.closed_at,
                        one.who,
                        one.why,
                        row[0],
                    )
                continue
            body = self._catalog.fetch_one(
                "SELECT id FROM bodies WHERE make = ? AND model = ? AND serial = ?", *(one.body or ("", "", ""))
            )
            self._catalog.execute(
                "INSERT INTO gaps (day, kind, gap_key, body_id, verdict, frames, first_name, last_name, first_at,"
                " last_at, since_wall_ns, until_wall_ns, readings, should_keep_cards, opened_at,"
                " seen_at, closed_at,"
                " closed_by, closed_reason) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, '[]', ?, ?, ?, ?, ?, ?)",
                one.day,
                one.kind,
                one.mark,
                body[0] if body and one.body else None,
                one.verdict,
                one.frames,
                one.first,
                one.last,
                one.first_at,
                one.last_at,
                one.since,
                one.until,
                int(one.keeps),
                one.opened_at,
                one.closed_at,
                one.closed_at,
                one.who,
                one.why,
            )

    def restore_card_counts(self, decisions: Iterable[ReportedCardCount]) -> None:
        for one in decisions:
            ours = self._catalog.fetch_one("SELECT reported_at FROM sessions WHERE day = ?", one.day)
            if ours is None or ours[0] is None or ours[0] < one.at:
                record_card_count(self._catalog, one.day, one.cards, one.who or "", one.at)

    def restore_answers(self, decisions: Iterable[RecordedAnswer]) -> None:
        for one in decisions:
            if self._catalog.fetch_one(
                "SELECT 1 FROM clearances WHERE at = ? AND subject = ? AND agent = ?",
                one.at,
                to_db(decode_name(one.subject)),
                one.agent,
            ):
                continue
            self._catalog.execute(
                "INSERT INTO clearances (at, subject_kind, subject, agent, answer, files, bytes, covered,"
                " list_digest, detail) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                one.at,
                one.kind,
                to_db(decode_name(one.subject)),
                one.agent,
                int(one.answer),
                one.files,
                one.total_bytes,
                one.covered,
                bytes.fromhex(one.list_digest),
                one.detail,
            )

    def _find_file_id(self, digest: str | None) -> int | None:
        row = self._catalog.fetch_one("SELECT id FROM files WHERE digest = ?", bytes.fromhex(digest or ""))
        return row[0] if row else None
