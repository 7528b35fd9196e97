"""What the catalog knows of shoots and bodies: what they hold, where, and what is still owed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from tripleguard.catalog.rows import FILE, KnownFile, file_of
from tripleguard.catalog.store import Catalog
from tripleguard.catalog.text import split_path
from tripleguard.errors import WrongUse
from tripleguard.model import Shoot
from tripleguard.names import folded, shown


@dataclass(frozen=True, slots=True)
class Held:
    """What one shoot has on one place: copies and bytes, and how many of them were verified."""

    shoot: Shoot
    place: str
    copies: int
    bytes: int
    good: int
    good_bytes: int


@dataclass(frozen=True, slots=True)
class Owed:
    """Files of one shoot that are short of the rule."""

    shoot: Shoot
    files: int
    short: int
    bytes: int


def by_day(catalog: Catalog) -> list[Shoot]:
    """All shoots, by day."""
    return [Shoot(*row) for row in catalog.rows("SELECT id, day, name FROM shoots ORDER BY day, id")]


def shoot_with_id(catalog: Catalog, shoot_id: int) -> Shoot:
    """The shoot with this id."""
    row = catalog.row("SELECT id, day, name FROM shoots WHERE id = ?", shoot_id)
    assert row is not None
    return Shoot(*row)


def shoot_of_copy(catalog: Catalog, copy_id: int) -> int:
    """The id of the shoot that a copy belongs to."""
    row = catalog.row("SELECT shoot_id FROM copies WHERE id = ?", copy_id)
    assert row is not None
    return int(row[0])


def shoot_lying_at(catalog: Catalog, known: KnownFile, path: str) -> Shoot:
    """The shoot of a file that lies at this path. Equal sidecars or empty files of two shoots are one file."""
    if not known.kind.is_original or known.file.size == 0:
        row = catalog.row(
            "SELECT s.id, s.day, s.name FROM copies c JOIN folders d ON d.id = c.folder_id"
            " JOIN shoots s ON s.id = c.shoot_id WHERE c.file_id = ? AND d.path = ? AND c.name = ? ORDER BY c.id",
            known.id,
            *split_path(path),
        )
        if row is not None:
            return Shoot(*row)
    return shoot_with_id(catalog, known.shoot_id)


def shoots_like(catalog: Catalog, text: str) -> list[Shoot]:
    """Shoots whose day, name or title holds the text, without regard to case and Unicode form."""
    rows = catalog.rows("SELECT id, day, name FROM shoots ORDER BY day")
    part = folded(text)
    return [shoot for shoot in (Shoot(*row) for row in rows) if part in folded(shoot.title)]


def the_shoot(catalog: Catalog, text: str) -> Shoot:
    """The one shoot that is meant: by its day and name, its name, or a part that only one has. Raises WrongUse."""
    found = shoots_like(catalog, text)
    exact = [one for one in found if folded(text) in (folded(one.title), folded(one.name))]
    for some in (found, exact):
        if len(some) == 1:
            return some[0]
    names = ", ".join(shown(one.title) for one in (found or by_day(catalog))[-5:]) or "none yet"
    raise WrongUse(
        f"{len(found)} shoots match {shown(text)!r}." if found else f"No shoot matches {shown(text)!r}.",
        safe="Nothing was changed.",
        do=f"{'Say which' if found else 'The last ones'}: {names}.",
    )


def shoots_of_day(catalog: Catalog, day: str) -> list[Shoot]:
    """Shoots of one shooting day (`YYYY-MM-DD`), oldest first."""
    rows = catalog.rows("SELECT id, day, name FROM shoots WHERE day = ? ORDER BY id", day)
    return [Shoot(*row) for row in rows]


def bodies(catalog: Catalog) -> dict[tuple[str, str, str], tuple[int, str]]:
    """Known camera bodies: (make, model, serial) to id and label."""
    return {
        (make, model, serial): (number, label)
        for number, label, make, model, serial in catalog.rows("SELECT id, label, make, model, serial FROM bodies")
    }


def coverage(catalog: Catalog, place_id: int | None = None) -> list[Held]:
    """What each shoot has on each place."""
    where, values = ("WHERE v.place_id = ?", [place_id]) if place_id is not None else ("", [])
    rows = catalog.rows(
        "SELECT s.id, s.day, s.name, p.name, v.copies, v.bytes, v.good, v.good_bytes FROM coverage v"
        f" JOIN shoots s ON s.id = v.shoot_id JOIN places p ON p.id = v.place_id {where} ORDER BY s.day, p.id",
        *values,
    )
    return [Held(Shoot(*row[:3]), *row[3:]) for row in rows]


def totals(catalog: Catalog) -> tuple[int, int, int]:
    """Files, bytes, and files short of the rule, over all shoots."""
    row = catalog.row(
        "SELECT coalesce(sum(files), 0), coalesce(sum(bytes), 0), coalesce(sum(short), 0) FROM shoots"
    )
    assert row is not None
    return row[0], row[1], row[2]


def owed(catalog: Catalog) -> list[Owed]:
    """Shoots with files that are short of the rule."""
    rows = catalog.rows(
        "SELECT s.id, s.day, s.name, s.files, s.short, (SELECT coalesce(sum(f.size), 0) FROM files f"
        " WHERE f.shoot_id = s.id AND f.drive_copies < f.wants) FROM shoots s WHERE s.short > 0 ORDER BY s.day"
    )
    return [Owed(Shoot(*row[:3]), *row[3:]) for row in rows]


def short_files(catalog: Catalog) -> Iterator[KnownFile]:
    """Files short of the rule: fewest good copies first, then oldest."""
    rows = catalog.each(
        f"SELECT {FILE} FROM files f WHERE f.drive_copies < f.wants ORDER BY f.drive_copies, f.first_seen_at"
    )
    return (file_of(row) for row in rows)


def short_by_copies(catalog: Catalog) -> dict[int, int]:
    """How many files short of the rule have 0, 1, ... verified drive copies."""
    rows = catalog.rows(
        "SELECT drive_copies, count(*) FROM files WHERE drive_copies < wants GROUP BY drive_copies"
    )
    return dict(rows)


def shoots_of_copies(catalog: Catalog, file_id: int) -> set[int]:
    """The shoots that a file's copies belong to, by their numbers."""
    return {row[0] for row in catalog.rows("SELECT DISTINCT shoot_id FROM copies WHERE file_id = ?", file_id)}
