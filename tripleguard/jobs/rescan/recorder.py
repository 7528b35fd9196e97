"""Record the results of a rescan: evidence where a copy is right, a finding where it is not.

Runs inside a catalog transaction, in the order in which files were read, so that a file that vanished from one
path is known to be missing before it is found at another.
"""

from __future__ import annotations

from dataclasses import replace

from tripleguard.cameras.kinds import is_in_bin
from tripleguard.catalog import file_queries
from tripleguard.catalog.companions import find_newest_version, find_pictures
from tripleguard.catalog.event_log import add_event
from tripleguard.catalog.file_updates import (
    move_copy,
    record_copies_listed,
    record_copy,
    record_copy_verified,
    set_copy_mtime,
    set_copy_state,
    set_file_size,
)
from tripleguard.catalog.findings import BAD_KINDS, list_findings_at, open_or_refresh
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.store import Catalog
from tripleguard.jobs.existing_copies import is_identified_by_content, satisfies
from tripleguard.jobs.rescan.companion_edits import (
    ObservedCompanion,
    RescanContext,
    is_all_zero_or_empty,
    record_edit,
    record_unrecorded_companion,
)
from tripleguard.jobs.rescan.scan_results import (
    MatchingCopy,
    MismatchedCopy,
    MissingCopy,
    UnchangedCopies,
    UnknownFile,
)
from tripleguard.model import (
    Copy,
    CopyState,
    Entry,
    EventOutcome,
    EventType,
    FileKind,
    FindingKind,
    Medium,
    PlaceRecord,
)
from tripleguard.names import escape_text
from tripleguard.places.reserved import is_reserved
from tripleguard.rules import is_good_copy, is_same_mtime, is_untouched

_STATE_BY_KIND = {FindingKind.CORRUPT: CopyState.CORRUPT, FindingKind.ALTERED: CopyState.ALTERED}
_KINDS_EXCEPT_MISSING = tuple(kind for kind in FindingKind if kind is not FindingKind.MISSING)


def _list_resolved_kinds(kind: FindingKind) -> tuple[FindingKind, ...]:
    """Return the kinds that this finding resolves at its path; `misplaced` stays open."""
    return tuple(other for other in FindingKind if other not in (kind, FindingKind.MISPLACED))


class RescanRecorder:
    """Records the results of one drive. now: UTC ns; required_copies: the rule's drive copies."""

    def __init__(self, catalog: Catalog, job_id: int, place: PlaceRecord, required_copies: int, now: int) -> None:
        self.reappeared_paths: set[str] = set()
        self._missing_paths: dict[int, str] = {}
        self._rescan_ctx = RescanContext(catalog, job_id, place, required_copies, now)
        self._catalog = catalog
        self._place = place
        self._now = now

    def record_unchanged(self, result: UnchangedCopies) -> None:
        """Record that copies were found as recorded."""
        record_copies_listed(self._catalog, result.copy_ids, self._now)

    def record_match(self, result: MatchingCopy) -> Medium:
        """Record that a copy holds its file, and resolve the findings at its path; return the medium."""
        copy = result.copy
        set_file_size(self._catalog, copy.file_id, result.entry.size)
        if copy.mtime_ns != result.entry.mtime_ns:
            set_copy_mtime(self._catalog, copy.id, result.entry.mtime_ns)
        reached = record_copy_verified(
            self._catalog, copy.id, result.medium, self._now, self._place.insertion, seen=result.entry
        )
        self._close_findings(copy.path, "it reads back as it should", kinds=BAD_KINDS)
        return reached

    def record_missing(self, result: MissingCopy) -> FindingKind | None:
        """Record that a copy is not at its path; a misplaced one is missing at its own path."""
        copy = result.copy
        home = self._rescan_ctx.get_home_path(copy)
        self._missing_paths[copy.id] = copy.path
        set_copy_state(self._catalog, copy.id, CopyState.MISSING, self._now)
        self._close_findings(copy.path, "the copy is gone", kinds=_KINDS_EXCEPT_MISSING)
        if home != copy.path and file_queries.find_copy_at(self._catalog, self._place.id, home) is None:
            copy = replace(copy, path=home)
            move_copy(self._catalog, copy.id, self._place.id, Entry(home, copy.size, copy.mtime_ns))
        return self._open_finding(FindingKind.MISSING, copy, {})

    def record_mismatch(self, result: MismatchedCopy) -> FindingKind | None:
        """Record that a copy is unreadable or differs; a companion that was not touched is rotten, not edited."""
        copy, entry, file = result.copy, result.entry, result.file
        known = file_queries.get_file(self._catalog, copy.file_id)
        # Drivers with coarse time steps may show an earlier time; a later one was set by an editor.
        touched = not is_untouched(copy, entry) or entry.mtime_ns > copy.mtime_ns
        edited = known.kind is FileKind.COMPANION and touched
        if edited and file is not None and not is_all_zero_or_empty(file):
            record_edit(self._rescan_ctx, copy, ObservedCompanion(entry, file, result.sample, result.medium))
            return None
        as_recorded = entry.size == copy.size and is_same_mtime(entry.mtime_ns, copy.mtime_ns)
        kind = FindingKind.CORRUPT if as_recorded or file is None else FindingKind.ALTERED
        set_copy_state(self._catalog, copy.id, _STATE_BY_KIND[kind], self._now)
        evidence: dict[str, object] = {
            "size": entry.size,
            "recorded_size": copy.size,
            "mtime_ns": entry.mtime_ns,
            "unreadable": result.unreadable_bytes if file is None else None,
            "found": file.digest.hex() if file is not None else None,
        }
        self._close_findings(copy.path, f"it is {kind} now", kinds=_list_resolved_kinds(kind))
        return self._open_finding(kind, copy, evidence)

    def record_replaced(self, copy: Copy, free_path: str) -> None:
        """Record that another program saved another version of an original at this copy's path.

        A copy that was the only good one is missing from now on, at `free_path`, where a repair can put it.
        """
        copies = file_queries.list_copies(self._catalog, copy.file_id)
        if not any(other.id != copy.id and is_good_copy(other) for other in copies):
            moved = replace(copy, path=free_path)
            self._close_findings(copy.path, "another version has its name now")
            move_copy(self._catalog, copy.id, self._place.id, Entry(free_path, copy.size, copy.mtime_ns))
            self.record_missing(MissingCopy(0, moved))
        add_event(
            self._catalog,
            EventType.METADATA_MODIFICATION,
            EventOutcome.SUCCESS,
            f"{escape_text(copy.path)} was changed by another program; both versions are kept where they exist",
            self._now,
            job_id=self._rescan_ctx.job_id,
            place_id=self._place.id,
            shoot_id=copy.shoot_id,
            file_id=copy.file_id,
        )

    def record_unknown(self, result: UnknownFile) -> FindingKind | None:
        """Record an unknown file: a moved copy, an editor's companion, or a stray."""
        entry, file = result.entry, result.file
        if file is None:
            return self._open_stray_finding(entry, {"unreadable": True, "size": entry.size}, None)
        if is_reserved(entry.path):
            # No picture belongs in the reserved folder, so it is no copy; a person must decide whose it is.
            return self._open_stray_finding(
                entry,
                {"found": file.digest.hex(), "size": entry.size},
                file_queries.find_file_by_digest(self._catalog, file.digest),
            )
        known = file_queries.find_file_by_digest(self._catalog, file.digest)
        if known is not None and self._is_repair_unrecorded(known, entry.path):
            self._record_repaired_copy(known, result)
            return None
        # A file in a trash folder doesn't count: its copy stays missing, and a repair can read it from there.
        moved = self._find_missing_copy(known, entry) if known and not is_in_bin(entry.path) else None
        if moved is not None:
            self.reappeared_paths.add(self._missing_paths.get(moved.id, moved.path))
            return FindingKind.MISPLACED if self._rescan_ctx.record_location(moved, entry, result.medium) else None
        missed = record_unrecorded_companion(
            self._rescan_ctx, ObservedCompanion(entry, file, result.sample, result.medium)
        )
        if missed is not None:
            self.reappeared_paths.add(self._missing_paths.get(missed, ""))
            return FindingKind.MISPLACED if self._has_open_finding(FindingKind.MISPLACED, entry.path) else None
        return self._open_stray_finding(entry, {"found": file.digest.hex(), "size": entry.size}, known)

    def record_vanished(self, path: str) -> None:
        """Resolve the findings at a path without a recorded copy whose file has vanished."""
        self._close_findings(path, "it is not there any more", kinds=(FindingKind.STRAY,))

    def _find_missing_copy(self, known_file: KnownFile, entry: Entry) -> Copy | None:
        """Return the missing copy that this can be; equal sidecars of two pictures are not interchangeable."""
        beside = find_pictures(self._catalog, self._place.id, entry.path)
        return next(
            (
                copy
                for copy in file_queries.list_copies(self._catalog, known_file.id)
                if copy.place_id == self._place.id
                and copy.state is CopyState.MISSING
                and satisfies(known_file, entry.path, copy.path.rpartition("/")[2])
                and (
                    is_identified_by_content(known_file.kind, known_file.file.size)
                    or self._can_belong_to(copy, beside)
                )
            ),
            None,
        )

    def _can_belong_to(self, copy: Copy, pictures: frozenset[bytes]) -> bool:
        """Return whether a missing companion can be beside these pictures: they are its own, or it has none."""
        its = find_pictures(self._catalog, copy.place_id, copy.path)
        return not its or not pictures or bool(its & pictures)

    def _is_repair_unrecorded(self, known_file: KnownFile, path: str) -> bool:
        """Return whether a finding waits for this file here: a repair was interrupted before recording it."""
        wanted = find_newest_version(self._catalog, path, self._place.id)
        waiting = (FindingKind.CORRUPT, FindingKind.ALTERED, FindingKind.STALE, FindingKind.MISSING)
        return any(
            one.kind in waiting and known_file.id == (wanted if wanted is not None else one.file_id)
            for one in list_findings_at(self._catalog, self._place.id, path)
        )

    def _record_repaired_copy(self, known_file: KnownFile, result: UnknownFile) -> None:
        """Record the good copy that an interrupted repair left at this path."""
        entry = result.entry
        copy_id = record_copy(
            self._catalog,
            known_file.id,
            self._place.id,
            known_file.shoot_id,
            entry,
            self._now,
            insertion=self._place.insertion,
            is_ours=False,
        )
        record_copy_verified(self._catalog, copy_id, result.medium, self._now, self._place.insertion, seen=entry)
        self._close_findings(entry.path, "it reads back as it should", kinds=(*BAD_KINDS, FindingKind.STALE))

    def _open_stray_finding(
        self, entry: Entry, evidence: dict[str, object], known_file: KnownFile | None
    ) -> FindingKind | None:
        new = open_or_refresh(
            self._catalog,
            FindingKind.STRAY,
            self._place.id,
            entry.path,
            self._now,
            file_id=known_file.id if known_file else None,
            evidence={**evidence, "known": known_file is not None},
        )
        return FindingKind.STRAY if new else None

    def _open_finding(self, kind: FindingKind, copy: Copy, evidence: dict[str, object]) -> FindingKind | None:
        """Open a finding about a copy; its kind if it is new."""
        shoot_id = copy.shoot_id
        new = open_or_refresh(
            self._catalog,
            kind,
            self._place.id,
            copy.path,
            self._now,
            copy_id=copy.id,
            file_id=copy.file_id,
            shoot_id=shoot_id,
            evidence=evidence,
        )
        if not new:
            return None
        add_event(
            self._catalog,
            EventType.FIXITY_CHECK,
            EventOutcome.FAILURE,
            f"{escape_text(copy.path)}: {kind}",
            self._now,
            job_id=self._rescan_ctx.job_id,
            place_id=self._place.id,
            shoot_id=shoot_id,
            file_id=copy.file_id,
            detail={key: value for key, value in evidence.items() if value is not None},
        )
        return kind

    def _has_open_finding(self, kind: FindingKind, path: str) -> bool:
        return any(one.kind is kind for one in list_findings_at(self._catalog, self._place.id, path))

    def _close_findings(
        self, path: str, resolution: str, *, kinds: tuple[FindingKind, ...] = tuple(FindingKind)
    ) -> None:
        self._rescan_ctx.close_findings(path, resolution, kinds)
