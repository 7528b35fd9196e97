"""What a job leaves on a drive beside the copies, so that the archive outlives the tool and the laptop.

A check list in each shoot's folder, in the plain format that `b3sum --check` reads, and a snapshot of the
catalog. A list never loses a line that somebody else put there.
"""

from __future__ import annotations

import os
import threading
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path

from tripleguard import checklist
from tripleguard.catalog import due, folders
from tripleguard.catalog.writing import list_left
from tripleguard.clock import stamp_utc
from tripleguard.errors import CatalogTrouble, CopyTrouble, TripleguardError
from tripleguard.home import forget_scratch, scratch_file
from tripleguard.layout import shoot_folder
from tripleguard.model import Shoot
from tripleguard.names import fitted
from tripleguard.places.own import CHECK_LIST, LISTS, SNAPSHOTS
from tripleguard.work.kit import Kit, OpenDrive
from tripleguard.work.setting_up import ensure_catalog_id

KEPT_SNAPSHOTS = 3
_LIST_LIMIT = 256 * 1024 * 1024


def leave_all(kit: Kit, drives: Sequence[OpenDrive], *, with_snapshots: bool) -> list[TripleguardError]:
    """Bring the check lists that lag behind up to date, and leave a snapshot on each drive that had such.

    A list counts as left only when the snapshot beside it is. What could not be done is returned.
    """
    troubles: list[TripleguardError] = []
    behind: list[tuple[OpenDrive, list[Shoot]]] = []
    for drive in drives:
        lagging = due.lists_due(kit.catalog, drive.record.id)
        try:
            for shoot in lagging:
                _leave_list(kit, drive, shoot)
        except CopyTrouble as error:
            troubles.append(error)
            continue
        if lagging:
            behind.append((drive, lagging))
    if behind and with_snapshots:
        troubles += _leave_snapshots(kit, behind)
    return troubles


def _leave_snapshots(kit: Kit, behind: Sequence[tuple[OpenDrive, list[Shoot]]]) -> list[TripleguardError]:
    """Leave a fresh snapshot of the catalog on each drive, and keep the last few of this catalog."""
    mine = f"-{ensure_catalog_id(kit)[:8]}.db.gz"
    fresh = f"catalog-{stamp_utc(kit.clock.now())}{mine}"
    troubles: list[TripleguardError] = []
    plain = scratch_file(kit.home, f"snapshot-{os.getpid()}-{threading.get_ident()}.db")
    try:
        kit.catalog.copy_into(plain)
        for drive, lagging in behind:
            try:
                drive.place.write_own(f"{SNAPSHOTS}/{fresh}", packed(plain))
                _forget_old(drive, fresh, mine)
            except CopyTrouble as error:
                troubles.append(error)
                continue
            with kit.catalog.writing():
                for shoot in lagging:
                    list_left(kit.catalog, drive.record.id, shoot.id)
    except (OSError, CatalogTrouble) as error:
        troubles.append(
            CatalogTrouble(
                f"No snapshot of the catalog could be made ({error}).",
                safe="The copies are not affected.",
                do="Check that the laptop's disk is not full.",
            )
        )
    finally:
        forget_scratch(plain)
    return troubles


def folder_of(kit: Kit, drive: OpenDrive, shoot: Shoot) -> str:
    """The folder of a shoot on this drive."""
    return fitted(shoot_folder(kit.settings.layout, shoot.day, shoot.name), drive.place.limits)


def _leave_list(kit: Kit, drive: OpenDrive, shoot: Shoot) -> None:
    folder = folder_of(kit, drive, shoot)
    path = f"{folder}/{CHECK_LIST}"
    lines: dict[str, bytes] = {}
    for at, digest in folders.copies_in_folder(kit.catalog, drive.record.id, folder):
        lines[at[len(folder) + 1 :]] = digest
    before = drive.place.read_own(path, _LIST_LIMIT)
    said = checklist.remarks(before) if before is not None else None
    if before is not None and said is not None:
        for name, digest in checklist.parsed(before):
            lines.setdefault(name, digest)
    content = b"".join(line + b"\n" for line in said or ()) + checklist.written(sorted(lines.items()))
    if content and content != before:
        drive.place.write_own(path, [content], replaces=before if said is not None else None)
    _leave_list_of_others(kit, drive, shoot, folder)


def _leave_list_of_others(kit: Kit, drive: OpenDrive, shoot: Shoot, folder: str) -> None:
    """The list of a shoot's copies that lie elsewhere: an archive that was adopted stays as it is."""
    here = folders.copies_of_shoot(kit.catalog, drive.record.id, shoot.id, apart_from=folder)
    path = f"{LISTS}/{fitted(shoot.title, drive.place.limits)}.b3"
    content = checklist.written(here)
    if content and content != drive.place.read_own(path, _LIST_LIMIT):
        drive.place.write_own(path, [content])


def packed(plain: Path) -> Iterator[bytes]:
    """A file's bytes as a gzip stream (RFC 1952), piece by piece."""
    squeeze = zlib.compressobj(level=1, wbits=31)
    with plain.open("rb") as file:
        while piece := file.read(1024 * 1024):
            yield squeeze.compress(piece)
    yield squeeze.flush()


def _forget_old(drive: OpenDrive, fresh: str, mine: str) -> None:
    """Remove the oldest snapshots of this catalog; never the fresh one, whatever the clock says of it."""
    names = sorted(entry.name for entry in drive.place.own_files(SNAPSHOTS))
    older = [name for name in names if name.endswith(mine) and name != fresh]
    for name in older[: 1 - KEPT_SNAPSHOTS]:
        drive.place.forget_own(f"{SNAPSHOTS}/{name}")
