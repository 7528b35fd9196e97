"""Read a person's decisions that are kept on drives, and apply them to a new or restored catalog.

`jobs.drive_records` writes them there.
"""

from __future__ import annotations

import contextlib
import zlib
from collections.abc import Iterable, Sequence

import msgspec

from tripleguard.catalog import generations
from tripleguard.catalog.decisions import Decisions, decode_name
from tripleguard.catalog.restore_decisions import INVALID_DECISION_ERRORS, restore_decisions
from tripleguard.catalog.store import Catalog
from tripleguard.errors import CopyError
from tripleguard.names import is_safe_path
from tripleguard.places.base import Place
from tripleguard.places.reserved import DECISIONS_DIR, QUARANTINE_DIR, may_reach_reserved_dir

_MAX_PACKED_BYTES = 64 * 1024 * 1024
_MAX_BYTES = 512 * 1024 * 1024
_MAX_FILES_PER_DRIVE = 64
"""How many files of decisions are read from one drive."""


def apply_decisions(
    catalog: Catalog, decisions: Sequence[Decisions], former_catalog_id: str | None, generation: int
) -> None:
    """Apply decisions in their order; skip inconsistent ones. Call inside `transaction`.

    former_catalog_id, generation: the id that this catalog had, and its latest generation then.
    """
    for decided in decisions:
        later = former_catalog_id in (decided.catalog, *decided.former) and decided.generation >= generation
        try:
            with catalog.savepoint():
                restore_decisions(catalog, decided, is_later_state=later)
        except INVALID_DECISION_ERRORS:
            if not catalog.is_in_transaction:
                raise


def read_decisions(drives: Iterable[Place], catalog_id: str | None = None) -> list[Decisions]:
    """Return the decisions on these drives, earliest first; skip damaged or hostile ones.

    catalog_id: only those of this catalog.
    """
    found: list[Decisions] = []
    for drive in drives:
        with contextlib.suppress(CopyError):
            names = [
                entry.name for entry in drive.list_own_files(DECISIONS_DIR) if entry.name.endswith(".json.gz")
            ]
            for name in names[:_MAX_FILES_PER_DRIVE]:
                if catalog_id is not None and name != f"{catalog_id}.json.gz":
                    continue
                with contextlib.suppress(ValueError, zlib.error, CopyError):
                    found.append(_read_decisions_file(drive, name))
    return sorted(found, key=lambda one: (len(one.former), one.generation, one.at))


def _read_decisions_file(drive: Place, name: str) -> Decisions:
    """Return one file of decisions. Raises ValueError, zlib.error, CopyError if it can't be used."""
    packed = drive.read_own_unlocked(f"{DECISIONS_DIR}/{name}", _MAX_PACKED_BYTES) or b""
    unzip = zlib.decompressobj(wbits=31)
    content = unzip.decompress(packed, _MAX_BYTES)
    if not unzip.eof:
        raise ValueError("it is cut off or too large")
    try:
        decisions = msgspec.json.decode(content, type=Decisions)
    except (msgspec.MsgspecError, RecursionError) as error:
        raise ValueError(str(error)) from error
    if f"{decisions.catalog}.json.gz" != name or not generations.is_catalog_id(decisions.catalog):
        raise ValueError("it is that of another catalog")
    paths = [*(one.path for one in decisions.accepted), *(one.path for one in decisions.versions)]
    for path in map(decode_name, paths):
        if path and (
            not is_safe_path(path) or (may_reach_reserved_dir(path) and not path.startswith(f"{QUARANTINE_DIR}/"))
        ):
            raise ValueError("a path that tripleguard keeps for itself")
    return decisions
