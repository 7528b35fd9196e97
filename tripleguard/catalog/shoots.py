"""Shoots and camera bodies: the coverage of each shoot on each place, what is missing, and bodies' labels."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from tripleguard.catalog.rows import FILE_COLUMNS, KnownFile, row_to_file, split_path
from tripleguard.catalog.store import Catalog
from tripleguard.errors import UsageError
from tripleguard.model import Shoot
from tripleguard.names import escape_text, fold_name


@dataclass(frozen=True, slots=True)
class ShootCoverage:
    """One shoot on one place: copies and bytes, and how many of them were verified."""

    shoot: Shoot
    place: str
    copies: int
    bytes: int
    verified: int
    verified_bytes: int


@dataclass(frozen=True, slots=True)
class ShootShortage:
    """The files of one shoot that fall short of the rule."""

    shoot: Shoot
    files: int
    under_replicated: int
    bytes: int


def list_shoots(catalog: Catalog) -> list[Shoot]:
    """Return all shoots, by day."""
    return [Shoot(*row) for row in catalog.fetch_all("SELECT id, day, name FROM shoots ORDER BY day, id")]


def get_shoot(catalog: Catalog, shoot_id: int) -> Shoot:
    """Return the shoot with this id."""
    row = catalog.fetch_one("SELECT id, day, name FROM shoots WHERE id = ?", shoot_id)
    assert row is not None
    return Shoot(*row)


def get_shoot_at_path(catalog: Catalog, known_file: KnownFile, path: str) -> Shoot:
    """Return the shoot of a file at this path; equal sidecars or empty files of two shoots are one file."""
    if not known_file.kind.is_original or known_file.file.size == 0:
        row = catalog.fetch_one(
            "SELECT s.id, s.day, s.name FROM copies c JOIN folders d ON d.id = c.folder_id"
            " JOIN shoots s ON s.id = c.shoot_id WHERE c.file_id = ? AND d.path = ? AND c.name = ? ORDER BY c.id",
            known_file.id,
            *split_path(path),
        )
        if row is not None:
            return Shoot(*row)
    return get_shoot(catalog, known_file.shoot_id)


def search_shoots(catalog: Catalog, text: str) -> list[Shoot]:
    """Return the shoots whose day, name or title contains the text, ignoring case and Unicode form."""
    rows = catalog.fetch_all("SELECT id, day, name FROM shoots ORDER BY day")
    part = fold_name(text)
    return [shoot for shoot in (Shoot(*row) for row in rows) if part in fold_name(shoot.title)]


def resolve_shoot(catalog: Catalog, text: str) -> Shoot:
    """Return the single shoot with this day and name, this name, or this part of a name.

    Raises UsageError.
    """
    found = search_shoots(catalog, text)
    exact = [one for one in found if fold_name(text) in (fold_name(one.title), fold_name(one.name))]
    for some in (found, exact):
        if len(some) == 1:
            return some[0]
    names = ", ".join(escape_text(one.title) for one in (found or list_shoots(catalog))[-5:]) or "none yet"
    raise UsageError(
        f"{len(found)} shoots match {escape_text(text)!r}."
        if found
        else f"No shoot matches {escape_text(text)!r}.",
        safe="Nothing was changed.",
        do=f"{'Say which' if found else 'The last ones'}: {names}.",
    )


def list_shoots_of_day(catalog: Catalog, day: str) -> list[Shoot]:
    """Return the shoots of one shooting day (`YYYY-MM-DD`), oldest first."""
    rows = catalog.fetch_all("SELECT id, day, name FROM shoots WHERE day = ? ORDER BY id", day)
    return [Shoot(*row) for row in rows]


def list_bodies(catalog: Catalog) -> dict[tuple[str, str, str], tuple[int, str]]:
    """Return the known camera bodies: (make, model, serial) to id and label."""
    return {
        (make, model, serial): (number, label)
        for number, label, make, model, serial in catalog.fetch_all(
            "SELECT id, label, make, model, serial FROM bodies"
        )
    }


def list_coverage(catalog: Catalog, place_id: int | None = None) -> list[ShootCoverage]:
    """Return the coverage of each shoot on each place."""
    where, values = ("WHERE v.place_id = ?", [place_id]) if place_id is not None else ("", [])
    rows = catalog.fetch_all(
        "SELECT s.id, s.day, s.name, p.name, v.copies, v.bytes, v.good, v.good_bytes FROM coverage v"
        f" JOIN shoots s ON s.id = v.shoot_id JOIN places p ON p.id = v.place_id {where} ORDER BY s.day, p.id",
        *values,
    )
    return [ShootCoverage(Shoot(*row[:3]), *row[3:]) for row in rows]


def count_totals(catalog: Catalog) -> tuple[int, int, int]:
    """Return files, bytes, and files that fall short of the rule, over all shoots."""
    row = catalog.fetch_one(
        "SELECT coalesce(sum(files), 0), coalesce(sum(bytes), 0), coalesce(sum(under_replicated), 0) FROM shoots"
    )
    assert row is not None
    return row[0], row[1], row[2]


def list_shortages(catalog: Catalog) -> list[ShootShortage]:
    """Return the shoots with files that fall short of the rule."""
    rows = catalog.fetch_all(
        "SELECT s.id, s.day, s.name, s.files, s.under_replicated, (SELECT coalesce(sum(f.size), 0) FROM files f"
        " WHERE f.shoot_id = s.id AND f.drive_copies < f.required_copies) FROM shoots s WHERE"
        " s.under_replicated > 0 ORDER BY s.day"
    )
    return [ShootShortage(Shoot(*row[:3]), *row[3:]) for row in rows]


def iter_under_replicated_files(catalog: Catalog) -> Iterator[KnownFile]:
    """Yield files that fall short of the rule: fewest good copies first, then oldest."""
    rows = catalog.iter_rows(
        f"SELECT {FILE_COLUMNS} FROM files f WHERE f.drive_copies < f.required_copies ORDER "
        f"BY f.drive_copies, f.first_seen_at"
    )
    return (row_to_file(row) for row in rows)


def count_under_replicated_by_copies(catalog: Catalog) -> dict[int, int]:
    """Return how many files short of the rule have 0, 1, ... verified drive copies."""
    rows = catalog.fetch_all(
        "SELECT drive_copies, count(*) FROM files WHERE drive_copies < required_copies GROUP BY drive_copies"
    )
    return dict(rows)


def list_shoot_ids_of_file(catalog: Catalog, file_id: int) -> set[int]:
    """Return the ids of the shoots that a file's copies belong to."""
    return {row[0] for row in catalog.fetch_all("SELECT DISTINCT shoot_id FROM copies WHERE file_id = ?", file_id)}


@dataclass(frozen=True, slots=True)
class BodyOnCard:
    """A body with files on a card. serial: as in `frame_counts.KnownBody`; files: how many."""

    id: int
    label: str
    make: str
    model: str
    serial: str
    files: int


def list_bodies_on_card(catalog: Catalog, job_id: int) -> list[BodyOnCard]:
    """Return the bodies of the files that a job found on its card."""
    rows = catalog.fetch_all(
        "SELECT b.id, b.label, b.make, b.model, b.serial, count(*) FROM card_files k"
        " JOIN files f ON f.id = k.file_id JOIN bodies b ON b.id = f.body_id"
        " WHERE k.job_id = ? GROUP BY b.id ORDER BY b.id",
        job_id,
    )
    return [BodyOnCard(*row) for row in rows]


def list_body_labels(catalog: Catalog) -> dict[str, tuple[str, str, str]]:
    """Return every body's label, with its make, model and serial."""
    return {
        row[0]: (row[1], row[2], row[3])
        for row in catalog.fetch_all("SELECT label, make, model, serial FROM bodies")
    }


def reassign_body(catalog: Catalog, job_id: int, old_body_id: int, new_body_id: int) -> None:
    """Reassign a job's files of one body to another. Call inside `transaction`."""
    catalog.execute(
        "UPDATE files SET body_id = ?"
        " WHERE body_id = ? AND id IN (SELECT file_id FROM card_files WHERE job_id = ?)",
        new_body_id,
        old_body_id,
        job_id,
    )
