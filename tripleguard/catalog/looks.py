"""What looks into the camera's own files told, and which of them are damaged at source.

A flaw that nearly all files of a model have is a habit of that model and no damage. Whether it is one can
change as more files come in, in both directions, so the flaws of each file are kept, and `settle_habits` opens or
closes the findings that hang on it. Such a finding is about a file, wherever its copies lie: no rescan closes it.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

from tripleguard.catalog.store import Catalog, Row
from tripleguard.catalog.text import from_db, joined_path, to_db
from tripleguard.model import DECODING_EXPLAINS, FindingKind, Flaw, Traits, Verdict, Wholeness

FEWEST_FILES = 20
"""Files of a model and form that must have been looked through before anything is called its habit."""

NEARLY_ALL = 0.9
"""Share of them that must have a flaw for it to be a habit."""


DECODES = "it decodes without faults"
"""Why a file is called clean that a look alone could not call so."""


@dataclass(frozen=True, slots=True)
class Damaged:
    """A file that is damaged at source. id: of the finding. accepted: by a person.

    path: on the card, or on a drive where it was read from no card (from_card False).
    """

    id: int
    file_id: int
    path: str
    shoot_id: int | None
    since: int
    broken: bool
    why: str
    sign: str
    accepted: bool
    from_card: bool = True


@dataclass(frozen=True, slots=True)
class Habit:
    """What nearly all files of one form of one model have, and why that is told at all."""

    model: str
    extension: str
    why: str
    files: int


def enter_look(catalog: Catalog, file_id: int, verdict: Verdict, traits: Traits, at: int) -> None:
    """Keep what a look through a file told, in place of an earlier one. Call inside `writing`.

    What a decoder said of the file before is kept.
    """
    verdict = _as_decoded(catalog, file_id, verdict)
    form_id = form_of(catalog, file_id)
    catalog.run(
        "INSERT INTO looks (file_id, form_id, at, verdict, why, width, height, orientation, rating)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (file_id) DO UPDATE SET at = excluded.at,"
        " verdict = excluded.verdict, why = excluded.why, width = excluded.width, height = excluded.height,"
        " orientation = excluded.orientation, rating = excluded.rating",
        file_id,
        form_id,
        at,
        verdict.wholeness,
        verdict.why,
        traits.width,
        traits.height,
        traits.orientation,
        traits.rating,
    )
    catalog.run("DELETE FROM flaws WHERE file_id = ? AND decoded = 0", file_id)
    _enter_flaws(catalog, file_id, verdict.flaws, decoded=False)
    reconsider(catalog, file_id, at)


def _as_decoded(catalog: Catalog, file_id: int, verdict: Verdict) -> Verdict:
    """Return a verdict without what decoding this very file has explained before."""
    row = catalog.row("SELECT why FROM looks WHERE file_id = ?", file_id)
    if row is None or row[0] != DECODES:
        return verdict
    left = tuple(flaw for flaw in verdict.flaws if flaw.grave or not flaw.sign.startswith(DECODING_EXPLAINS))
    return Verdict(verdict.wholeness, left) if left else Verdict(Wholeness.CLEAN, why=DECODES)


def enter_decoded(catalog: Catalog, file_id: int, flaws: Sequence[Flaw], at: int, *, decoded: bool) -> None:
    """Keep what decoding the whole file told. decoded False: no decoder reads it. Call inside `writing`."""
    catalog.run("UPDATE looks SET decoded_at = ? WHERE file_id = ?", at, file_id)
    if decoded and not flaws:
        for sign in DECODING_EXPLAINS:
            catalog.run(
                "DELETE FROM flaws WHERE file_id = ? AND decoded = 0 AND grave = 0 AND substr(sign, 1, ?) = ?",
                file_id,
                len(sign),
                sign,
            )
        catalog.run(
            "UPDATE looks SET verdict = ?, why = ? WHERE file_id = ? AND verdict IN (?, ?)"
            " AND NOT EXISTS (SELECT 1 FROM flaws w WHERE w.file_id = looks.file_id)",
            Wholeness.CLEAN,
            DECODES,
            file_id,
            Wholeness.UNCHECKED,
            Wholeness.SUSPICIOUS,
        )
    _enter_flaws(catalog, file_id, flaws, decoded=True)
    reconsider(catalog, file_id, at)


def enter_flaw(catalog: Catalog, file_id: int, flaw: Flaw, at: int) -> None:
    """Add what was noticed about a file in another way than by looking into it. Call inside `writing`."""
    catalog.run(
        "INSERT INTO looks (file_id, form_id, at, verdict, why) VALUES (?, ?, ?, ?, '') ON CONFLICT DO NOTHING",
        file_id,
        form_of(catalog, file_id),
        at,
        Wholeness.UNCHECKED,
    )
    _enter_flaws(catalog, file_id, (flaw,), decoded=True)
    reconsider(catalog, file_id, at)


def take_back(catalog: Catalog, file_id: int, sign: str, at: int) -> None:
    """What was noticed about a file holds no longer. Call inside `writing`."""
    catalog.run("DELETE FROM flaws WHERE file_id = ? AND sign = ?", file_id, sign)
    reconsider(catalog, file_id, at)


def undecoded(catalog: Catalog) -> int:
    """How many raws and pictures were looked through and not decoded yet."""
    row = catalog.row(
        "SELECT count(*) FROM looks l JOIN files f ON f.id = l.file_id WHERE l.decoded_at IS NULL"
        " AND f.kind IN ('raw', 'picture')"
    )
    return int(row[0]) if row else 0


def awaits_decoding(catalog: Catalog, file_id: int) -> bool:
    """Whether a raw or picture was looked through and not decoded yet."""
    row = catalog.row(
        "SELECT 1 FROM looks l JOIN files f ON f.id = l.file_id WHERE l.file_id = ? AND l.decoded_at IS NULL"
        " AND f.kind IN ('raw', 'picture')",
        file_id,
    )
    return row is not None


def to_decode(catalog: Catalog, place_ids: Sequence[int], below: int | None, limit: int) -> list[tuple[int, int]]:
    """Files that were not decoded yet, newest first, each with a verified copy on one of these places.

    below: only files with a lower number. The result is file and copy, by their numbers.
    """
    places = ",".join("?" * len(place_ids))
    rows = catalog.rows(
        "SELECT l.file_id, (SELECT c.id FROM copies c WHERE c.file_id = l.file_id AND c.state = 'present'"
        f" AND c.verified_at IS NOT NULL AND c.place_id IN ({places}) ORDER BY c.place_id LIMIT 1) AS copy"
        " FROM looks l JOIN files f ON f.id = l.file_id WHERE l.decoded_at IS NULL AND l.file_id < ?"
        " AND f.kind IN ('raw', 'picture') AND copy IS NOT NULL ORDER BY l.file_id DESC LIMIT ?",
        *place_ids,
        2**62 if below is None else below,
        limit,
    )
    return [(row[0], row[1]) for row in rows]


def has_look(catalog: Catalog, file_id: int) -> bool:
    """Whether a file was looked through."""
    return catalog.row("SELECT 1 FROM looks WHERE file_id = ?", file_id) is not None


def damage_of(catalog: Catalog, file_id: int) -> Damaged | None:
    """The open finding that a file is damaged at source, accepted or not."""
    row = catalog.row(f"{_DAMAGED} AND file_id = ?", file_id)
    return _damaged(row) if row else None


def damaged_files(catalog: Catalog, limit: int = 100_000) -> list[Damaged]:
    """All files that are damaged at source, oldest finding first, the accepted ones too."""
    return [_damaged(row) for row in catalog.rows(f"{_DAMAGED} ORDER BY since, id LIMIT ?", limit)]


def damaged_in(catalog: Catalog, job_id: int) -> list[Damaged]:
    """Those that a job read from a card."""
    return [
        _damaged(row)
        for row in catalog.rows(
            f"{_DAMAGED} AND file_id IN (SELECT file_id FROM card_files WHERE job_id = ?) ORDER BY id", job_id
        )
    ]


def verdicts_in(catalog: Catalog, job_id: int) -> dict[Wholeness, int]:
    """How many of the files that a job read have which verdict, habits not taken into account."""
    rows = catalog.rows(
        "SELECT l.verdict, count(*) FROM (SELECT DISTINCT file_id FROM card_files WHERE job_id = ?) c"
        " JOIN looks l ON l.file_id = c.file_id GROUP BY l.verdict",
        job_id,
    )
    return {Wholeness(verdict): count for verdict, count in rows}


def unchecked_in(catalog: Catalog, job_id: int) -> list[tuple[str, str]]:
    """Return the name of each file that a job read and that could not be checked, and why not."""
    rows = catalog.rows(
        "SELECT f.name, l.why FROM (SELECT DISTINCT file_id FROM card_files WHERE job_id = ?) c"
        " JOIN looks l ON l.file_id = c.file_id JOIN files f ON f.id = c.file_id WHERE l.verdict = ?"
        " AND NOT EXISTS (SELECT 1 FROM flaws w WHERE w.file_id = l.file_id) ORDER BY f.id",
        job_id,
        Wholeness.UNCHECKED,
    )
    return [(from_db(name), why or "") for name, why in rows]


def look_at(catalog: Catalog, file_id: int) -> Verdict | None:
    """Return what the look into one file told, without its flaws; None if it was not looked through."""
    row = catalog.row("SELECT verdict, why FROM looks WHERE file_id = ?", file_id)
    return Verdict(Wholeness(row[0]), why=row[1] or "") if row is not None else None


def settle_habits(catalog: Catalog, at: int) -> None:
    """See which flaws are habits of a model now and which are no more. Call inside `writing`."""
    rows = catalog.rows(
        "SELECT h.form_id, h.sign, h.files, f.files, h.since IS NOT NULL FROM habits h"
        " JOIN forms f ON f.id = h.form_id"
    )
    for form_id, sign, having, files, was in rows:
        now = files >= FEWEST_FILES and having >= NEARLY_ALL * files
        if now == bool(was):
            continue
        catalog.run(
            "UPDATE habits SET since = ? WHERE form_id = ? AND sign = ?", at if now else None, form_id, sign
        )
        for (file_id,) in catalog.rows("SELECT file_id FROM flaws WHERE form_id = ? AND sign = ?", form_id, sign):
            reconsider(catalog, file_id, at)


def recount_forms(catalog: Catalog) -> None:
    """Count anew what the triggers keep count of, where rows came in without them. Call inside `writing`."""
    catalog.run("UPDATE forms SET files = (SELECT count(*) FROM looks l WHERE l.form_id = forms.id)")
    catalog.run(
        "INSERT INTO habits (form_id, sign) SELECT DISTINCT form_id, sign FROM flaws"
        " WHERE habit = 1 AND form_id IS NOT NULL ON CONFLICT DO NOTHING"
    )
    catalog.run(
        "UPDATE habits SET files = (SELECT count(*) FROM flaws w"
        " WHERE w.form_id = habits.form_id AND w.sign = habits.sign AND w.habit = 1)"
    )


def habits(catalog: Catalog, job_id: int | None = None) -> list[Habit]:
    """What is a habit of a model now; of those that a job's files have, or of all."""
    seen = (
        " AND h.form_id IN (SELECT l.form_id FROM card_files c JOIN looks l ON l.file_id = c.file_id"
        " WHERE c.job_id = ?)"
    )
    rows = catalog.rows(
        "SELECT f.model, f.extension, h.files, (SELECT why FROM flaws w WHERE w.form_id = h.form_id"
        " AND w.sign = h.sign LIMIT 1) FROM habits h JOIN forms f ON f.id = h.form_id"
        f" WHERE h.since IS NOT NULL{seen if job_id is not None else ''} ORDER BY f.model, f.extension, h.sign",
        *([job_id] if job_id is not None else []),
    )
    return [Habit(model, extension, why or "", files) for model, extension, files, why in rows]


_DAMAGED = (
    "SELECT id, file_id, path, shoot_id, since, evidence, accepted_at,"
    " EXISTS (SELECT 1 FROM card_files k WHERE k.file_id = findings.file_id) FROM findings"
    f" WHERE kind = '{FindingKind.DAMAGED_AT_SOURCE}' AND place_id IS NULL AND closed_at IS NULL"
)


def _damaged(row: Row) -> Damaged:
    told = json.loads(row[5])
    return Damaged(
        id=row[0],
        file_id=row[1],
        path=from_db(row[2]),
        shoot_id=row[3],
        since=row[4],
        broken=bool(told["broken"]),
        why=str(told["why"]),
        sign=str(told["sign"]),
        accepted=row[6] is not None,
        from_card=bool(row[7]),
    )


def form_of(catalog: Catalog, file_id: int) -> int | None:
    """The form of a file: the model that wrote it and its extension; None of an unknown camera."""
    row = catalog.row(
        "SELECT b.make, b.model, f.name FROM files f JOIN bodies b ON b.id = f.body_id WHERE f.id = ?", file_id
    )
    if row is None:
        return None
    extension = from_db(row[2]).rpartition(".")[2].casefold()
    catalog.run(
        "INSERT INTO forms (make, model, extension) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
        row[0],
        row[1],
        extension,
    )
    found = catalog.row(
        "SELECT id FROM forms WHERE make = ? AND model = ? AND extension = ?", row[0], row[1], extension
    )
    assert found is not None
    return int(found[0])


def _enter_flaws(catalog: Catalog, file_id: int, flaws: Sequence[Flaw], *, decoded: bool) -> None:
    for flaw in flaws:
        catalog.run(
            "INSERT INTO flaws (file_id, sign, form_id, grave, habit, decoded, why)"
            " SELECT file_id, ?, form_id, ?, ?, ?, ? FROM looks WHERE file_id = ? ON CONFLICT DO NOTHING",
            flaw.sign,
            int(flaw.grave),
            int(flaw.habit),
            int(decoded),
            flaw.why,
            file_id,
        )


def reconsider(catalog: Catalog, file_id: int, at: int) -> None:
    """Open, keep or close the finding of a file by the flaws that are no habit of its model."""
    worst = catalog.row(
        "SELECT w.grave, w.sign, w.why FROM flaws w"
        " LEFT JOIN habits h ON h.form_id = w.form_id AND h.sign = w.sign"
        " WHERE w.file_id = ? AND NOT (w.habit = 1 AND h.since IS NOT NULL) ORDER BY w.grave DESC, w.id LIMIT 1",
        file_id,
    )
    if worst is None:
        catalog.run(
            "UPDATE findings SET closed_at = ?, closed_how = ? WHERE file_id = ? AND place_id IS NULL"
            " AND closed_at IS NULL",
            at,
            "it holds together, or nearly all files of this model are so",
            file_id,
        )
        return
    evidence = json.dumps({"broken": bool(worst[0]), "sign": worst[1], "why": worst[2]}, sort_keys=True)
    known = damage_of(catalog, file_id)
    if known is None:
        _open(catalog, file_id, at, evidence)
        return
    catalog.run("UPDATE findings SET seen_at = ?, evidence = ? WHERE id = ?", at, evidence, known.id)
    if worst[0] and not known.broken:
        # What was accepted of a suspicious file is not accepted of a broken one.
        catalog.run("UPDATE findings SET accepted_at = NULL WHERE id = ?", known.id)


def _open(catalog: Catalog, file_id: int, at: int, evidence: str) -> None:
    row = catalog.row("SELECT name, shoot_id FROM files WHERE id = ?", file_id)
    assert row is not None
    read = catalog.row(
        "SELECT folder, name FROM card_files WHERE file_id = ? ORDER BY id DESC LIMIT 1", file_id
    ) or catalog.row(
        "SELECT d.path, c.name FROM copies c JOIN folders d ON d.id = c.folder_id WHERE c.file_id = ? LIMIT 1",
        file_id,
    )
    catalog.run(
        "INSERT INTO findings (kind, place_id, path, file_id, shoot_id, since, seen_at, evidence)"
        " VALUES (?, NULL, ?, ?, ?, ?, ?, ?)",
        FindingKind.DAMAGED_AT_SOURCE,
        to_db(joined_path(*read)) if read else row[0],
        file_id,
        row[1],
        at,
        at,
        evidence,
    )
