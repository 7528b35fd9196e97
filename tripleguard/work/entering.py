"""Entering what a rescan saw: evidence where a copy is right, a finding where it is not.

Called inside `Catalog.writing`, in the order in which things were seen, so that a file that vanished from one path
is known to be missing before it turns up at another.
"""

from __future__ import annotations

from collections.abc import Sequence

from tripleguard.cameras.kinds import frame_key, kind_of
from tripleguard.catalog import folders, questions
from tripleguard.catalog.findings import BAD, close_at, findings_at, findings_of_copy, notice
from tripleguard.catalog.journal import add_event
from tripleguard.catalog.lineage import add_version, newest_version, settle_wants
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.store import Catalog
from tripleguard.catalog.writing import (
    Origin,
    copies_listed,
    copy_holds,
    copy_lies_at,
    copy_state,
    copy_touched,
    copy_verified,
    copy_written,
    ensure_file,
    size_is,
)
from tripleguard.model import Copy, CopyState, Entry, EventType, File, FindingKind, Kind, Outcome, PlaceRecord
from tripleguard.names import is_text, shown
from tripleguard.rules import is_untouched, same_time
from tripleguard.work.holdings import serves
from tripleguard.work.seen import Absent, Different, Equal, Listed, Unknown

_STATES = {FindingKind.CORRUPT: CopyState.CORRUPT, FindingKind.ALTERED: CopyState.ALTERED}


def _other_than(kind: FindingKind) -> tuple[FindingKind, ...]:
    """What is over at a path where this was found; that it is not its own path stays so."""
    return tuple(other for other in FindingKind if other not in (kind, FindingKind.MISPLACED))


class Entering:
    """Enters the results of one drive. now: UTC ns of the look; wants: the rule's drive copies."""

    def __init__(self, catalog: Catalog, job_id: int, place: PlaceRecord, wants: int, now: int) -> None:
        self._catalog = catalog
        self._job = job_id
        self._place = place
        self._wants = wants
        self._now = now

    def listed(self, result: Listed) -> None:
        """Copies are there as recorded."""
        copies_listed(self._catalog, result.copy_ids, self._now)

    def equal(self, result: Equal) -> None:
        """A copy reads back as it should; whatever was wrong at its path is over."""
        copy = result.copy
        size_is(self._catalog, copy.file_id, result.entry.size)
        copy_verified(self._catalog, copy.id, result.medium, self._now)
        if copy.mtime_ns != result.entry.mtime_ns:
            copy_touched(self._catalog, copy.id, result.entry.mtime_ns)
        self._close(copy.path, "it reads back as it should", kinds=BAD)

    def absent(self, result: Absent) -> FindingKind | None:
        """A copy is not at its path."""
        copy = result.copy
        copy_state(self._catalog, copy.id, CopyState.MISSING, self._now)
        gone = (FindingKind.CORRUPT, FindingKind.ALTERED, FindingKind.STALE, FindingKind.STRAY)
        self._close(copy.path, "the copy is gone", kinds=gone)
        self._notice(FindingKind.MISSING, copy, {})
        return FindingKind.MISSING if copy.state is not CopyState.MISSING else None

    def different(self, result: Different) -> FindingKind | None:
        """A copy holds something else, or can't be read. A companion that nobody touched is rotten, not edited."""
        known = questions.file_with_id(self._catalog, result.copy.file_id)
        edited = not is_untouched(result.copy, result.entry)
        if known.kind is Kind.COMPANION and result.file is not None and edited:
            self._new_version(result, known, result.file)
            return None
        as_recorded = result.entry.size == result.copy.size and same_time(
            result.entry.mtime_ns, result.copy.mtime_ns
        )
        kind = FindingKind.CORRUPT if as_recorded or result.file is None else FindingKind.ALTERED
        copy_state(self._catalog, result.copy.id, _STATES[kind], self._now)
        # None takes back what an earlier look said: how it differs is told anew.
        evidence: dict[str, object] = {"size": result.entry.size, "recorded_size": result.copy.size}
        evidence["mtime_ns"] = result.entry.mtime_ns
        evidence["unreadable"] = result.unreadable if result.file is None else None
        evidence["found"] = result.file.digest.hex() if result.file is not None else None
        evidence |= dict.fromkeys(("damage", "shape", "differing"))
        self._close(result.copy.path, f"it is {kind} now", kinds=_other_than(kind))
        self._notice(kind, result.copy, evidence)
        return kind if result.copy.state is CopyState.PRESENT else None

    def unknown(self, result: Unknown) -> FindingKind | None:
        """A file lies where the catalog has none: moved here, an editor's companion, or a stray."""
        if result.file is None:
            return self._stray(result.entry, {"unreadable": True}, None)
        known = questions.file_with_digest(self._catalog, result.file.digest)
        moved = self._missing_copy(known, result.entry) if known else None
        if moved is not None:
            return self._moved(moved, result)
        if self._entered_as_companion(result, result.file):
            return None
        evidence = {"found": result.file.digest.hex(), "size": result.entry.size, "known": known is not None}
        return self._stray(result.entry, evidence, known)

    def vanished(self, path: str) -> None:
        """What was noticed at a path where nothing is recorded is not there any more."""
        self._close(path, "it is not there any more")

    # What each of these rests on

    def _missing_copy(self, known: KnownFile, entry: Entry) -> Copy | None:
        """The missing copy that this can be: equal sidecars of two pictures are not each other."""
        return next(
            (
                copy
                for copy in questions.copies_of(self._catalog, known.id)
                if copy.place_id == self._place.id
                and copy.state is CopyState.MISSING
                and serves(known, entry.path, copy.path.rpartition("/")[2])
            ),
            None,
        )

    def _moved(self, copy: Copy, result: Unknown) -> FindingKind | None:
        """The missing copy lies here; it is misplaced, unless this is where it belonged before."""
        home = self._home_of(copy)
        self._close(copy.path, f"it lies at {shown(result.entry.path)} now")
        copy_lies_at(self._catalog, copy.id, self._place.id, result.entry)
        copy_verified(self._catalog, copy.id, result.medium, self._now)
        if result.entry.path == home:
            self._close(home, "it is back in its place")
            return None
        notice(
            self._catalog,
            FindingKind.MISPLACED,
            self._place.id,
            result.entry.path,
            self._now,
            copy_id=copy.id,
            file_id=copy.file_id,
            shoot_id=self._shoot_of(copy.id),
            evidence={"was": home if is_text(home) else None},
        )
        return FindingKind.MISPLACED

    def _home_of(self, copy: Copy) -> str:
        """The path a copy belongs at: where it was before it was first moved."""
        for one in findings_of_copy(self._catalog, copy.id):
            was = one.evidence.get("was")
            if one.kind is FindingKind.MISPLACED and isinstance(was, str):
                return was
        return copy.path

    def _stray(self, entry: Entry, evidence: dict[str, object], known: KnownFile | None) -> FindingKind | None:
        new = not findings_at(self._catalog, self._place.id, entry.path)
        notice(
            self._catalog,
            FindingKind.STRAY,
            self._place.id,
            entry.path,
            self._now,
            file_id=known.id if known else None,
            evidence=evidence,
        )
        return FindingKind.STRAY if new else None

    def _new_version(self, result: Different, old: KnownFile, file: File) -> None:
        """A companion was edited: what it held before stays a version, what it holds now is the newest."""
        copy, shoot_id = result.copy, self._shoot_of(result.copy.id)
        # By its own path: the old version may have been known first under the name of an equal one.
        name = copy.path.rpartition("/")[2]
        origin = Origin(name, Kind.COMPANION, shoot_id, None, old.wall_ns, old.offset)
        file_id = ensure_file(self._catalog, file, origin, result.sample, self._wants, self._now)
        add_version(self._catalog, shoot_id, copy.path, copy.file_id, copy.mtime_ns, self._now)
        add_version(self._catalog, shoot_id, copy.path, file_id, result.entry.mtime_ns, self._now)
        copy_holds(self._catalog, copy.id, file_id, result.entry, self._now)
        copy_verified(self._catalog, copy.id, result.medium, self._now)
        self._close(copy.path, "a new version was entered")
        add_event(
            self._catalog,
            EventType.METADATA_MODIFICATION,
            Outcome.SUCCESS,
            f"{shown(copy.path)} has a new version",
            self._now,
            job_id=self._job,
            place_id=self._place.id,
            shoot_id=shoot_id,
            file_id=file_id,
        )
        settle_wants(self._catalog, copy.path, self._wants)
        self._mark_stale(copy.path)

    def _mark_stale(self, path: str) -> None:
        """Older versions at this path, on any drive, are stale; the newest is not."""
        newest = newest_version(self._catalog, path)
        for copy in folders.copies_at_path(self._catalog, path):
            if newest is None or copy.file_id == newest or copy.state is not CopyState.PRESENT:
                # What is missing or rotten stays so, whatever its version.
                over = (FindingKind.STALE,)
                close_at(self._catalog, copy.place_id, path, "it is no older version", self._now, kinds=over)
            else:
                notice(
                    self._catalog,
                    FindingKind.STALE,
                    copy.place_id,
                    path,
                    self._now,
                    copy_id=copy.id,
                    file_id=copy.file_id,
                    shoot_id=self._shoot_of(copy.id),
                )

    def _entered_as_companion(self, result: Unknown, file: File) -> bool:
        """Enter an editor's new sidecar that lies beside its original; False if it is none."""
        entry = result.entry
        if kind_of(entry.name) is not Kind.COMPANION:
            return False
        frame = frame_key(entry.path)
        beside = next(
            (
                copy
                for copy in folders.copies_right_in(self._catalog, self._place.id, entry.folder)
                if frame_key(copy.path) == frame and copy.state is CopyState.PRESENT
            ),
            None,
        )
        if beside is None:
            return False
        shoot_id = self._shoot_of(beside.id)
        original = questions.file_with_id(self._catalog, beside.file_id)
        origin = Origin(entry.name, Kind.COMPANION, shoot_id, None, original.wall_ns, original.offset)
        file_id = ensure_file(self._catalog, file, origin, result.sample, self._wants, self._now)
        copy_id = copy_written(self._catalog, file_id, self._place.id, shoot_id, entry, self._now, by_us=False)
        copy_verified(self._catalog, copy_id, result.medium, self._now)
        others = [copy for copy in folders.copies_at_path(self._catalog, entry.path) if copy.id != copy_id]
        for copy in others:
            add_version(self._catalog, shoot_id, entry.path, copy.file_id, copy.mtime_ns, self._now)
        if others:
            add_version(self._catalog, shoot_id, entry.path, file_id, entry.mtime_ns, self._now)
            settle_wants(self._catalog, entry.path, self._wants)
            self._mark_stale(entry.path)
        add_event(
            self._catalog,
            EventType.INGESTION,
            Outcome.SUCCESS,
            f"{shown(entry.path)} was found beside its picture and entered",
            self._now,
            job_id=self._job,
            place_id=self._place.id,
            shoot_id=shoot_id,
            file_id=file_id,
        )
        return True

    def _notice(self, kind: FindingKind, copy: Copy, evidence: dict[str, object]) -> None:
        shoot_id = self._shoot_of(copy.id)
        new = all(one.kind is not kind for one in findings_at(self._catalog, self._place.id, copy.path))
        notice(
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
        if new:
            add_event(
                self._catalog,
                EventType.FIXITY_CHECK,
                Outcome.FAILURE,
                f"{shown(copy.path)}: {kind}",
                self._now,
                job_id=self._job,
                place_id=self._place.id,
                shoot_id=shoot_id,
                file_id=copy.file_id,
                detail={key: value for key, value in evidence.items() if value is not None},
            )

    def _close(self, path: str, how: str, *, kinds: Sequence[FindingKind] = tuple(FindingKind)) -> None:
        close_at(self._catalog, self._place.id, path, how, self._now, kinds=kinds)

    def _shoot_of(self, copy_id: int) -> int:
        row = self._catalog.row("SELECT shoot_id FROM copies WHERE id = ?", copy_id)
        assert row is not None
        return int(row[0])
