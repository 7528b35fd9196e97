"""Merge two catalogs completely, including decisions and inspections: ratings, selects, accepted findings.

Records that only one of them has are added. Where they differ, the later one counts if both recorded a time, and
both are reported; else the safer one: a picture stays selected, the worse verdict counts, a finding that was
accepted for another fault is opened again.
"""

from __future__ import annotations

import json
from collections.abc import Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass

from tripleguard.catalog.findings import FAULT_EVIDENCE_KEYS
from tripleguard.catalog.integrity import (
    find_damage,
    find_format_id,
    recount_formats,
    update_damage_finding,
    update_model_quirks,
)
from tripleguard.catalog.merge_catalogs import IdMap, MergeConflict, merge_catalog
from tripleguard.catalog.rows import from_db, join_path, split_path
from tripleguard.catalog.store import Catalog, Row
from tripleguard.clock import format_iso
from tripleguard.model import Integrity

_VERDICTS_BY_SEVERITY = (Integrity.CLEAN, Integrity.SUSPICIOUS, Integrity.BROKEN)
_INSPECTION_COLUMNS = "at, verdict, explanation, decoded_at, width, height, orientation, rating"


def merge_with_annotations(
    catalog: Catalog, other: Catalog, source: str, at: int
) -> Generator[MergeConflict, None, IdMap]:
    """Add everything that another catalog has and this one does not; return the map of its ids.

    source: its name for the person; at: UTC ns. Call inside `transaction`; other is only read. Both must have the
    current schema.
    """
    same = yield from merge_catalog(catalog, other, source)
    yield from _merge_ratings(catalog, other, source, same)
    yield from _merge_selects(catalog, other, source, same)
    looked = _InspectionMerger(catalog, other, source, same)
    yield from looked.merge()
    looked.update_findings(at)
    for row in other.fetch_all(
        f"SELECT {_FINDING_COLUMNS} FROM findings WHERE closed_at IS NULL AND accepted_at IS NOT NULL"
    ):
        theirs = _AcceptedRow(*row)
        if theirs.place_id is not None:
            yield from _merge_accepted_at(catalog, source, theirs, same)
        elif theirs.file_id is not None:
            yield from _merge_accepted_of_file(catalog, source, theirs, same.files[theirs.file_id])
    _merge_clearances(catalog, other, same)
    return same


# Ratings and selects


def _merge_ratings(catalog: Catalog, other: Catalog, source: str, id_map: IdMap) -> Iterator[MergeConflict]:
    """Merge ratings as `selects.record_rating` does: a sidecar outranks the picture, a later sidecar wins."""
    for number, theirs, said_at in other.iter_rows("SELECT file_id, rating, stated_at FROM ratings"):
        file_id = id_map.files[number]
        ours = catalog.fetch_one("SELECT rating, stated_at FROM ratings WHERE file_id = ?", file_id)
        takes = ours is None or _does_rating_outrank((theirs, said_at), (ours[0], ours[1]))
        if takes:
            catalog.execute(
                "INSERT INTO ratings (file_id, rating, stated_at) VALUES (?, ?, ?) ON CONFLICT (file_id)"
                " DO UPDATE SET rating = excluded.rating, stated_at = excluded.stated_at",
                file_id,
                theirs,
                said_at,
            )
        if ours is None or ours[0] == theirs:
            continue
        what = f"{source} has it rated {_format_rating(theirs, said_at)}, another source {_format_rating(*ours)}"
        if said_at is None or ours[1] is None:
            counts = "what a sidecar says counts" if said_at != ours[1] else "the higher one counts"
        else:
            counts = "the later one counts" if said_at != ours[1] else "the higher one counts, none is later"
        yield MergeConflict("", _find_path(catalog, file_id), what, counts)


def _does_rating_outrank(left: tuple[int, int | None], right: tuple[int, int | None]) -> bool:
    """Return whether the left (rating, time of the sidecar) outranks the right one."""

    def rank(rating: tuple[int, int | None]) -> tuple[bool, int, int]:
        return rating[1] is not None, rating[1] or 0, rating[0]

    return rank(left) > rank(right)


def _format_rating(rating: int, said_at: int | None) -> str:
    source = f"in a sidecar of {format_iso(said_at)}" if said_at is not None else "in the picture itself"
    return f"{rating / 100:g} ({source})"


def _merge_selects(catalog: Catalog, other: Catalog, source: str, id_map: IdMap) -> Iterator[MergeConflict]:
    """Merge selects: a person's choice outranks a rating; then the later one; then a select stays."""
    for number, chosen, how, since in other.iter_rows("SELECT file_id, chosen, method, since FROM selects"):
        file_id = id_map.files[number]
        ours = catalog.fetch_one("SELECT chosen, method, since FROM selects WHERE file_id = ?", file_id)
        if ours is not None and ours[0] == chosen:
            by_hand = ours[1] != "rating" or how == "rating"
            values = (chosen, ours[1] if by_hand else how, min(since, ours[2]))
        elif ours is None or (how != "rating", since, chosen) > (ours[1] != "rating", ours[2], ours[0]):
            values = (chosen, how, since)
        else:
            values = ours
        catalog.execute(
            "INSERT INTO selects (file_id, chosen, method, since) VALUES (?, ?, ?, ?) ON CONFLICT (file_id)"
            " DO UPDATE SET chosen = excluded.chosen, method = excluded.method, since = excluded.since",
            file_id,
            *values,
        )
        if ours is None or ours[0] == chosen:
            continue
        if (how == "rating") != (ours[1] == "rating"):
            counts = "what was not by rating counts"
        else:
            counts = "the later one counts" if since != ours[2] else "it stays chosen, none is later"
        what = f"{source} has it {_format_choice(chosen, how, since)}, another source {_format_choice(*ours)}"
        yield MergeConflict("", _find_path(catalog, file_id), what, counts)


def _format_choice(is_chosen: int, method: str, since: int) -> str:
    return f"{'chosen' if is_chosen else 'dropped'} (by {method}, {format_iso(since)})"


# Looks


class _InspectionMerger:
    """Merges the inspections of another catalog."""

    def __init__(self, catalog: Catalog, other: Catalog, source: str, id_map: IdMap) -> None:
        self._catalog = catalog
        self._other = other
        self._source = source
        self._id_map = id_map
        self._files_with_flaws: set[int] = set()

    def merge(self) -> Iterator[MergeConflict]:
        """Add the inspections that this catalog lacks, and every flaw that any inspection found."""
        catalog = self._catalog
        for number, *look in self._other.iter_rows(f"SELECT file_id, {_INSPECTION_COLUMNS} FROM integrity_checks"):
            file_id = self._id_map.files[number]
            ours = catalog.fetch_one(
                f"SELECT {_INSPECTION_COLUMNS} FROM integrity_checks WHERE file_id = ?", file_id
            )
            if ours is None:
                _insert_inspection(catalog, file_id, look)
            elif ours[1] != look[1]:
                yield from self._merge_verdict(file_id, ours, look)
            elif ours[3] is None and look[3] is not None:
                catalog.execute("UPDATE integrity_checks SET decoded_at = ? WHERE file_id = ?", look[3], file_id)
        for number, *flaw in self._other.iter_rows(
            "SELECT file_id, sign, is_grave, is_possible_quirk, decoded, explanation FROM flaws"
        ):
            file_id = self._id_map.files[number]
            catalog.execute(
                "INSERT INTO flaws (file_id, format_id, sign, is_grave, is_possible_quirk, decoded, explanation)"
                " SELECT file_id, format_id, ?, ?, ?, ?, ? FROM integrity_checks WHERE file_id = ? ON"
                " CONFLICT DO NOTHING",
                *flaw,
                file_id,
            )
            self._files_with_flaws.add(file_id)
        for (number,) in self._other.iter_rows("SELECT file_id FROM files_checked_for_rating"):
            catalog.execute(
                "INSERT INTO files_checked_for_rating (file_id) VALUES (?) ON CONFLICT DO NOTHING",
                self._id_map.files[number],
            )

    def update_findings(self, at: int) -> None:
        """Update the quirks of models, and open the findings that are none."""
        recount_formats(self._catalog)
        update_model_quirks(self._catalog, at)
        for file_id in sorted(self._files_with_flaws):
            update_damage_finding(self._catalog, file_id, at)

    def _merge_verdict(self, file_id: int, ours: Row, theirs: Sequence[object]) -> Iterator[MergeConflict]:
        """Merge two verdicts on the same bytes: prefer a conclusive one; of two conclusive ones keep the worse."""
        mine, other = Integrity(ours[1]), Integrity(str(theirs[1]))
        could_tell = Integrity.UNCHECKED not in (mine, other)
        if mine is Integrity.UNCHECKED or (
            could_tell and _VERDICTS_BY_SEVERITY.index(other) > _VERDICTS_BY_SEVERITY.index(mine)
        ):
            _insert_inspection(self._catalog, file_id, theirs)
        if could_tell:
            what = f"a look found it {other} by {self._source}, {mine} by another source"
            yield MergeConflict("", _find_path(self._catalog, file_id), what, "the worse one counts")


def _insert_inspection(catalog: Catalog, file_id: int, inspection: Sequence[object]) -> None:
    names = _INSPECTION_COLUMNS.split(", ")
    catalog.execute(
        f"INSERT INTO integrity_checks (file_id, format_id, {_INSPECTION_COLUMNS}) VALUES (?, ?,"
        f" {', '.join('?' * len(names))})"
        f" ON CONFLICT (file_id) DO UPDATE SET {', '.join(f'{name} = excluded.{name}' for name in names)}",
        file_id,
        find_format_id(catalog, file_id),
        *inspection,
    )


# What a person accepted, and what was answered

_FINDING_COLUMNS = (
    "kind, place_id, path, file_id, shoot_id, since, seen_at, accepted_at, accepted_by, accepted_reason, evidence"
)


@dataclass(frozen=True, slots=True)
class _AcceptedRow:
    """An accepted open finding of the other catalog, with its columns as they are there."""

    kind: str
    place_id: int | None
    path: str | bytes
    file_id: int | None
    shoot_id: int | None
    since: int
    seen_at: int
    accepted_at: int
    accepted_by: str
    accepted_why: str
    evidence: str

    def describe(self, source: str) -> str:
        return f"{source} has it accepted as {self.kind} ({self.accepted_why})"


def _merge_accepted_of_file(
    catalog: Catalog, source: str, theirs: _AcceptedRow, file_id: int
) -> Iterator[MergeConflict]:
    ours = find_damage(catalog, file_id)
    if ours is None or ours.is_accepted:
        return
    if ours.is_broken and not _parse_evidence(theirs.evidence).get("broken"):
        what = f"{theirs.describe(source)}, another source knows it to be broken"
        yield MergeConflict("", _find_path(catalog, file_id), what, "it is not taken for accepted")
        return
    _update_accepted(catalog, ours.id, theirs)


def _merge_accepted_at(
    catalog: Catalog, source: str, theirs: _AcceptedRow, id_map: IdMap
) -> Iterator[MergeConflict]:
    place_id = id_map.places[theirs.place_id or 0]
    file_id = None if theirs.file_id is None else id_map.files[theirs.file_id]
    row = catalog.fetch_one(
        "SELECT id, file_id, accepted_at, evidence, closed_at FROM findings WHERE place_id = ? AND path = ?"
        " AND kind = ? ORDER BY closed_at IS NULL DESC, closed_at DESC LIMIT 1",
        place_id,
        theirs.path,
        theirs.kind,
    )
    if row is not None and row[4] is None:
        if row[2] is not None:
            return
        known, other_evidence = _parse_evidence(row[3]), _parse_evidence(theirs.evidence)
        if row[1] == file_id and all(known.get(key) == other_evidence.get(key) for key in FAULT_EVIDENCE_KEYS):
            _update_accepted(catalog, row[0], theirs)
            return
        what = f"{theirs.describe(source)}, another source found something else there"
        yield MergeConflict("", from_db(theirs.path), what, "it is not taken for accepted")
    elif row is None or row[4] < theirs.seen_at:
        _insert_finding(catalog, theirs, place_id, file_id, id_map)


def _parse_evidence(text: str) -> Mapping[str, object]:
    """Return a finding's evidence. Raises ValueError, TypeError if it is invalid."""
    evidence = json.loads(text)
    if not isinstance(evidence, dict):
        raise TypeError("evidence that is none")
    return evidence


def _update_accepted(catalog: Catalog, finding_id: int, theirs: _AcceptedRow) -> None:
    catalog.execute(
        "UPDATE findings SET accepted_at = ?, accepted_by = ?, accepted_reason = ? WHERE id = ?",
        theirs.accepted_at,
        theirs.accepted_by,
        theirs.accepted_why,
        finding_id,
    )


def _insert_finding(
    catalog: Catalog, theirs: _AcceptedRow, place_id: int, file_id: int | None, id_map: IdMap
) -> None:
    """Add an accepted finding as it is; the next rescan resolves it or opens another one."""
    copy = catalog.fetch_one(
        "SELECT c.id FROM copies c JOIN folders d ON d.id = c.folder_id WHERE d.place_id = ? AND d.path = ?"
        " AND c.name = ? AND c.file_id IS ?",
        place_id,
        *split_path(from_db(theirs.path)),
        file_id,
    )
    catalog.execute(
        "INSERT INTO findings (kind, place_id, path, copy_id, file_id, shoot_id, since, seen_at, accepted_at,"
        " accepted_by, accepted_reason, evidence) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        theirs.kind,
        place_id,
        theirs.path,
        copy[0] if copy else None,
        file_id,
        None if theirs.shoot_id is None else id_map.shoots[theirs.shoot_id],
        theirs.since,
        theirs.seen_at,
        theirs.accepted_at,
        theirs.accepted_by,
        theirs.accepted_why,
        theirs.evidence,
    )


def _merge_clearances(catalog: Catalog, other: Catalog, id_map: IdMap) -> None:
    """Add the answers that were given, for retired drives above all; in doubt a yes still holds."""
    for place_id, at in other.fetch_all("SELECT place_id, at FROM drives_given_yes"):
        catalog.execute(
            "INSERT INTO drives_given_yes (place_id, at) VALUES (?, ?) ON CONFLICT DO NOTHING",
            id_map.places[place_id],
            at,
        )
    columns = "at, subject_kind, subject, agent, answer, files, bytes, covered, list_digest, detail"
    for row in other.fetch_all(f"SELECT {columns} FROM clearances ORDER BY id"):
        if catalog.fetch_one(
            "SELECT 1 FROM clearances WHERE at = ? AND subject = ? AND agent = ?", row[0], row[2], row[3]
        ):
            continue
        catalog.execute(f"INSERT INTO clearances ({columns}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", *row)


def _find_path(catalog: Catalog, file_id: int) -> str:
    row = catalog.fetch_one(
        "SELECT d.path, c.name FROM copies c JOIN folders d ON d.id = c.folder_id WHERE c.file_id = ?"
        " ORDER BY c.state = 'quarantined', c.id LIMIT 1",
        file_id,
    )
    if row is not None:
        return join_path(*row)
    named = catalog.fetch_one("SELECT name FROM files WHERE id = ?", file_id)
    assert named is not None
    return from_db(named[0])
