"""Record what a rescan found of companions: an edit is a new version, not a fault.

A companion belongs beside its picture. If the picture was moved, its companion is moved back with it, even if it
was edited or created since. An empty or all-zero companion is the result of a crash, not an edit.
"""

from __future__ import annotations

from dataclasses import dataclass

from tripleguard.cameras.kinds import get_frame_key, kind_of
from tripleguard.catalog import file_queries, folder_queries
from tripleguard.catalog.companions import (
    add_edit,
    add_version,
    find_newest_version,
    find_pictures,
    is_in_version_line,
    update_required_copies,
)
from tripleguard.catalog.event_log import add_event
from tripleguard.catalog.file_updates import (
    FileOrigin,
    ensure_file,
    move_copy,
    record_copy,
    record_copy_verified,
    set_copy_content,
)
from tripleguard.catalog.findings import list_findings_of_copy, open_or_refresh, resolve_at
from tripleguard.catalog.shared_sidecars import mark_shared
from tripleguard.catalog.store import Catalog
from tripleguard.digest import compute_digest
from tripleguard.model import (
    Copy,
    CopyState,
    Entry,
    EventOutcome,
    EventType,
    File,
    FileKind,
    FindingKind,
    Medium,
    PlaceRecord,
)
from tripleguard.names import escape_text, is_valid_utf8

_MAX_ZERO_CHECK_BYTES = 1 << 20
"""Bytes. Larger companions are not checked for being all zeros."""


@dataclass(frozen=True, slots=True)
class RescanContext:
    """The context of one rescan of one drive. now: UTC ns; required_copies: the rule's drive copies."""

    catalog: Catalog
    job_id: int
    place: PlaceRecord
    required_copies: int
    now: int

    def close_findings(
        self, path: str, resolution: str, kinds: tuple[FindingKind, ...] = tuple(FindingKind)
    ) -> None:
        """Resolve what is open at a path of this drive."""
        resolve_at(self.catalog, self.place.id, path, resolution, self.now, kinds=kinds)

    def get_home_path(self, copy: Copy) -> str:
        """Return the path at which a copy belongs: where it was before it was first moved."""
        for one in list_findings_of_copy(self.catalog, copy.id):
            was = one.evidence.get("was")
            if one.kind is FindingKind.MISPLACED and isinstance(was, str):
                return was
        return copy.path

    def record_location(self, copy: Copy, entry: Entry, medium: Medium) -> bool:
        """Record that a copy was read at entry's path; return whether it is misplaced there."""
        home = self.get_home_path(copy)
        self.close_findings(copy.path, f"it lies at {escape_text(entry.path)} now")
        self.close_findings(entry.path, "it is known what this is", (FindingKind.STRAY,))
        move_copy(self.catalog, copy.id, self.place.id, entry)
        record_copy_verified(self.catalog, copy.id, medium, self.now, self.place.insertion, seen=entry)
        if entry.path == home:
            self.close_findings(home, "it is back in its place")
            return False
        self.open_misplaced_finding(copy.id, copy.file_id, entry.path, home)
        return True

    def open_misplaced_finding(self, copy_id: int, file_id: int, path: str, home_path: str) -> None:
        """Record that a copy at `path` belongs at `home_path`."""
        open_or_refresh(
            self.catalog,
            FindingKind.MISPLACED,
            self.place.id,
            path,
            self.now,
            copy_id=copy_id,
            file_id=file_id,
            shoot_id=file_queries.get_copy(self.catalog, copy_id).shoot_id,
            evidence={"was": home_path if is_valid_utf8(home_path) else None},
        )


@dataclass(frozen=True, slots=True)
class ObservedCompanion:
    """A companion as read: its entry, its content with a sample, and the medium it was read from."""

    entry: Entry
    file: File
    sample: bytes
    medium: Medium


def is_all_zero_or_empty(file: File) -> bool:
    """Return whether a companion is empty or all zeros, as a crash during saving leaves it."""
    return file.size == 0 or (
        file.size <= _MAX_ZERO_CHECK_BYTES and file.digest == compute_digest(bytes(file.size))
    )


def record_edit(rescan_ctx: RescanContext, copy: Copy, observed: ObservedCompanion) -> None:
    """Record an edit: the old content stays as a version, the new one is the newest."""
    home = rescan_ctx.get_home_path(copy)
    rescan_ctx.close_findings(copy.path, "a new version was entered", _KINDS_EXCEPT_MISPLACED)
    _record_version(rescan_ctx, copy, observed, home)


_KINDS_EXCEPT_MISPLACED = tuple(kind for kind in FindingKind if kind is not FindingKind.MISPLACED)


def record_unrecorded_companion(rescan_ctx: RescanContext, observed: ObservedCompanion) -> int | None:
    """Record an unknown companion beside its original; None if it has no original beside it.

    Otherwise return the id of the copy that was missing until now, or 0 if it is new.
    """
    entry = observed.entry
    if kind_of(entry.name) is not FileKind.COMPANION or is_all_zero_or_empty(observed.file):
        return None
    frame = get_frame_key(entry.path)
    beside = next(
        (
            copy
            for copy in folder_queries.list_copies_in_folder(rescan_ctx.catalog, rescan_ctx.place.id, entry.folder)
            if get_frame_key(copy.path) == frame and copy.state is CopyState.PRESENT and not _is_companion(copy)
        ),
        None,
    )
    if beside is None:
        return None
    rescan_ctx.close_findings(entry.path, "it was entered", (FindingKind.STRAY,))
    home = _build_home_path(rescan_ctx, entry, beside)
    missed = (
        file_queries.find_copy_at(rescan_ctx.catalog, rescan_ctx.place.id, home) if home != entry.path else None
    )
    if missed is not None and missed.state is CopyState.MISSING and _is_companion(missed):
        rescan_ctx.record_location(missed, entry, observed.medium)
        _record_version(rescan_ctx, missed, observed, home)
        return missed.id
    _record_new_companion(rescan_ctx, observed, beside, home if missed is None else entry.path)
    return 0


def _is_companion(copy: Copy) -> bool:
    return kind_of(copy.path) is FileKind.COMPANION


def _build_home_path(rescan_ctx: RescanContext, entry: Entry, paired_copy: Copy) -> str:
    """Return where a companion belongs: beside its picture's own path, under the picture's name there."""
    home = rescan_ctx.get_home_path(paired_copy)
    folder, _, name = home.rpartition("/")
    stem, own = paired_copy.path.rpartition("/")[2].rpartition(".")[0], name.rpartition(".")[0]
    named = own + entry.name[len(stem) :] if stem and entry.name.startswith(stem) else entry.name
    return f"{folder}/{named}" if folder else named


def _record_version(rescan_ctx: RescanContext, copy: Copy, observed: ObservedCompanion, home_path: str) -> None:
    """Record the copy's content as the newest version at its home path; it may be the same version."""
    old, shoot_id = file_queries.get_file(rescan_ctx.catalog, copy.file_id), copy.shoot_id
    if old.file == observed.file:
        return
    # Use its own path: an equal sidecar may have been recorded first, under another name.
    origin = FileOrigin(observed.entry.name, FileKind.COMPANION, shoot_id, None, old.wall_ns, old.offset)
    file_id = ensure_file(
        rescan_ctx.catalog, observed.file, origin, observed.sample, rescan_ctx.required_copies, rescan_ctx.now
    )
    add_version(rescan_ctx.catalog, shoot_id, home_path, copy.file_id, copy.mtime_ns, rescan_ctx.now)
    add_edit(
        rescan_ctx.catalog,
        shoot_id,
        home_path,
        file_id,
        observed.entry.mtime_ns,
        rescan_ctx.now,
        previous_file_id=copy.file_id,
    )
    set_copy_content(
        rescan_ctx.catalog, copy.id, file_id, observed.entry, rescan_ctx.now, rescan_ctx.place.insertion
    )
    record_copy_verified(
        rescan_ctx.catalog,
        copy.id,
        observed.medium,
        rescan_ctx.now,
        rescan_ctx.place.insertion,
        seen=observed.entry,
    )
    _add_event(
        rescan_ctx,
        EventType.METADATA_MODIFICATION,
        f"{escape_text(home_path)} has a new version",
        shoot_id,
        file_id,
    )
    pictures = find_pictures(rescan_ctx.catalog, rescan_ctx.place.id, observed.entry.path)
    for other in folder_queries.list_copies_at_path(rescan_ctx.catalog, observed.entry.path):
        if other.file_id == file_id and not is_in_version_line(rescan_ctx.catalog, other, pictures):
            mark_shared(rescan_ctx.catalog, file_id)
    update_required_copies(rescan_ctx.catalog, home_path, rescan_ctx.required_copies)
    mark_older_versions_stale(rescan_ctx.catalog, home_path, rescan_ctx.now)


def _record_new_companion(
    rescan_ctx: RescanContext, observed: ObservedCompanion, paired_copy: Copy, home_path: str
) -> None:
    entry, shoot_id = observed.entry, paired_copy.shoot_id
    original = file_queries.get_file(rescan_ctx.catalog, paired_copy.file_id)
    origin = FileOrigin(entry.name, FileKind.COMPANION, shoot_id, None, original.wall_ns, original.offset)
    file_id = ensure_file(
        rescan_ctx.catalog, observed.file, origin, observed.sample, rescan_ctx.required_copies, rescan_ctx.now
    )
    copy_id = record_copy(
        rescan_ctx.catalog,
        file_id,
        rescan_ctx.place.id,
        shoot_id,
        entry,
        rescan_ctx.now,
        insertion=rescan_ctx.place.insertion,
        is_ours=False,
    )
    record_copy_verified(
        rescan_ctx.catalog,
        copy_id,
        observed.medium,
        rescan_ctx.now,
        rescan_ctx.place.insertion,
        seen=observed.entry,
    )
    if home_path != entry.path:
        rescan_ctx.open_misplaced_finding(copy_id, file_id, entry.path, home_path)
    others: list[Copy] = []
    pictures = find_pictures(rescan_ctx.catalog, rescan_ctx.place.id, entry.path)
    for copy in folder_queries.list_copies_at_path(rescan_ctx.catalog, home_path):
        if copy.id == copy_id:
            continue
        if is_in_version_line(rescan_ctx.catalog, copy, pictures):
            others.append(copy)
        elif copy.file_id == file_id:
            mark_shared(rescan_ctx.catalog, file_id)
    for copy in others:
        add_version(rescan_ctx.catalog, shoot_id, home_path, copy.file_id, copy.mtime_ns, rescan_ctx.now)
    if others:
        add_version(rescan_ctx.catalog, shoot_id, home_path, file_id, entry.mtime_ns, rescan_ctx.now)
        update_required_copies(rescan_ctx.catalog, home_path, rescan_ctx.required_copies)
        mark_older_versions_stale(rescan_ctx.catalog, home_path, rescan_ctx.now)
    message = f"{escape_text(entry.path)} was found beside its picture and entered"
    _add_event(rescan_ctx, EventType.INGESTION, message, shoot_id, file_id)


def mark_older_versions_stale(catalog: Catalog, path: str, now: int) -> None:
    """Mark older versions at this path stale on every place; not the newest beside each picture.

    Call inside `transaction`.
    """
    for copy in folder_queries.list_copies_at_path(catalog, path):
        newest = find_newest_version(catalog, path, copy.place_id)
        if newest is None or copy.file_id == newest or copy.state is not CopyState.PRESENT:
            # A missing or corrupt copy stays so, whatever its version.
            over = (FindingKind.STALE,)
            resolve_at(catalog, copy.place_id, path, "it is no older version", now, kinds=over)
        else:
            open_or_refresh(
                catalog,
                FindingKind.STALE,
                copy.place_id,
                path,
                now,
                copy_id=copy.id,
                file_id=copy.file_id,
                shoot_id=copy.shoot_id,
            )


def _add_event(rescan_ctx: RescanContext, type_: EventType, message: str, shoot_id: int, file_id: int) -> None:
    add_event(
        rescan_ctx.catalog,
        type_,
        EventOutcome.SUCCESS,
        message,
        rescan_ctx.now,
        job_id=rescan_ctx.job_id,
        place_id=rescan_ctx.place.id,
        shoot_id=shoot_id,
        file_id=file_id,
    )
