"""The generations of a catalog, by which a drive can detect that it was restored from an older copy.

Each generation is a number and a random token. The catalog keeps all of its own; each drive keeps the last one
that it saw. A token on a drive that the catalog never had comes from a later state of it, or from another laptop
that continued from a copy of it.
"""

from __future__ import annotations

import json
import re
import secrets
from dataclasses import dataclass

from tripleguard.catalog.merge_catalogs import IdMap, ensure_folder_id
from tripleguard.catalog.rows import INHERIT_EVIDENCE, from_db, split_path
from tripleguard.catalog.store import Catalog
from tripleguard.model import CopyState, FindingKind

_CATALOG_ID_KEY = "catalog_id"
_FORMER_IDS_KEY = "former_catalog_ids"
_ID_PATTERN = re.compile(r"[0-9a-f]{32}")


@dataclass(frozen=True, slots=True)
class Generation:
    """One state of the catalog with this id."""

    catalog_id: str
    number: int
    token: str

    def __post_init__(self) -> None:
        """Raise ValueError for values that no catalog of ours contains."""
        if not (is_catalog_id(self.catalog_id) and is_catalog_id(self.token) and 0 < self.number < 1 << 62):
            raise ValueError("it is no generation of a catalog")


def is_catalog_id(text: str) -> bool:
    """Return whether a text has the form of a catalog's id, so that it is safe in a file name."""
    return _ID_PATTERN.fullmatch(text) is not None


def get_catalog_id(catalog: Catalog) -> str | None:
    """Return the id of this catalog; None if it has none yet."""
    return _get_fact(catalog, _CATALOG_ID_KEY)


def list_former_ids(catalog: Catalog) -> list[str]:
    """Return this catalog's former ids, the earliest first."""
    return (_get_fact(catalog, _FORMER_IDS_KEY) or "").split()


def get_last_former_id(catalog: Catalog) -> str | None:
    """Return the last former id; None if there is none."""
    return next(reversed(list_former_ids(catalog)), None)


def begin_generation(catalog: Catalog, at: int) -> Generation:
    """Record a new generation at a time (UTC ns). Call inside `transaction`.

    Write it to drives only after the transaction.
    """
    known_as = get_catalog_id(catalog) or assign_new_id(catalog)
    token = secrets.token_hex(16)
    number = catalog.execute("INSERT INTO generations (token, at) VALUES (?, ?)", token, at)
    return Generation(known_as, number, token)


def get_latest_number(catalog: Catalog) -> int:
    """Return the number of the catalog's latest generation; 0 if it has none."""
    row = catalog.fetch_one("SELECT coalesce(max(number), 0) FROM generations")
    assert row is not None
    return int(row[0])


def is_known_generation(catalog: Catalog, token: str) -> bool:
    """Return whether the catalog once had the generation with this token."""
    return catalog.fetch_one("SELECT 1 FROM generations WHERE token = ?", token) is not None


def acknowledge_generation(catalog: Catalog, token: str, at: int) -> None:
    """Accept a generation that was read from a drive as known. Call inside `transaction`.

    Only for a catalog whose evidence is all inherited.
    """
    catalog.execute("INSERT INTO generations (token, at) VALUES (?, ?) ON CONFLICT DO NOTHING", token, at)


def assign_new_id(catalog: Catalog) -> str:
    """Give the catalog a new id, and keep the former one. Call inside `transaction`."""
    former, fresh = get_catalog_id(catalog), secrets.token_hex(16)
    _set_fact(catalog, _CATALOG_ID_KEY, fresh)
    if former:
        _set_fact(catalog, _FORMER_IDS_KEY, " ".join([*list_former_ids(catalog), former]))
    return fresh


def mark_evidence_inherited(catalog: Catalog) -> None:
    """Make all evidence inherited: no copy counts until it is read back. Call inside `transaction`."""
    catalog.execute(INHERIT_EVIDENCE)


def import_faults(catalog: Catalog, later_catalog: Catalog, id_map: IdMap) -> None:
    """Import the bad states of copies and the open findings of a later state of this catalog.

    id_map: as `merge_catalog` returned it. Call inside `transaction`; later_catalog is only read.
    """
    for place_id, path, name, digest, state, since in later_catalog.fetch_all(
        "SELECT c.place_id, d.path, c.name, f.digest, c.state, c.state_since FROM copies c"
        " JOIN folders d ON d.id = c.folder_id JOIN files f ON f.id = c.file_id WHERE c.state IN (?, ?, ?)",
        CopyState.MISSING,
        CopyState.CORRUPT,
        CopyState.ALTERED,
    ):
        catalog.execute(
            "UPDATE copies SET state = ?, state_since = ? WHERE state = 'present' AND folder_id = ? AND name = ?"
            " AND file_id = (SELECT id FROM files WHERE digest = ?)",
            state,
            since,
            ensure_folder_id(catalog, id_map.places[place_id], path),
            name,
            digest,
        )
    for kind, place_id, path, file_id, shoot_id, since, seen_at, evidence in later_catalog.fetch_all(
        "SELECT kind, place_id, path, file_id, shoot_id, since, seen_at, evidence FROM findings"
        " WHERE closed_at IS NULL AND place_id IS NOT NULL"
    ):
        found = _KnownFault(
            FindingKind(kind), id_map.places[place_id], path, None if file_id is None else id_map.files[file_id]
        )
        if not isinstance(json.loads(evidence), dict):
            raise TypeError("evidence that is none")
        shoot = None if shoot_id is None else id_map.shoots[shoot_id]
        _open_finding(catalog, found, (shoot, since, seen_at, evidence))


@dataclass(frozen=True, slots=True)
class _KnownFault:
    """A fault at one path of a place of this catalog; path as in the tables."""

    kind: FindingKind
    place_id: int
    path: str | bytes
    file_id: int | None


def _open_finding(catalog: Catalog, fault: _KnownFault, values: tuple[object, ...]) -> None:
    if catalog.fetch_one(
        "SELECT 1 FROM findings WHERE place_id = ? AND path = ? AND kind = ? AND closed_at IS NULL",
        fault.place_id,
        fault.path,
        fault.kind,
    ):
        return
    copy = catalog.fetch_one(
        "SELECT c.id FROM copies c JOIN folders d ON d.id = c.folder_id WHERE d.place_id = ? AND d.path = ?"
        " AND c.name = ? AND c.file_id IS ?",
        fault.place_id,
        *split_path(from_db(fault.path)),
        fault.file_id,
    )
    catalog.execute(
        "INSERT INTO findings (kind, place_id, path, file_id, copy_id, shoot_id, since, seen_at, evidence)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        fault.kind,
        fault.place_id,
        fault.path,
        fault.file_id,
        copy[0] if copy else None,
        *values,
    )


def _set_fact(catalog: Catalog, key: str, value: str) -> None:
    catalog.execute(
        "INSERT INTO meta (key, value) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
        key,
        value,
    )


def _get_fact(catalog: Catalog, key: str) -> str | None:
    row = catalog.fetch_one("SELECT value FROM meta WHERE key = ?", key)
    return str(row[0]) if row else None
