"""Record files, copies and their evidence. All but `apply_drive_copies_rule` runs inside a transaction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from tripleguard.catalog.rows import split_path, to_db
from tripleguard.catalog.store import Catalog
from tripleguard.model import CopyState, Entry, File, FileKind, Medium
from tripleguard.rules import is_untouched_mtime


@dataclass(frozen=True, slots=True)
class FileOrigin:
    """The origin of a file and its camera metadata.

    wall_ns: the camera's wall time counted as UTC, ns. offset: minutes east of UTC.
    """

    name: str
    kind: FileKind
    shoot_id: int
    body_id: int | None = None
    wall_ns: int | None = None
    offset: int | None = None


def ensure_shoot(catalog: Catalog, day: str, name: str, at: int) -> int:
    """Return the id of the shoot of that day and name, added if new."""
    catalog.execute(
        "INSERT INTO shoots (day, name, created_at) VALUES (?, ?, ?) ON CONFLICT DO NOTHING", day, name, at
    )
    row = catalog.fetch_one("SELECT id FROM shoots WHERE day = ? AND name = ?", day, name)
    assert row is not None
    return int(row[0])


def ensure_body(catalog: Catalog, label: str, make: str, model: str, serial: str) -> int:
    """Return the id of a camera body, added if new. label must be free or its own."""
    catalog.execute(
        "INSERT INTO bodies (label, make, model, serial) VALUES (?, ?, ?, ?)"
        " ON CONFLICT (make, model, serial) DO NOTHING",
        label,
        make,
        model,
        serial,
    )
    row = catalog.fetch_one(
        "SELECT id FROM bodies WHERE make = ? AND model = ? AND serial = ?", make, model, serial
    )
    assert row is not None
    return int(row[0])


def ensure_file(
    catalog: Catalog, file: File, origin: FileOrigin, sample: bytes | None, required_copies: int, at: int
) -> int:
    """Return the id of a file, added if its content is new. Existing records are kept."""
    row = catalog.fetch_one("SELECT id, sample FROM files WHERE digest = ?", file.digest)
    if row is not None:
        if row[1] is None and sample is not None:
            catalog.execute("UPDATE files SET sample = ? WHERE id = ?", sample, row[0])
            set_file_size(catalog, row[0], file.size)
        return int(row[0])
    return catalog.execute(
        "INSERT INTO files (digest, size, name, kind, shoot_id, body_id, captured_wall_ns, captured_offset,"
        " sample, first_seen_at, required_copies) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        file.digest,
        file.size,
        to_db(origin.name),
        origin.kind,
        origin.shoot_id,
        origin.body_id,
        origin.wall_ns,
        origin.offset,
        sample,
        at,
        required_copies,
    )


def set_file_size(catalog: Catalog, file_id: int, size: int) -> None:
    """Correct the size of a file after its content was read."""
    row = catalog.fetch_one("SELECT size FROM files WHERE id = ?", file_id)
    if row is None or row[0] == size:
        return
    catalog.execute("UPDATE files SET size = ? WHERE id = ?", size, file_id)
    catalog.execute(
        "UPDATE coverage SET bytes = bytes + ?1 * (SELECT count(*) FROM copies c WHERE c.file_id = ?2"
        "   AND c.shoot_id = coverage.shoot_id AND c.place_id = coverage.place_id AND c.state = 'present'),"
        " good_bytes = good_bytes + ?1 * (SELECT count(*) FROM good_copies c WHERE c.file_id = ?2"
        "   AND c.shoot_id = coverage.shoot_id AND c.place_id = coverage.place_id)"
        " WHERE (shoot_id, place_id) IN (SELECT shoot_id, place_id FROM copies WHERE file_id = ?2)",
        size - row[0],
        file_id,
    )


def set_shoot_of_file(catalog: Catalog, file_id: int, shoot_id: int) -> None:
    """Assign a file and its copies to this shoot."""
    catalog.execute("UPDATE files SET shoot_id = ? WHERE id = ?", shoot_id, file_id)
    catalog.execute("UPDATE copies SET shoot_id = ? WHERE file_id = ?", shoot_id, file_id)


def set_shoot_of_copies(catalog: Catalog, file_id: int, place_id: int, folder: str, shoot_id: int) -> None:
    """Assign the copies of a file directly in this folder of a place to this shoot, and no others."""
    catalog.execute(
        "UPDATE copies SET shoot_id = ? WHERE file_id = ? AND shoot_id <> ? AND folder_id ="
        " (SELECT id FROM folders WHERE place_id = ? AND path = ?)",
        shoot_id,
        file_id,
        shoot_id,
        place_id,
        to_db(folder),
    )


def add_card_file(catalog: Catalog, job_id: int, entry: Entry, file_id: int, read_at: int) -> None:
    """Record that this job read this file at this path of the card."""
    folder, name = split_path(entry.path)
    catalog.execute(
        "INSERT INTO card_files (job_id, folder, name, size, mtime_ns, ctime_ns, file_id, read_at)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (job_id, folder, name) DO UPDATE SET"
        " size = excluded.size, mtime_ns = excluded.mtime_ns, ctime_ns = excluded.ctime_ns,"
        " file_id = excluded.file_id, read_at = excluded.read_at",
        job_id,
        folder,
        name,
        entry.size,
        entry.mtime_ns,
        entry.ctime_ns,
        file_id,
        read_at,
    )


def record_copy(
    catalog: Catalog,
    file_id: int,
    place_id: int,
    shoot_id: int,
    entry: Entry,
    at: int,
    *,
    insertion: str | None = None,
    is_ours: bool = True,
) -> int:
    """Record a flushed and published copy that is not yet read back; return its id.

    is_ours: False if it was found there. insertion: the place's, whose cache has the bytes now; None if unknown.
    """
    folder_id, name = _ensure_folder(catalog, place_id, entry.path)
    written = at if is_ours else None
    catalog.execute(
        "INSERT INTO copies (file_id, place_id, folder_id, name, shoot_id, mtime_ns, state, state_since,"
        " written_at, listed_at, cached_insertion) VALUES (?, ?, ?, ?, ?, ?, 'present', ?, ?, ?, ?)"
        " ON CONFLICT (folder_id, name) DO UPDATE SET file_id = excluded.file_id, mtime_ns = excluded.mtime_ns,"
        " state = 'present', state_since = excluded.state_since, written_at = excluded.written_at,"
        " verified_at = NULL, medium = NULL, listed_at = excluded.listed_at, shoot_id = excluded.shoot_id,"
        " cached_insertion = excluded.cached_insertion",
        file_id,
        place_id,
        folder_id,
        name,
        shoot_id,
        entry.mtime_ns,
        at,
        written,
        at,
        insertion,
    )
    row = catalog.fetch_one("SELECT id FROM copies WHERE folder_id = ? AND name = ?", folder_id, name)
    assert row is not None
    return int(row[0])


def record_copy_verified(
    catalog: Catalog,
    copy_id: int,
    medium: Medium,
    at: int,
    insertion: str | None = None,
    *,
    seen: Entry | None = None,
) -> Medium:
    """Record that the copy was read back and is equal; return the medium that counts.

    seen: its entry right before the reading; None if the place has no such times. insertion: the place's during
    the reading; None if unknown. The first reading through the cache in an insertion came from the device. A later
    one in the same insertion proves nothing new, and takes nothing away.
    """
    if medium is Medium.REMOUNTED:
        _record_reading(catalog, copy_id, Medium.DROPPED, at, at, insertion, seen)
        return medium
    if medium is not Medium.CACHED:
        _record_reading(catalog, copy_id, medium, None, at, insertion, seen)
        return medium
    row = catalog.fetch_one("SELECT cached_insertion, medium, state FROM copies WHERE id = ?", copy_id)
    assert row is not None
    known, earlier, state = row
    # A copy that was missing or bad may have just been put back, and be in the cache.
    if state == CopyState.PRESENT and insertion is not None and known is not None and known != insertion:
        return record_copy_verified(catalog, copy_id, Medium.REMOUNTED, at, insertion, seen=seen)
    if state == CopyState.PRESENT and earlier is not None and Medium(earlier).is_from_device:
        touched = "UPDATE copies SET listed_at = ?, cached_insertion = coalesce(?, cached_insertion) WHERE id = ?"
        catalog.execute(touched, at, insertion, copy_id)
        return Medium.CACHED
    _record_reading(catalog, copy_id, Medium.CACHED, None, at, insertion, seen)
    return Medium.CACHED


def _record_reading(
    catalog: Catalog,
    copy_id: int,
    medium: Medium,
    remounted_at: int | None,
    at: int,
    insertion: str | None,
    seen: Entry | None,
) -> None:
    catalog.execute(
        "UPDATE copies SET verified_at = ?, medium = ?, remounted_at = ?, listed_at = ?, inherited_at = NULL,"
        " verified_ctime_ns = ?, cached_insertion = coalesce(?, cached_insertion), state = 'present',"
        " state_since = CASE WHEN state = 'present' THEN state_since ELSE ? END WHERE id = ?",
        at,
        medium,
        remounted_at,
        at,
        seen.ctime_ns or None if seen is not None else None,
        insertion,
        at,
        copy_id,
    )


def record_copy_listed(catalog: Catalog, copy_id: int, at: int) -> None:
    """Record that the copy was seen with its recorded size and time."""
    catalog.execute("UPDATE copies SET listed_at = ? WHERE id = ?", at, copy_id)


def record_copies_listed(catalog: Catalog, copy_ids: Sequence[int], at: int) -> None:
    """Record that copies were seen with their recorded sizes and times."""
    for start in range(0, len(copy_ids), 500):
        some = copy_ids[start : start + 500]
        marks = ",".join("?" * len(some))
        catalog.execute(f"UPDATE copies SET listed_at = ? WHERE id IN ({marks})", at, *some)


def set_copy_mtime(catalog: Catalog, copy_id: int, mtime_ns: int) -> None:
    """Record a new time of a copy with the same bytes. Call before `record_copy_verified`."""
    row = catalog.fetch_one("SELECT mtime_ns FROM copies WHERE id = ?", copy_id)
    if row is not None and not is_untouched_mtime(row[0], mtime_ns):
        # It was saved again, perhaps just now: its bytes may be in a cache.
        catalog.execute("UPDATE copies SET cached_insertion = NULL WHERE id = ?", copy_id)
    catalog.execute("UPDATE copies SET mtime_ns = ? WHERE id = ?", mtime_ns, copy_id)


def move_copy(catalog: Catalog, copy_id: int, place_id: int, entry: Entry, *, is_verified: bool = True) -> None:
    """Record a copy's new path on its place. is_verified False: its verification no longer counts."""
    if not is_verified:
        catalog.execute(
            "UPDATE copies SET verified_at = NULL, medium = NULL, cached_insertion = NULL WHERE id = ?", copy_id
        )
    folder_id, name = _ensure_folder(catalog, place_id, entry.path)
    catalog.execute(
        "UPDATE copies SET folder_id = ?, name = ?, mtime_ns = ? WHERE id = ?",
        folder_id,
        name,
        entry.mtime_ns,
        copy_id,
    )


def set_copy_content(
    catalog: Catalog, copy_id: int, file_id: int, entry: Entry, at: int, insertion: str | None = None
) -> None:
    """Record that a companion was changed: the path holds another file. insertion: as in `record_copy`."""
    catalog.execute(
        "UPDATE copies SET file_id = ?, mtime_ns = ?, state = 'present', state_since = ?, written_at = NULL,"
        " verified_at = NULL, medium = NULL, listed_at = ?, cached_insertion = ? WHERE id = ?",
        file_id,
        entry.mtime_ns,
        at,
        at,
        insertion,
        copy_id,
    )


def set_copy_state(catalog: Catalog, copy_id: int, state: CopyState, at: int) -> None:
    """Record what is wrong with a copy, from now on."""
    catalog.execute(
        "UPDATE copies SET state = ?, state_since = ? WHERE id = ? AND state <> ?", state, at, copy_id, state
    )


def record_copy_quarantined(catalog: Catalog, copy_id: int, place_id: int, path: str, at: int) -> None:
    """Record that a bad copy was quarantined on its place, at this path."""
    folder_id, name = _ensure_folder(catalog, place_id, path)
    catalog.execute(
        "UPDATE copies SET folder_id = ?, name = ?, state = 'quarantined', state_since = ? WHERE id = ?",
        folder_id,
        name,
        at,
        copy_id,
    )


def record_checklist_written(catalog: Catalog, place_id: int, shoot_id: int) -> None:
    """Record that a shoot's check list on a place, and the snapshot there, are up to date."""
    catalog.execute("DELETE FROM stale_checklists WHERE place_id = ? AND shoot_id = ?", place_id, shoot_id)


def apply_drive_copies_rule(catalog: Catalog, drive_copies: int) -> None:
    """Apply the rule's number of drive copies to every file, if that number changed."""
    row = catalog.fetch_one("SELECT value FROM meta WHERE key = 'required_copies'")
    if row is not None and int(row[0]) == drive_copies:
        return
    with catalog.transaction():
        # A superseded version of a companion requires no copies, whatever the rule.
        catalog.execute(
            "UPDATE files SET required_copies = ? WHERE required_copies NOT IN (0, ?)", drive_copies, drive_copies
        )
        set_meta(catalog, "required_copies", str(drive_copies))


def set_meta(catalog: Catalog, key: str, value: str) -> None:
    """Store one fact about this catalog."""
    catalog.execute(
        "INSERT INTO meta (key, value) VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
        key,
        value,
    )


def _ensure_folder(catalog: Catalog, place_id: int, path: str) -> tuple[int, str | bytes]:
    folder, name = split_path(path)
    catalog.execute("INSERT INTO folders (place_id, path) VALUES (?, ?) ON CONFLICT DO NOTHING", place_id, folder)
    row = catalog.fetch_one("SELECT id FROM folders WHERE place_id = ? AND path = ?", place_id, folder)
    assert row is not None
    return int(row[0]), name
