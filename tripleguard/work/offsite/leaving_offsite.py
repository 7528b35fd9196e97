"""What is left offsite beside the pictures, so that the bucket explains itself and the laptop can be lost.

A check list in each shoot's folder, as on the drives, and the catalog, packed, in a few generations. A list never
loses a line that somebody else put there.
"""

from __future__ import annotations

import os
from collections.abc import Callable

from tripleguard import checklist
from tripleguard.catalog import due
from tripleguard.catalog.store import Catalog
from tripleguard.catalog.text import joined_path, to_db
from tripleguard.catalog.writing import list_left
from tripleguard.clock import stamp_utc
from tripleguard.errors import CatalogTrouble, CopyTrouble, NameTaken, TripleguardError
from tripleguard.home import forget_scratch, scratch_file
from tripleguard.layout import shoot_folder
from tripleguard.model import Shoot
from tripleguard.names import fitted, shown
from tripleguard.places.drive import Drive
from tripleguard.places.offsite import Offsite
from tripleguard.places.own import CHECK_LIST, SNAPSHOTS
from tripleguard.work.kit import Kit
from tripleguard.work.leaving import KEPT_SNAPSHOTS, packed
from tripleguard.work.offsite.sealing import ENDING, sealed_bytes
from tripleguard.work.offsite.third_place import OpenOffsite
from tripleguard.work.setting_up import ensure_catalog_id

_LIST_LIMIT = 256 * 1024 * 1024


def leave_offsite(kit: Kit, offsite: OpenOffsite, pace: Callable[[int], None]) -> list[TripleguardError]:
    """Bring check lists and the catalog up to date there, where copies came since. What failed is returned."""
    lagging = due.lists_due(kit.catalog, offsite.record.id)
    if not lagging:
        return []
    troubles: list[TripleguardError] = []
    done: list[Shoot] = []
    for shoot in lagging:
        try:
            _leave_list(kit, offsite, shoot, pace)
            done.append(shoot)
        except NameTaken as error:
            troubles.append(error)
        except TripleguardError as error:
            return [*troubles, error]
    try:
        _leave_catalog(kit, offsite, pace)
    except TripleguardError as error:
        return [*troubles, error]
    except OSError as error:
        troubles.append(
            CatalogTrouble(
                f"No copy of the catalog could be made ({error.strerror or error}).",
                safe="The pictures are not affected.",
                do="Check that the laptop's disk is not full.",
            )
        )
        return troubles
    with kit.catalog.writing():
        for shoot in done:
            list_left(kit.catalog, offsite.record.id, shoot.id)
    return troubles


def _leave_list(kit: Kit, offsite: OpenOffsite, shoot: Shoot, pace: Callable[[int], None]) -> None:
    folder = shoot_folder(kit.settings.layout, shoot.day, shoot.name)
    if isinstance(offsite.place, Drive):
        folder = fitted(folder, offsite.place.limits)
    path = f"{folder}/{CHECK_LIST}"
    lines = {at[len(folder) + 1 :]: digest for at, digest in _as_they_lie(kit.catalog, offsite.record.id, folder)}

    def revised(before: bytes | None) -> bytes | None:
        if before is not None and not checklist.is_list(before):
            raise _no_list(path)
        merged = dict(checklist.parsed(before or b"")) | lines
        content = checklist.written(sorted(merged.items()))
        if not content or content == before:
            return None
        pace(len(content))
        return content

    place = offsite.place
    if isinstance(place, Offsite):
        place.revise_own(path, revised, _LIST_LIMIT)
        return
    if (content := revised(place.read_own(path, _LIST_LIMIT))) is not None:
        place.write_own(path, [content])


def _no_list(path: str) -> NameTaken:
    return NameTaken(
        f"What lies under {shown(path)} offsite is no check list.",
        safe="It was left as it is; the pictures are there and proved.",
        do="Move it to another name, then run `upload` again: that shoot gets its list then.",
    )


def _as_they_lie(catalog: Catalog, place_id: int, folder: str) -> list[tuple[str, bytes]]:
    """Path and digest of the bytes that lie there, for every proved copy below a folder."""
    below = to_db(folder + "/")
    rows = catalog.rows(
        "SELECT d.path, c.name, coalesce(o.blake3, f.digest) FROM folders d JOIN copies c ON c.folder_id = d.id"
        " JOIN files f ON f.id = c.file_id LEFT JOIN objects o ON o.copy_id = c.id WHERE d.place_id = ?"
        " AND c.state = 'present' AND c.verified_at IS NOT NULL"
        " AND (d.path = ? OR substr(d.path, 1, length(?)) = ?)",
        place_id,
        to_db(folder),
        below,
        below,
    )
    return [(joined_path(path, name), digest) for path, name, digest in rows]


def _leave_catalog(kit: Kit, offsite: OpenOffsite, pace: Callable[[int], None]) -> None:
    recipients = kit.settings.offsite.seal_for
    mine = f"-{ensure_catalog_id(kit)[:8]}.db.gz"
    fresh = f"catalog-{stamp_utc(kit.clock.now())}{mine}{ENDING if recipients else ''}"
    plain = scratch_file(kit.home, f"snapshot-{os.getpid()}-offsite.db")
    try:
        kit.catalog.copy_into(plain)
        content = b"".join(packed(plain))
    finally:
        forget_scratch(plain)
    if recipients:
        content = sealed_bytes(content, recipients)
    pace(len(content))
    offsite.place.write_own(f"{SNAPSHOTS}/{fresh}", [content])
    names = _own_names(offsite)
    older = sorted(name for name in names if mine in name and name != fresh)
    for name in older[: 1 - KEPT_SNAPSHOTS]:
        offsite.place.forget_own(f"{SNAPSHOTS}/{name}")


def _own_names(offsite: OpenOffsite) -> list[str]:
    if isinstance(offsite.place, Drive):
        return [entry.name for entry in offsite.place.own_files(SNAPSHOTS)]
    try:
        return [lying.key.rpartition("/")[2] for lying in offsite.place.own_objects(SNAPSHOTS)]
    except CopyTrouble:
        return []
