"""Two catalogs become one, also in what people and looks said of the files: ratings, selects, what was accepted.

What only one of them knows is taken over. Where they differ, what is later by a time that both recorded counts,
and both are told; without such a time the one counts that risks less: a picture stays chosen, the worse verdict
stands, what somebody accepted of another fault is asked again.
"""

from __future__ import annotations

import json
from collections.abc import Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass

from tripleguard.catalog.findings import WHAT_IS_FOUND
from tripleguard.catalog.inheriting import Conflict, Same, merge
from tripleguard.catalog.looks import damage_of, form_of, reconsider, recount_forms, settle_habits
from tripleguard.catalog.store import Catalog, Row
from tripleguard.catalog.text import from_db, joined_path, split_path
from tripleguard.clock import iso_utc
from tripleguard.model import Wholeness

_WORSE = (Wholeness.CLEAN, Wholeness.SUSPICIOUS, Wholeness.BROKEN)
_LOOK = "at, verdict, why, decoded_at, width, height, orientation, rating"


def unite(catalog: Catalog, other: Catalog, source: str, at: int) -> Generator[Conflict, None, Same]:
    """Add all that another catalog knows and this one does not. source: its name for the person; at: UTC ns.

    Returns which of its ids are which here.

    Call inside `writing`; other is only read. Both must be up to date.
    """
    same = yield from merge(catalog, other, source)
    yield from _ratings(catalog, other, source, same)
    yield from _selects(catalog, other, source, same)
    looked = _Looked(catalog, other, source, same)
    yield from looked.take_over()
    looked.settle(at)
    for row in other.rows(f"SELECT {_FINDING} FROM findings WHERE closed_at IS NULL AND accepted_at IS NOT NULL"):
        theirs = _Accepted(*row)
        if theirs.place_id is not None:
            yield from _accepted_at(catalog, source, theirs, same)
        elif theirs.file_id is not None:
            yield from _accepted_of_file(catalog, source, theirs, same.files[theirs.file_id])
    _clearances(catalog, other, same)
    return same


# Ratings and selects


def _ratings(catalog: Catalog, other: Catalog, source: str, same: Same) -> Iterator[Conflict]:
    """As `selects.rated` has it: a sidecar outranks the picture's own, the later sidecar the earlier."""
    for number, theirs, said_at in other.each("SELECT file_id, rating, said_at FROM ratings"):
        file_id = same.files[number]
        ours = catalog.row("SELECT rating, said_at FROM ratings WHERE file_id = ?", file_id)
        takes = ours is None or _outranks((theirs, said_at), (ours[0], ours[1]))
        if takes:
            catalog.run(
                "INSERT INTO ratings (file_id, rating, said_at) VALUES (?, ?, ?) ON CONFLICT (file_id)"
                " DO UPDATE SET rating = excluded.rating, said_at = excluded.said_at",
                file_id,
                theirs,
                said_at,
            )
        if ours is None or ours[0] == theirs:
            continue
        what = f"{source} has it rated {_stars(theirs, said_at)}, another source {_stars(*ours)}"
        if said_at is None or ours[1] is None:
            counts = "what a sidecar says counts" if said_at != ours[1] else "the higher one counts"
        else:
            counts = "the later one counts" if said_at != ours[1] else "the higher one counts, none is later"
        yield Conflict("", _path_of(catalog, file_id), what, counts)


def _outranks(one: tuple[int, int | None], other: tuple[int, int | None]) -> bool:
    """Whether one (rating, time of the sidecar) counts before another."""

    def rank(said: tuple[int, int | None]) -> tuple[bool, int, int]:
        return said[1] is not None, said[1] or 0, said[0]

    return rank(one) > rank(other)


def _stars(rating: int, said_at: int | None) -> str:
    said = f"in a sidecar of {iso_utc(said_at)}" if said_at is not None else "in the picture itself"
    return f"{rating / 100:g} ({said})"


def _selects(catalog: Catalog, other: Catalog, source: str, same: Same) -> Iterator[Conflict]:
    """A person's own choice outranks one by rating; then the later one; then a picture stays chosen."""
    for number, chosen, how, since in other.each("SELECT file_id, chosen, how, since FROM selects"):
        file_id = same.files[number]
        ours = catalog.row("SELECT chosen, how, since FROM selects WHERE file_id = ?", file_id)
        if ours is not None and ours[0] == chosen:
            by_hand = ours[1] != "rating" or how == "rating"
            values = (chosen, ours[1] if by_hand else how, min(since, ours[2]))
        elif ours is None or (how != "rating", since, chosen) > (ours[1] != "rating", ours[2], ours[0]):
            values = (chosen, how, since)
        else:
            values = ours
        catalog.run(
            "INSERT INTO selects (file_id, chosen, how, since) VALUES (?, ?, ?, ?) ON CONFLICT (file_id)"
            " DO UPDATE SET chosen = excluded.chosen, how = excluded.how, since = excluded.since",
            file_id,
            *values,
        )
        if ours is None or ours[0] == chosen:
            continue
        if (how == "rating") != (ours[1] == "rating"):
            counts = "what was not by rating counts"
        else:
            counts = "the later one counts" if since != ours[2] else "it stays chosen, none is later"
        what = f"{source} has it {_chosen(chosen, how, since)}, another source {_chosen(*ours)}"
        yield Conflict("", _path_of(catalog, file_id), what, counts)


def _chosen(chosen: int, how: str, since: int) -> str:
    return f"{'chosen' if chosen else 'dropped'} (by {how}, {iso_utc(since)})"


# Looks


class _Looked:
    """The looks of one other catalog, taken over."""

    def __init__(self, catalog: Catalog, other: Catalog, source: str, same: Same) -> None:
        self._catalog = catalog
        self._other = other
        self._source = source
        self._same = same
        self._flawed: set[int] = set()

    def take_over(self) -> Iterator[Conflict]:
        """Enter every look that this catalog has not, and every flaw that any look found."""
        catalog = self._catalog
        for number, *look in self._other.each(f"SELECT file_id, {_LOOK} FROM looks"):
            file_id = self._same.files[number]
            ours = catalog.row(f"SELECT {_LOOK} FROM looks WHERE file_id = ?", file_id)
            if ours is None:
                _put_look(catalog, file_id, look)
            elif ours[1] != look[1]:
                yield from self._other_verdict(file_id, ours, look)
            elif ours[3] is None and look[3] is not None:
                catalog.run("UPDATE looks SET decoded_at = ? WHERE file_id = ?", look[3], file_id)
        for number, *flaw in self._other.each("SELECT file_id, sign, grave, habit, decoded, why FROM flaws"):
            file_id = self._same.files[number]
            catalog.run(
                "INSERT INTO flaws (file_id, form_id, sign, grave, habit, decoded, why)"
                " SELECT file_id, form_id, ?, ?, ?, ?, ? FROM looks WHERE file_id = ? ON CONFLICT DO NOTHING",
                *flaw,
                file_id,
            )
            self._flawed.add(file_id)
        for (number,) in self._other.each("SELECT file_id FROM looked_into"):
            catalog.run(
                "INSERT INTO looked_into (file_id) VALUES (?) ON CONFLICT DO NOTHING", self._same.files[number]
            )

    def settle(self, at: int) -> None:
        """See what is a habit of a camera now, and open the findings of what is none."""
        recount_forms(self._catalog)
        settle_habits(self._catalog, at)
        for file_id in sorted(self._flawed):
            reconsider(self._catalog, file_id, at)

    def _other_verdict(self, file_id: int, ours: Row, theirs: Sequence[object]) -> Iterator[Conflict]:
        """Two verdicts on the same bytes: a look that could tell nothing gives way, else the worse one stands."""
        mine, other = Wholeness(ours[1]), Wholeness(str(theirs[1]))
        could_tell = Wholeness.UNCHECKED not in (mine, other)
        if mine is Wholeness.UNCHECKED or (could_tell and _WORSE.index(other) > _WORSE.index(mine)):
            _put_look(self._catalog, file_id, theirs)
        if could_tell:
            what = f"a look found it {other} by {self._source}, {mine} by another source"
            yield Conflict("", _path_of(self._catalog, file_id), what, "the worse one counts")


def _put_look(catalog: Catalog, file_id: int, look: Sequence[object]) -> None:
    names = _LOOK.split(", ")
    catalog.run(
        f"INSERT INTO looks (file_id, form_id, {_LOOK}) VALUES (?, ?, {', '.join('?' * len(names))})"
        f" ON CONFLICT (file_id) DO UPDATE SET {', '.join(f'{name} = excluded.{name}' for name in names)}",
        file_id,
        form_of(catalog, file_id),
        *look,
    )


# What a person accepted, and what was answered

_FINDING = (
    "kind, place_id, path, file_id, shoot_id, since, seen_at, accepted_at, accepted_by, accepted_why, evidence"
)


@dataclass(frozen=True, slots=True)
class _Accepted:
    """An open finding of the other catalog, with what was said of it; columns as they are there."""

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

    def told(self, source: str) -> str:
        return f"{source} has it accepted as {self.kind} ({self.accepted_why})"


def _accepted_of_file(catalog: Catalog, source: str, theirs: _Accepted, file_id: int) -> Iterator[Conflict]:
    ours = damage_of(catalog, file_id)
    if ours is None or ours.accepted:
        return
    if ours.broken and not _evidence(theirs.evidence).get("broken"):
        what = f"{theirs.told(source)}, another source knows it to be broken"
        yield Conflict("", _path_of(catalog, file_id), what, "it is not taken for accepted")
        return
    _accept(catalog, ours.id, theirs)


def _accepted_at(catalog: Catalog, source: str, theirs: _Accepted, same: Same) -> Iterator[Conflict]:
    place_id = same.places[theirs.place_id or 0]
    file_id = None if theirs.file_id is None else same.files[theirs.file_id]
    row = catalog.row(
        "SELECT id, file_id, accepted_at, evidence, closed_at FROM findings WHERE place_id = ? AND path = ?"
        " AND kind = ? ORDER BY closed_at IS NULL DESC, closed_at DESC LIMIT 1",
        place_id,
        theirs.path,
        theirs.kind,
    )
    if row is not None and row[4] is None:
        if row[2] is not None:
            return
        known, told = _evidence(row[3]), _evidence(theirs.evidence)
        if row[1] == file_id and all(known.get(key) == told.get(key) for key in WHAT_IS_FOUND):
            _accept(catalog, row[0], theirs)
            return
        what = f"{theirs.told(source)}, another source found something else there"
        yield Conflict("", from_db(theirs.path), what, "it is not taken for accepted")
    elif row is None or row[4] < theirs.seen_at:
        _open(catalog, theirs, place_id, file_id, same)


def _evidence(text: str) -> Mapping[str, object]:
    """What a finding rests on. Raises ValueError, TypeError for what is none."""
    told = json.loads(text)
    if not isinstance(told, dict):
        raise TypeError("evidence that is none")
    return told


def _accept(catalog: Catalog, finding_id: int, theirs: _Accepted) -> None:
    catalog.run(
        "UPDATE findings SET accepted_at = ?, accepted_by = ?, accepted_why = ? WHERE id = ?",
        theirs.accepted_at,
        theirs.accepted_by,
        theirs.accepted_why,
        finding_id,
    )


def _open(catalog: Catalog, theirs: _Accepted, place_id: int, file_id: int | None, same: Same) -> None:
    """Take over an accepted finding as it stands: the next rescan closes it, or says that it is another one."""
    copy = catalog.row(
        "SELECT c.id FROM copies c JOIN folders d ON d.id = c.folder_id WHERE d.place_id = ? AND d.path = ?"
        " AND c.name = ? AND c.file_id IS ?",
        place_id,
        *split_path(from_db(theirs.path)),
        file_id,
    )
    catalog.run(
        "INSERT INTO findings (kind, place_id, path, copy_id, file_id, shoot_id, since, seen_at, accepted_at,"
        " accepted_by, accepted_why, evidence) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        theirs.kind,
        place_id,
        theirs.path,
        copy[0] if copy else None,
        file_id,
        None if theirs.shoot_id is None else same.shoots[theirs.shoot_id],
        theirs.since,
        theirs.seen_at,
        theirs.accepted_at,
        theirs.accepted_by,
        theirs.accepted_why,
        theirs.evidence,
    )


def _clearances(catalog: Catalog, other: Catalog, same: Same) -> None:
    """The answers that were given are kept, for retired drives above all; in doubt a yes still stands."""
    for place_id, at in other.rows("SELECT place_id, at FROM standing_yes"):
        catalog.run(
            "INSERT INTO standing_yes (place_id, at) VALUES (?, ?) ON CONFLICT DO NOTHING",
            same.places[place_id],
            at,
        )
    columns = "at, subject_kind, subject, agent, answer, files, bytes, covered, list_digest, detail"
    for row in other.rows(f"SELECT {columns} FROM clearances ORDER BY id"):
        if catalog.row(
            "SELECT 1 FROM clearances WHERE at = ? AND subject = ? AND agent = ?", row[0], row[2], row[3]
        ):
            continue
        catalog.run(f"INSERT INTO clearances ({columns}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)", *row)


def _path_of(catalog: Catalog, file_id: int) -> str:
    row = catalog.row(
        "SELECT d.path, c.name FROM copies c JOIN folders d ON d.id = c.folder_id WHERE c.file_id = ?"
        " ORDER BY c.state = 'aside', c.id LIMIT 1",
        file_id,
    )
    if row is not None:
        return joined_path(*row)
    named = catalog.row("SELECT name FROM files WHERE id = ?", file_id)
    assert named is not None
    return from_db(named[0])
