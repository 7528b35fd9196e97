"""What people decided, as it lies on drives, taken over by a new catalog or one that was restored.

`work.leaving_decisions` leaves it there.
"""

from __future__ import annotations

import contextlib
import zlib
from collections.abc import Iterable, Sequence

import msgspec

from tripleguard.catalog import generations
from tripleguard.catalog.decisions import Decisions, name_in
from tripleguard.catalog.restoring import NO_SENSE, take_over
from tripleguard.catalog.store import Catalog
from tripleguard.errors import CopyTrouble
from tripleguard.names import is_safe_path
from tripleguard.places.drive import Drive
from tripleguard.places.own import ASIDE, DECISIONS, reaches_own

_LARGEST_PACKED = 64 * 1024 * 1024
_LARGEST = 512 * 1024 * 1024
_MOST = 64
"""Files of decisions that are looked at on one drive."""


def take_over_decisions(catalog: Catalog, found: Sequence[Decisions], known_as: str | None, number: int) -> None:
    """Take over decisions, in their order; those that make no sense are passed over. Call inside `writing`.

    known_as, number: the id that this catalog had, and its latest generation then.
    """
    for said in found:
        later = known_as in (said.catalog, *said.former) and said.generation >= number
        try:
            with catalog.attempt():
                take_over(catalog, said, later=later)
        except NO_SENSE:
            if not catalog.is_writing:
                raise


def decisions_on(drives: Iterable[Drive], of: str | None = None) -> list[Decisions]:
    """The decisions that lie on these drives, earliest first; what is damaged or hostile is passed over.

    of: only those of the catalog with this id.
    """
    found: list[Decisions] = []
    for drive in drives:
        with contextlib.suppress(CopyTrouble):
            names = [entry.name for entry in drive.own_files(DECISIONS) if entry.name.endswith(".json.gz")]
            for name in names[:_MOST]:
                if of is not None and name != f"{of}.json.gz":
                    continue
                with contextlib.suppress(ValueError, zlib.error, CopyTrouble):
                    found.append(_read(drive, name))
    return sorted(found, key=lambda one: (len(one.former), one.generation, one.at))


def _read(drive: Drive, name: str) -> Decisions:
    """One file of decisions. Raises ValueError, zlib.error, CopyTrouble for what can't be used."""
    packed = drive.look_into_own(f"{DECISIONS}/{name}", _LARGEST_PACKED) or b""
    unzip = zlib.decompressobj(wbits=31)
    content = unzip.decompress(packed, _LARGEST)
    if not unzip.eof:
        raise ValueError("it is cut off or too large")
    try:
        said = msgspec.json.decode(content, type=Decisions)
    except (msgspec.MsgspecError, RecursionError) as error:
        raise ValueError(str(error)) from error
    if f"{said.catalog}.json.gz" != name or not generations.is_catalog_id(said.catalog):
        raise ValueError("it is that of another catalog")
    paths = [*(one.path for one in said.accepted), *(one.path for one in said.versions)]
    for path in map(name_in, paths):
        if path and (not is_safe_path(path) or (reaches_own(path) and not path.startswith(f"{ASIDE}/"))):
            raise ValueError("a path that tripleguard keeps for itself")
    return said
