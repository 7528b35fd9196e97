"""The snapshots of catalogs that lie on drives: found, unpacked, and looked at before anything rests on them.

A snapshot's name carries a time, and a clock may have been wrong: which of two of one catalog is the later one is
told by what it noted, never by its name.
"""

from __future__ import annotations

import contextlib
import os
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

from tripleguard.catalog import questions
from tripleguard.catalog.inheriting import newest_rows
from tripleguard.catalog.store import Catalog, create_catalog, trouble_in
from tripleguard.errors import CopyTrouble, TripleguardError
from tripleguard.home import Home, forget_scratch, scratch_file, scratch_room, write_scratch
from tripleguard.names import shown
from tripleguard.places.drive import Drive
from tripleguard.places.own import SNAPSHOTS

_PIECE = 1024 * 1024
_ROOM_LEFT = 256 * 1024 * 1024


@dataclass(frozen=True, slots=True)
class Snapshot:
    """One usable snapshot, unpacked. events: how much its catalog had noted; source: where it lay.

    newest: what it noted last, which tells two catalogs apart that went on from one.
    """

    source: str
    catalog: Catalog
    catalog_id: str
    events: int
    files: int
    newest: tuple[object, ...]


@dataclass(frozen=True, slots=True)
class Unusable:
    """A snapshot that can't be used, and why in plain words."""

    source: str
    why: str


Packed = tuple[str, Callable[[], Iterator[bytes]]]
"""A snapshot as it lies somewhere: where, and its bytes piece by piece. Raises OSError, TripleguardError."""


@contextlib.contextmanager
def snapshots_on(
    home: Home, drives: Sequence[Drive], further: Iterable[Packed] = (), *, of: str | None = None
) -> Iterator[tuple[list[Snapshot], list[Unusable]]]:
    """The snapshots on these drives that can be used, the one that knows most first, and those that can't.

    further: snapshots that lie elsewhere. Of one catalog's snapshots with the same last event only one is kept.
    of: only those of the catalog with this id. All are gone again afterwards.
    """
    usable: list[Snapshot] = []
    unusable: list[Unusable] = []
    made: list[Path] = []
    try:
        for source, pieces in (*(one for drive in drives for one in _on_drive(drive, of)), *further):
            plain = scratch_file(home, f"found-{os.getpid()}-{len(made)}.db")
            made.append(plain)
            try:
                write_scratch(plain, _unpacked(pieces(), scratch_room(home) - _ROOM_LEFT))
                found = _looked_at(plain, source)
                if of is not None and found.catalog_id != of:
                    found.catalog.close()
                    continue
            except (OSError, zlib.error, ValueError, TripleguardError) as error:
                unusable.append(Unusable(source, str(error).splitlines()[0] if str(error) else "it is damaged"))
                continue
            if any((one.catalog_id, one.newest) == (found.catalog_id, found.newest) for one in usable):
                found.catalog.close()
                continue
            usable.append(found)
        usable.sort(key=lambda one: (-one.files, -one.events))
        yield usable, unusable
    finally:
        for one in usable:
            one.catalog.close()
        for plain in made:
            forget_scratch(plain)


def _on_drive(drive: Drive, of: str | None) -> list[Packed]:
    ending = f"-{of[:8]}.db.gz" if of else ".db.gz"
    try:
        paths = [entry.path for entry in drive.own_files(SNAPSHOTS) if entry.name.endswith(ending)]
    except CopyTrouble:
        return []
    return [(f"{drive.name}: {shown(path)}", partial(_pieces, drive, path)) for path in paths]


def _pieces(drive: Drive, path: str) -> Iterator[bytes]:
    descriptor = drive.open_for_reading(path)
    try:
        while packed := os.read(descriptor, _PIECE):
            yield packed
    finally:
        os.close(descriptor)


def _unpacked(pieces: Iterator[bytes], room: int) -> Iterator[memoryview]:
    """A snapshot's bytes. Raises OSError, zlib.error, ValueError if it is cut off or larger than room."""
    unzip = zlib.decompressobj(wbits=31)
    total = 0
    for packed in pieces:
        left = packed
        while left:
            piece = unzip.decompress(left, _PIECE)
            left = unzip.unconsumed_tail
            total += len(piece)
            if total > room:
                raise ValueError("there is no room to unpack it on the disk of the home")
            yield memoryview(piece)
            if unzip.eof:
                return
    raise ValueError("it is cut off")


def _looked_at(plain: Path, source: str) -> Snapshot:
    """Open an unpacked snapshot, check it whole, bring it up to date. Raises TripleguardError."""
    trouble = trouble_in(plain)
    if trouble is not None:
        raise ValueError(trouble)
    catalog = create_catalog(plain)
    try:
        events = catalog.row("SELECT coalesce(max(id), 0) FROM events")
        files = catalog.row("SELECT count(*) FROM files")
        assert events is not None
        assert files is not None
        known_as = questions.meta(catalog, "catalog_id") or ""
        return Snapshot(source, catalog, known_as, events[0], files[0], newest_rows(catalog))
    except BaseException:
        catalog.close()
        raise
