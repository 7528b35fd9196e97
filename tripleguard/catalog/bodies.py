"""Which bodies a card's files are from, and giving them another one."""

from __future__ import annotations

from dataclasses import dataclass

from tripleguard.catalog.store import Catalog


@dataclass(frozen=True, slots=True)
class BodyOnCard:
    """A body with files on a card. serial: as in `numbers.KnownBody`; files: how many."""

    id: int
    label: str
    make: str
    model: str
    serial: str
    files: int


def bodies_read_by(catalog: Catalog, job_id: int) -> list[BodyOnCard]:
    """The bodies of the files that a job found on its card."""
    rows = catalog.rows(
        "SELECT b.id, b.label, b.make, b.model, b.serial, count(*) FROM card_files k"
        " JOIN files f ON f.id = k.file_id JOIN bodies b ON b.id = f.body_id"
        " WHERE k.job_id = ? GROUP BY b.id ORDER BY b.id",
        job_id,
    )
    return [BodyOnCard(*row) for row in rows]


def labels(catalog: Catalog) -> dict[str, tuple[str, str, str]]:
    """Every body's label, with its make, model and serial."""
    return {
        row[0]: (row[1], row[2], row[3]) for row in catalog.rows("SELECT label, make, model, serial FROM bodies")
    }


def give_body(catalog: Catalog, job_id: int, was: int, now: int) -> None:
    """A job's files of one body are another one's. Call inside `writing`."""
    catalog.run(
        "UPDATE files SET body_id = ?"
        " WHERE body_id = ? AND id IN (SELECT file_id FROM card_files WHERE job_id = ?)",
        now,
        was,
        job_id,
    )
