"""Write check lists and catalog snapshots offsite, and read the snapshots back.

Each shoot's folder has its check list, as on the drives, and a few generations of the compressed catalog are kept:
the bucket describes itself, and losing the bag loses neither pictures nor records. Lines that someone else added
to a list are kept.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

from tripleguard import checklist
from tripleguard.catalog import due_copies
from tripleguard.catalog.file_updates import record_checklist_written
from tripleguard.catalog.offsite import list_stored_digests
from tripleguard.clock import SystemClock, format_stamp
from tripleguard.errors import CatalogError, CopyError, NameTakenError, TripleguardError
from tripleguard.home import delete_scratch, prepare_scratch_path
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.copying.buffers import CHUNK_BYTES
from tripleguard.jobs.drive_records import MAX_SNAPSHOTS, compress_file
from tripleguard.jobs.drive_setup import ensure_catalog_id
from tripleguard.jobs.offsite.encryption import AGE_SUFFIX, DecryptionKey, encrypt_bytes
from tripleguard.jobs.offsite.offsite_place import OpenOffsite, open_s3_lister
from tripleguard.jobs.snapshots import PackedSnapshot
from tripleguard.layout import build_shoot_folder
from tripleguard.model import Shoot
from tripleguard.names import escape_text
from tripleguard.places.base import PlaceAccess, Readable
from tripleguard.places.cache_bypass import allocate_aligned
from tripleguard.places.object_store import open_offsite_place
from tripleguard.places.offsite_url import get_environment, open_object_store, parse_offsite_url
from tripleguard.places.reserved import CHECKLIST_NAME, SNAPSHOTS_DIR

_MAX_CHECKLIST_BYTES = 256 * 1024 * 1024


def write_checklists_and_snapshot(
    ctx: JobContext, offsite: OpenOffsite, throttle: Callable[[int], None]
) -> list[TripleguardError]:
    """Update check lists and the catalog for new copies offsite; return the errors."""
    lagging = due_copies.list_stale_checklists(ctx.catalog, offsite.record.id)
    if not lagging:
        return []
    troubles: list[TripleguardError] = []
    done: list[Shoot] = []
    for shoot in lagging:
        try:
            _write_checklist(ctx, offsite, shoot, throttle)
            done.append(shoot)
        except NameTakenError as error:
            troubles.append(error)
        except TripleguardError as error:
            return [*troubles, error]
    try:
        _write_snapshot(ctx, offsite, throttle)
    except TripleguardError as error:
        return [*troubles, error]
    except OSError as error:
        troubles.append(
            CatalogError(
                f"No copy of the catalog could be made ({error.strerror or error}).",
                safe="The pictures are not affected.",
                do="Check that the laptop's disk is not full.",
            )
        )
        return troubles
    with ctx.catalog.transaction():
        for shoot in done:
            record_checklist_written(ctx.catalog, offsite.record.id, shoot.id)
    return troubles


def _write_checklist(ctx: JobContext, offsite: OpenOffsite, shoot: Shoot, throttle: Callable[[int], None]) -> None:
    folder = offsite.place.fit_folder(build_shoot_folder(ctx.settings.layout, shoot.day, shoot.name))
    path = f"{folder}/{CHECKLIST_NAME}"
    lines = {
        at[len(folder) + 1 :]: digest for at, digest in list_stored_digests(ctx.catalog, offsite.record.id, folder)
    }

    def revised(before: bytes | None) -> bytes | None:
        if before is not None and not checklist.is_checklist(before):
            raise _build_checklist_error(path)
        merged = dict(checklist.parse_b3sum(before or b"")) | lines
        content = checklist.format_b3sum(sorted(merged.items()))
        if not content or content == before:
            return None
        throttle(len(content))
        return content

    offsite.place.update_own(path, revised, _MAX_CHECKLIST_BYTES)


def _build_checklist_error(path: str) -> NameTakenError:
    return NameTakenError(
        f"What lies under {escape_text(path)} offsite is no check list.",
        safe="It was left as it is; the pictures are there and proved.",
        do="Move it to another name, then run `upload` again: that shoot gets its list then.",
    )


def _write_snapshot(ctx: JobContext, offsite: OpenOffsite, throttle: Callable[[int], None]) -> None:
    recipients = ctx.settings.offsite.seal_for
    mine = f"-{ensure_catalog_id(ctx)[:8]}.db.gz"
    fresh = f"catalog-{format_stamp(ctx.clock.now())}{mine}{AGE_SUFFIX if recipients else ''}"
    plain = prepare_scratch_path(ctx.home, f"snapshot-{os.getpid()}-offsite.db")
    try:
        ctx.catalog.back_up_to(plain)
        content = b"".join(compress_file(plain))
    finally:
        delete_scratch(plain)
    if recipients:
        content = encrypt_bytes(content, recipients)
    throttle(len(content))
    offsite.place.write_own(f"{SNAPSHOTS_DIR}/{fresh}", [content])
    try:
        names = offsite.place.list_own_names(SNAPSHOTS_DIR)
    except CopyError:
        # The snapshot was written; remove older ones next time.
        names = []
    older = sorted(name for name in names if mine in name and name != fresh)
    for name in older[: 1 - MAX_SNAPSHOTS]:
        offsite.place.delete_own(f"{SNAPSHOTS_DIR}/{name}")


_ENCRYPTED_REASON = "it is sealed: give your key with --key FILE"


def read_offsite_snapshots(
    places: PlaceAccess, address: str, key: DecryptionKey | None = None
) -> list[PackedSnapshot]:
    """Return the snapshots at an address. key: decrypts encrypted ones.

    Raises UsageError, PlaceError, AccessDeniedError, NetworkError.
    """
    url = parse_offsite_url(address)
    if url.kind == "file":
        drive = places.open_drive(url.folder)
        try:
            paths = [entry.path for entry in drive.list_own_files(SNAPSHOTS_DIR)]
        finally:
            drive.close()
        return [
            (f"offsite: {escape_text(path)}", partial(_read_from_folder, places, url.folder, path, key))
            for path in paths
        ]
    looking = open_s3_lister(url, SystemClock(), lambda: False)
    place = open_offsite_place(open_object_store(url, get_environment()), None, looking)
    paths = sorted(f"{SNAPSHOTS_DIR}/{name}" for name in place.list_own_names(SNAPSHOTS_DIR))
    return [(f"offsite: {escape_text(path)}", partial(_read_chunks, place, path, key)) for path in paths]


def _read_from_folder(places: PlaceAccess, root: Path, path: str, key: DecryptionKey | None) -> Iterator[bytes]:
    with contextlib.closing(places.open_drive(root)) as drive:
        yield from _read_chunks(drive, path, key)


def _read_chunks(place: Readable, path: str, key: DecryptionKey | None) -> Iterator[bytes]:
    if path.endswith(AGE_SUFFIX) and key is None:
        raise ValueError(_ENCRYPTED_REASON)
    reading = place.open_reader(path)
    if path.endswith(AGE_SUFFIX) and key is not None:
        reading = key.decrypt(reading)
    buffer = allocate_aligned(CHUNK_BYTES)
    with contextlib.closing(reading):
        while count := reading.readinto(buffer):
            yield bytes(buffer[:count])
