"""Results of integrity checks of the camera's own files, and which of them are damaged at source.

A flaw that nearly all files of a model have is a quirk of that model and no damage. Whether it is can change as
more files come in, in both directions, so the flaws of each file are kept, and `update_model_quirks` opens or
closes the findings that depend on it. Such a finding is about a file, wherever its copies lie: no rescan closes
it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from tripleguard.catalog.rows import from_db, join_path, to_db
from tripleguard.catalog.store import Catalog, Row
from tripleguard.model import (
    SIGNS_CLEARED_BY_DECODING,
    FindingKind,
    ImageInfo,
    Integrity,
    IntegrityFlaw,
    IntegrityVerdict,
)

MIN_FILES_FOR_QUIRK = 20
"""Files of a model and format that must have been checked before any flaw counts as a quirk of it."""

QUIRK_SHARE = 0.9
"""Share of these files that must have a flaw for it to count as a quirk."""


DECODES_WITHOUT_FAULTS = "it decodes without faults"
"""Why a file counts as clean that an inspection alone could not call clean."""


@dataclass(frozen=True, slots=True)
class DamagedFile:
    """A file that is damaged at source. id: of the finding; is_accepted: by a person.

    path: on the card, or on a drive if it was read from no card (is_from_card False).
    """

    id: int
    file_id: int
    path: str
    shoot_id: int | None
    since: int
    is_broken: bool
    reason: str
    sign: str
    is_accepted: bool
    is_from_card: bool = True


@dataclass(frozen=True, slots=True)
class ModelQuirk:
    """An anomaly shared by nearly all files of one camera model and format, so not damage."""

    model: str
    extension: str
    reason: str
    files: int


def record_inspection(
    catalog: Catalog, file_id: int, verdict: IntegrityVerdict, traits: ImageInfo, at: int
) -> None:
    """Store the result of an inspection, in place of an earlier one. Call inside `transaction`.

    An earlier result of decoding the file is kept.
    """
    verdict = _without_explained_flaws(catalog, file_id, verdict)
    form_id = find_format_id(catalog, file_id)
    catalog.execute(
        "INSERT INTO integrity_checks (file_id, format_id, at, verdict, explanation, width, height,"
        " orientation, rating)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (file_id) DO UPDATE SET at = excluded.at,"
        " verdict = excluded.verdict, explanation = excluded.explanation, width = excluded.width, height ="
        " excluded.height,"
        " orientation = excluded.orientation, rating = excluded.rating",
        file_id,
        form_id,
        at,
        verdict.integrity,
        verdict.explanation,
        traits.width,
        traits.height,
        traits.orientation,
        traits.rating,
    )
    catalog.execute("DELETE FROM flaws WHERE file_id = ? AND decoded = 0", file_id)
    _record_flaws(catalog, file_id, verdict.flaws, decoded=False)
    update_damage_finding(catalog, file_id, at)


def _without_explained_flaws(catalog: Catalog, file_id: int, verdict: IntegrityVerdict) -> IntegrityVerdict:
    """Return a verdict without the flaws that decoding this file has explained before."""
    row = catalog.fetch_one("SELECT explanation FROM integrity_checks WHERE file_id = ?", file_id)
    if row is None or row[0] != DECODES_WITHOUT_FAULTS:
        return verdict
    left = tuple(
        flaw for flaw in verdict.flaws if flaw.is_grave or not flaw.sign.startswith(SIGNS_CLEARED_BY_DECODING)
    )
    return (
        IntegrityVerdict(verdict.integrity, left)
        if left
        else IntegrityVerdict(Integrity.CLEAN, explanation=DECODES_WITHOUT_FAULTS)
    )


def record_decoding(
    catalog: Catalog, file_id: int, flaws: Sequence[IntegrityFlaw], at: int, *, is_decodable: bool
) -> None:
    """Store the result of decoding; is_decodable False: no decoder reads it. Call inside `transaction`."""
    catalog.execute("UPDATE integrity_checks SET decoded_at = ? WHERE file_id = ?", at, file_id)
    if is_decodable and not flaws:
        for sign in SIGNS_CLEARED_BY_DECODING:
            catalog.execute(
                "DELETE FROM flaws WHERE file_id = ? AND decoded = 0 AND is_grave = 0 AND substr(sign, 1, ?) = ?",
                file_id,
                len(sign),
                sign,
            )
        catalog.execute(
            "UPDATE integrity_checks SET verdict = ?, explanation = ? WHERE file_id = ? AND verdict IN (?, ?)"
            " AND NOT EXISTS (SELECT 1 FROM flaws w WHERE w.file_id = integrity_checks.file_id)",
            Integrity.CLEAN,
            DECODES_WITHOUT_FAULTS,
            file_id,
            Integrity.UNCHECKED,
            Integrity.SUSPICIOUS,
        )
    _record_flaws(catalog, file_id, flaws, decoded=True)
    update_damage_finding(catalog, file_id, at)


def add_flaw(catalog: Catalog, file_id: int, flaw: IntegrityFlaw, at: int) -> None:
    """Add a flaw that was found otherwise than by inspection. Call inside `transaction`."""
    catalog.execute(
        "INSERT INTO integrity_checks (file_id, format_id, at, verdict, explanation) VALUES (?, ?, ?, ?, '')"
        " ON CONFLICT DO NOTHING",
        file_id,
        find_format_id(catalog, file_id),
        at,
        Integrity.UNCHECKED,
    )
    _record_flaws(catalog, file_id, (flaw,), decoded=True)
    update_damage_finding(catalog, file_id, at)


def remove_flaw(catalog: Catalog, file_id: int, sign: str, at: int) -> None:
    """Remove a flaw that no longer holds. Call inside `transaction`."""
    catalog.execute("DELETE FROM flaws WHERE file_id = ? AND sign = ?", file_id, sign)
    update_damage_finding(catalog, file_id, at)


def count_undecoded(catalog: Catalog) -> int:
    """Return how many raws and pictures were inspected but not decoded yet."""
    row = catalog.fetch_one(
        "SELECT count(*) FROM integrity_checks l JOIN files f ON f.id = l.file_id WHERE l.decoded_at IS NULL"
        " AND f.kind IN ('raw', 'picture')"
    )
    return int(row[0]) if row else 0


def is_awaiting_decoding(catalog: Catalog, file_id: int) -> bool:
    """Return whether a raw or picture was inspected but not decoded yet."""
    row = catalog.fetch_one(
        "SELECT 1 FROM integrity_checks l JOIN files f ON f.id = l.file_id WHERE l.file_id = ? AND"
        " l.decoded_at IS NULL"
        " AND f.kind IN ('raw', 'picture')",
        file_id,
    )
    return row is not None


def list_undecoded(
    catalog: Catalog, place_ids: Sequence[int], below_file_id: int | None, limit: int
) -> list[tuple[int, int]]:
    """Return undecoded files, newest first, that have a verified copy on one of these places.

    below_file_id: only files with a lower id. Each result is a file id and a copy id.
    """
    places = ",".join("?" * len(place_ids))
    rows = catalog.fetch_all(
        "SELECT l.file_id, (SELECT c.id FROM good_copies c WHERE c.file_id = l.file_id"
        f" AND c.place_id IN ({places}) ORDER BY c.place_id LIMIT 1) AS copy"
        " FROM integrity_checks l JOIN files f ON f.id = l.file_id WHERE l.decoded_at IS NULL AND l.file_id < ?"
        " AND f.kind IN ('raw', 'picture') AND copy IS NOT NULL ORDER BY l.file_id DESC LIMIT ?",
        *place_ids,
        2**62 if below_file_id is None else below_file_id,
        limit,
    )
    return [(row[0], row[1]) for row in rows]


def is_inspected(catalog: Catalog, file_id: int) -> bool:
    """Return whether a file was inspected."""
    return catalog.fetch_one("SELECT 1 FROM integrity_checks WHERE file_id = ?", file_id) is not None


def find_damage(catalog: Catalog, file_id: int) -> DamagedFile | None:
    """Return the open finding that a file is damaged at source, accepted or not."""
    row = catalog.fetch_one(f"{_DAMAGED_SQL} AND file_id = ?", file_id)
    return _row_to_damaged(row) if row else None


def list_damaged_files(catalog: Catalog, limit: int = 100_000) -> list[DamagedFile]:
    """Return all files that are damaged at source, oldest finding first, accepted ones included."""
    return [_row_to_damaged(row) for row in catalog.fetch_all(f"{_DAMAGED_SQL} ORDER BY since, id LIMIT ?", limit)]


def list_damaged_by_job(catalog: Catalog, job_id: int) -> list[DamagedFile]:
    """Return the damaged files that a job read from a card."""
    return [
        _row_to_damaged(row)
        for row in catalog.fetch_all(
            f"{_DAMAGED_SQL} AND file_id IN (SELECT file_id FROM card_files WHERE job_id = ?) ORDER BY id", job_id
        )
    ]


def count_verdicts_by_job(catalog: Catalog, job_id: int) -> dict[Integrity, int]:
    """Return how many of the files that a job read have which verdict, quirks not considered."""
    rows = catalog.fetch_all(
        "SELECT l.verdict, count(*) FROM (SELECT DISTINCT file_id FROM card_files WHERE job_id = ?) c"
        " JOIN integrity_checks l ON l.file_id = c.file_id GROUP BY l.verdict",
        job_id,
    )
    return {Integrity(verdict): count for verdict, count in rows}


def list_unchecked_by_job(catalog: Catalog, job_id: int) -> list[tuple[str, str]]:
    """Return name and reason of each file that a job read and that could not be checked."""
    rows = catalog.fetch_all(
        "SELECT f.name, l.explanation FROM (SELECT DISTINCT file_id FROM card_files WHERE job_id = ?) c"
        " JOIN integrity_checks l ON l.file_id = c.file_id JOIN files f ON f.id = c.file_id WHERE l.verdict = ?"
        " AND NOT EXISTS (SELECT 1 FROM flaws w WHERE w.file_id = l.file_id) ORDER BY f.id",
        job_id,
        Integrity.UNCHECKED,
    )
    return [(from_db(name), why or "") for name, why in rows]


def find_verdict(catalog: Catalog, file_id: int) -> IntegrityVerdict | None:
    """Return the verdict on one file, without its flaws; None if it was not inspected."""
    row = catalog.fetch_one("SELECT verdict, explanation FROM integrity_checks WHERE file_id = ?", file_id)
    return IntegrityVerdict(Integrity(row[0]), explanation=row[1] or "") if row is not None else None


def find_unchecked_verdict(catalog: Catalog, file_id: int) -> IntegrityVerdict | None:
    """Return the verdict on a file that could not be checked and has no known flaw; None for any other."""
    row = catalog.fetch_one(
        "SELECT l.explanation FROM integrity_checks l WHERE l.file_id = ? AND l.verdict = ?"
        " AND NOT EXISTS (SELECT 1 FROM flaws w WHERE w.file_id = l.file_id)",
        file_id,
        Integrity.UNCHECKED,
    )
    return None if row is None else IntegrityVerdict(Integrity.UNCHECKED, explanation=row[0] or "")


def update_model_quirks(catalog: Catalog, at: int) -> None:
    """Update which flaws are quirks of a model now. Call inside `transaction`."""
    rows = catalog.fetch_all(
        "SELECT h.format_id, h.sign, h.files, f.files, h.since IS NOT NULL FROM model_quirks h"
        " JOIN file_formats f ON f.id = h.format_id"
    )
    for form_id, sign, having, files, was in rows:
        now = files >= MIN_FILES_FOR_QUIRK and having >= QUIRK_SHARE * files
        if now == bool(was):
            continue
        catalog.execute(
            "UPDATE model_quirks SET since = ? WHERE format_id = ? AND sign = ?",
            at if now else None,
            form_id,
            sign,
        )
        for (file_id,) in catalog.fetch_all(
            "SELECT file_id FROM flaws WHERE format_id = ? AND sign = ?", form_id, sign
        ):
            update_damage_finding(catalog, file_id, at)


def recount_formats(catalog: Catalog) -> None:
    """Recount what the triggers count, after rows were added without them. Call inside `transaction`."""
    catalog.execute(
        "UPDATE file_formats SET files = (SELECT count(*) FROM integrity_checks l WHERE l.format_id ="
        " file_formats.id)"
    )
    catalog.execute(
        "INSERT INTO model_quirks (format_id, sign) SELECT DISTINCT format_id, sign FROM flaws"
        " WHERE is_possible_quirk = 1 AND format_id IS NOT NULL ON CONFLICT DO NOTHING"
    )
    catalog.execute(
        "UPDATE model_quirks SET files = (SELECT count(*) FROM flaws w"
        " WHERE w.format_id = model_quirks.format_id AND w.sign = model_quirks.sign AND w.is_possible_quirk = 1)"
    )


def list_model_quirks(catalog: Catalog, job_id: int | None = None) -> list[ModelQuirk]:
    """Return the current quirks of the models of a job's files, or of all models."""
    seen = (
        " AND h.format_id IN (SELECT l.format_id FROM card_files c JOIN integrity_checks l ON"
        " l.file_id = c.file_id"
        " WHERE c.job_id = ?)"
    )
    rows = catalog.fetch_all(
        "SELECT f.model, f.extension, h.files, (SELECT explanation FROM flaws w WHERE w.format_id = h.format_id"
        " AND w.sign = h.sign LIMIT 1) FROM model_quirks h JOIN file_formats f ON f.id = h.format_id"
        f" WHERE h.since IS NOT NULL{seen if job_id is not None else ''} ORDER BY f.model, f.extension, h.sign",
        *([job_id] if job_id is not None else []),
    )
    return [ModelQuirk(model, extension, why or "", files) for model, extension, files, why in rows]


_DAMAGED_SQL = (
    "SELECT id, file_id, path, shoot_id, since, evidence, accepted_at,"
    " EXISTS (SELECT 1 FROM card_files k WHERE k.file_id = findings.file_id) FROM findings"
    f" WHERE kind = '{FindingKind.DAMAGED_AT_SOURCE}' AND place_id IS NULL AND closed_at IS NULL"
)


def _row_to_damaged(row: Row) -> DamagedFile:
    evidence = json.loads(row[5])
    return DamagedFile(
        id=row[0],
        file_id=row[1],
        path=from_db(row[2]),
        shoot_id=row[3],
        since=row[4],
        is_broken=bool(evidence["broken"]),
        reason=str(evidence["why"]),
        sign=str(evidence["sign"]),
        is_accepted=row[6] is not None,
        is_from_card=bool(row[7]),
    )


def find_format_id(catalog: Catalog, file_id: int) -> int | None:
    """Return the format of a file: its camera model and extension; None if the camera is unknown."""
    row = catalog.fetch_one(
        "SELECT b.make, b.model, f.name FROM files f JOIN bodies b ON b.id = f.body_id WHERE f.id = ?", file_id
    )
    if row is None:
        return None
    extension = from_db(row[2]).rpartition(".")[2].casefold()
    catalog.execute(
        "INSERT INTO file_formats (make, model, extension) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
        row[0],
        row[1],
        extension,
    )
    found = catalog.fetch_one(
        "SELECT id FROM file_formats WHERE make = ? AND model = ? AND extension = ?", row[0], row[1], extension
    )
    assert found is not None
    return int(found[0])


def _record_flaws(catalog: Catalog, file_id: int, flaws: Sequence[IntegrityFlaw], *, decoded: bool) -> None:
    for flaw in flaws:
        catalog.execute(
            "INSERT INTO flaws (file_id, sign, format_id, is_grave, is_possible_quirk, decoded, explanation)"
            " SELECT file_id, ?, format_id, ?, ?, ?, ? FROM integrity_checks WHERE file_id = ? ON"
            " CONFLICT DO NOTHING",
            flaw.sign,
            int(flaw.is_grave),
            int(flaw.is_possible_quirk),
            int(decoded),
            flaw.explanation,
            file_id,
        )


def update_damage_finding(catalog: Catalog, file_id: int, at: int) -> None:
    """Open, keep or close a file's finding by its flaws that are not quirks of its model."""
    worst = catalog.fetch_one(
        "SELECT w.is_grave, w.sign, w.explanation FROM flaws w"
        " LEFT JOIN model_quirks h ON h.format_id = w.format_id AND h.sign = w.sign"
        " WHERE w.file_id = ? AND NOT (w.is_possible_quirk = 1 AND h.since IS NOT NULL) ORDER BY w.is_grave"
        " DESC, w.id LIMIT 1",
        file_id,
    )
    if worst is None:
        catalog.execute(
            "UPDATE findings SET closed_at = ?, resolution = ? WHERE file_id = ? AND place_id IS NULL"
            " AND closed_at IS NULL",
            at,
            "it holds together, or nearly all files of this model are so",
            file_id,
        )
        return
    evidence = json.dumps({"broken": bool(worst[0]), "sign": worst[1], "why": worst[2]}, sort_keys=True)
    known = find_damage(catalog, file_id)
    if known is None:
        _open_finding(catalog, file_id, at, evidence)
        return
    catalog.execute("UPDATE findings SET seen_at = ?, evidence = ? WHERE id = ?", at, evidence, known.id)
    if worst[0] and not known.is_broken:
        # Acceptance of a suspicious file does not extend to a broken one.
        catalog.execute("UPDATE findings SET accepted_at = NULL WHERE id = ?", known.id)


def _open_finding(catalog: Catalog, file_id: int, at: int, evidence: str) -> None:
    row = catalog.fetch_one("SELECT name, shoot_id FROM files WHERE id = ?", file_id)
    assert row is not None
    read = catalog.fetch_one(
        "SELECT folder, name FROM card_files WHERE file_id = ? ORDER BY id DESC LIMIT 1", file_id
    ) or catalog.fetch_one(
        "SELECT d.path, c.name FROM copies c JOIN folders d ON d.id = c.folder_id WHERE c.file_id = ? LIMIT 1",
        file_id,
    )
    catalog.execute(
        "INSERT INTO findings (kind, place_id, path, file_id, shoot_id, since, seen_at, evidence)"
        " VALUES (?, NULL, ?, ?, ?, ?, ?, ?)",
        FindingKind.DAMAGED_AT_SOURCE,
        to_db(join_path(*read)) if read else row[0],
        file_id,
        row[1],
        at,
        at,
        evidence,
    )
