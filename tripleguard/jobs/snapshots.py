"""Open the catalog snapshots on drives, and check a catalog before anything is taken from it.

A snapshot's name contains a time, and a clock may have been wrong: which of two snapshots of one catalog is later
is decided by their events, never by their names. A snapshot on a drive may come from anyone, and its content is
acted upon: a repair puts copies where it says. So no path in it may leave its place or lead into the reserved
folder, and no name in it may be a path.
"""

from __future__ import annotations

import contextlib
import os
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from tripleguard.catalog import file_queries, validation
from tripleguard.catalog.event_log import get_last_event_id
from tripleguard.catalog.merge_catalogs import list_newest_rows
from tripleguard.catalog.store import Catalog, create_catalog, find_open_error
from tripleguard.errors import CatalogError, CopyError, TripleguardError
from tripleguard.home import Home, delete_scratch, get_free_bytes, prepare_scratch_path, write_scratch
from tripleguard.model import CopyState
from tripleguard.names import escape_text, fold_name, is_safe_path
from tripleguard.places.base import Place
from tripleguard.places.reserved import QUARANTINE_DIR, SNAPSHOTS_DIR, is_reserved, may_reach_reserved_dir

_PIECE_BYTES = 1024 * 1024
_FREE_SPACE_RESERVE = 256 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One usable snapshot, decompressed.

    Attributes:
        source: Where it was found.
        events: The number of events in its catalog.
        latest_event: Its last event, which tells apart two catalogs that continued from one.
    """

    source: str
    catalog: Catalog
    catalog_id: str
    events: int
    files: int
    latest_event: tuple[object, ...]


@dataclass(frozen=True, slots=True)
class UnusableSnapshot:
    """A snapshot that can't be used, and why, in plain words."""

    source: str
    reason: str


PackedSnapshot = tuple[str, Callable[[], Iterator[bytes]]]
"""A snapshot's source, and its bytes piece by piece. Raises OSError, TripleguardError."""


@contextlib.contextmanager
def open_snapshots(
    home: Home, drives: Sequence[Place], extra: Iterable[PackedSnapshot] = (), *, catalog_id: str | None = None
) -> Iterator[tuple[list[Snapshot], list[UnusableSnapshot]]]:
    """Yield the usable snapshots on these drives, the most complete first, and the unusable ones.

    extra: snapshots from elsewhere. Of a catalog's snapshots with the same last event only one is kept.
    catalog_id: only those of this catalog. All are deleted afterwards.
    """
    usable: list[Snapshot] = []
    unusable: list[UnusableSnapshot] = []
    made: list[Path] = []
    try:
        for source, pieces in (*(one for drive in drives for one in _packed_snapshots(drive, catalog_id)), *extra):
            plain = prepare_scratch_path(home, f"found-{os.getpid()}-{len(made)}.db")
            made.append(plain)
            try:
                write_scratch(plain, _decompress(pieces(), get_free_bytes(home) - _FREE_SPACE_RESERVE))
                found = _open_snapshot(plain, source)
                if catalog_id is not None and found.catalog_id != catalog_id:
                    found.catalog.close()
                    continue
            except (OSError, zlib.error, ValueError, TripleguardError) as error:
                unusable.append(
                    UnusableSnapshot(source, str(error).splitlines()[0] if str(error) else "it is damaged")
                )
                continue
            if any((one.catalog_id, one.latest_event) == (found.catalog_id, found.latest_event) for one in usable):
                found.catalog.close()
                continue
            usable.append(found)
        usable.sort(key=lambda one: (-one.files, -one.events))
        yield usable, unusable
    finally:
        for one in usable:
            one.catalog.close()
        for plain in made:
            delete_scratch(plain)


def _packed_snapshots(drive: Place, catalog_id: str | None) -> list[PackedSnapshot]:
    ending = f"-{catalog_id[:8]}.db.gz" if catalog_id else ".db.gz"
    try:
        paths = [entry.path for entry in drive.list_own_files(SNAPSHOTS_DIR) if entry.name.endswith(ending)]
    except CopyError:
        return []
    return [(f"{drive.name}: {escape_text(path)}", partial(_read_pieces, drive, path)) for path in paths]


def _read_pieces(drive: Place, path: str) -> Iterator[bytes]:
    descriptor = drive.open_for_reading(path)
    try:
        while packed := os.read(descriptor, _PIECE_BYTES):
            yield packed
    finally:
        os.close(descriptor)


def _decompress(pieces: Iterator[bytes], max_bytes: int) -> Iterator[memoryview]:
    """Yield a snapshot's bytes. Raises OSError, zlib.error, ValueError if truncated or above max_bytes."""
    unzip = zlib.decompressobj(wbits=31)
    total = 0
    for packed in pieces:
        left = packed
        while left:
            piece = unzip.decompress(left, _PIECE_BYTES)
            left = unzip.unconsumed_tail
            total += len(piece)
            if total > max_bytes:
                raise ValueError("there is no room to unpack it on the disk of the home")
            yield memoryview(piece)
            if unzip.eof:
                return
    raise ValueError("it is cut off")


def _open_snapshot(path: Path, source: str) -> Snapshot:
    """Open a decompressed snapshot, check all of it, and migrate it. Raises TripleguardError."""
    trouble = find_open_error(path)
    if trouble is not None:
        raise ValueError(trouble)
    catalog = create_catalog(path)
    try:
        known_as = file_queries.get_meta(catalog, "catalog_id") or ""
        events, files = get_last_event_id(catalog), file_queries.count_files(catalog)
        return Snapshot(source, catalog, known_as, events, files, list_newest_rows(catalog))
    except BaseException:
        catalog.close()
        raise


_QUARANTINE_PREFIX = f"{QUARANTINE_DIR}/"
_QUARANTINE_STATES = (CopyState.QUARANTINED, CopyState.MISSING)


def explain_rejected_catalog(catalog: Catalog) -> str | None:
    """Return why nothing may be taken from another catalog, in plain words; None if it may. Only reads."""
    try:
        return validation.find_invalid_row(catalog) or next(_find_faults(catalog), None)
    except CatalogError as error:
        return error.what
    except (TypeError, ValueError) as error:
        return str(error).splitlines()[0]


def _find_faults(catalog: Catalog) -> Iterator[str]:
    for folder in validation.iter_folder_paths(catalog):
        if not is_safe_path(folder):
            yield "a folder outside its place"
        if may_reach_reserved_dir(folder) and not folder.startswith(_QUARANTINE_PREFIX):
            yield "a folder that tripleguard keeps for itself"
    for path, state in validation.iter_copies_in_hidden_folders(catalog):
        if may_reach_reserved_dir(path) and state not in _QUARANTINE_STATES:
            yield "a copy in a folder that tripleguard keeps for itself"
    # Check lists and clearance records begin with a c, in any spelling.
    for path in validation.iter_copies_named_like(catalog, "c"):
        if is_reserved(fold_name(path)):
            yield "a copy under a name that tripleguard keeps for itself"
    for name in validation.iter_unusable_copy_names(catalog):
        yield f"a copy that is called {name!r}"
    for table, path in validation.iter_other_paths(catalog):
        if not is_safe_path(path) or (may_reach_reserved_dir(path) and not path.startswith(_QUARANTINE_PREFIX)):
            yield f"{table} in a folder that tripleguard keeps for itself"
    for table, name in validation.iter_names_that_are_paths(catalog):
        yield f"{table} with a name that is a path: {name!r}"
