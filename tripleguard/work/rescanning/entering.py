"""Entering what a rescan saw: evidence where a copy is right, a finding where it is not.

Called inside `Catalog.writing`, in the order in which things were seen, so that a file that vanished from one path
is known to be missing before it turns up at another.
"""

from __future__ import annotations

from dataclasses import replace

from tripleguard.cameras.kinds import lies_in_bin
from tripleguard.catalog import questions
from tripleguard.catalog.findings import BAD, findings_at, notice
from tripleguard.catalog.journal import add_event
from tripleguard.catalog.lineage import newest_version
from tripleguard.catalog.pairing import pictures_beside
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.store import Catalog
from tripleguard.catalog.writing import (
    copies_listed,
    copy_lies_at,
    copy_state,
    copy_touched,
    copy_verified,
    copy_written,
    size_is,
)
from tripleguard.model import Copy, CopyState, Entry, EventType, FindingKind, Kind, Medium, Outcome, PlaceRecord
from tripleguard.names import shown
from tripleguard.places.own import is_own
from tripleguard.rules import is_untouched, same_time
from tripleguard.work.holdings import content_is_identity, serves
from tripleguard.work.rescanning.companions import Look, Seen, enter_beside, enter_edit, is_hollow
from tripleguard.work.rescanning.seen import Absent, Different, Equal, Listed, Unknown

_STATES = {FindingKind.CORRUPT: CopyState.CORRUPT, FindingKind.ALTERED: CopyState.ALTERED}
_NOT_MISSING = tuple(kind for kind in FindingKind if kind is not FindingKind.MISSING)


def _other_than(kind: FindingKind) -> tuple[FindingKind, ...]:
    """What is over at a path where this was found; that it is not its own path stays so."""
    return tuple(other for other in FindingKind if other not in (kind, FindingKind.MISPLACED))


class Entering:
    """Enters the results of one drive. now: UTC ns of the look; wants: the rule's drive copies.

    came_back: paths at which a copy was missing until it turned up under another in this look.
    """

    def __init__(self, catalog: Catalog, job_id: int, place: PlaceRecord, wants: int, now: int) -> None:
        self.came_back: set[str] = set()
        self._missed: dict[int, str] = {}
        self._look = Look(catalog, job_id, place, wants, now)
        self._catalog = catalog
        self._place = place
        self._now = now

    def listed(self, result: Listed) -> None:
        """Copies are there as recorded."""
        copies_listed(self._catalog, result.copy_ids, self._now)

    def equal(self, result: Equal) -> Medium:
        """A copy reads back as it should; whatever was wrong at its path is over. How far down that counts."""
        copy = result.copy
        size_is(self._catalog, copy.file_id, result.entry.size)
        if copy.mtime_ns != result.entry.mtime_ns:
            copy_touched(self._catalog, copy.id, result.entry.mtime_ns)
        reached = copy_verified(self._catalog, copy.id, result.medium, self._now, self._place.insertion)
        self._close(copy.path, "it reads back as it should", kinds=BAD)
        return reached

    def absent(self, result: Absent) -> FindingKind | None:
        """A copy is not at its path; one that was misplaced there is missed where it belongs."""
        copy = result.copy
        home = self._look.home_of(copy)
        self._missed[copy.id] = copy.path
        copy_state(self._catalog, copy.id, CopyState.MISSING, self._now)
        self._close(copy.path, "the copy is gone", kinds=_NOT_MISSING)
        if home != copy.path and questions.copy_at(self._catalog, self._place.id, home) is None:
            copy = replace(copy, path=home)
            copy_lies_at(self._catalog, copy.id, self._place.id, Entry(home, copy.size, copy.mtime_ns))
        return self._notice(FindingKind.MISSING, copy, {})

    def different(self, result: Different) -> FindingKind | None:
        """A copy holds something else, or can't be read. A companion that nobody touched is rotten, not edited."""
        copy, entry, file = result.copy, result.entry, result.file
        known = questions.file_with_id(self._catalog, copy.file_id)
        # A driver that shows a time in coarse steps shows an earlier one; a later one was set by an editor.
        touched = not is_untouched(copy, entry) or entry.mtime_ns > copy.mtime_ns
        edited = known.kind is Kind.COMPANION and touched
        if edited and file is not None and not is_hollow(file):
            enter_edit(self._look, copy, Seen(entry, file, result.sample, result.medium))
            return None
        as_recorded = entry.size == copy.size and same_time(entry.mtime_ns, copy.mtime_ns)
        kind = FindingKind.CORRUPT if as_recorded or file is None else FindingKind.ALTERED
        copy_state(self._catalog, copy.id, _STATES[kind], self._now)
        evidence: dict[str, object] = {
            "size": entry.size,
            "recorded_size": copy.size,
            "mtime_ns": entry.mtime_ns,
            "unreadable": result.unreadable if file is None else None,
            "found": file.digest.hex() if file is not None else None,
        }
        self._close(copy.path, f"it is {kind} now", kinds=_other_than(kind))
        return self._notice(kind, copy, evidence)

    def unknown(self, result: Unknown) -> FindingKind | None:
        """A file lies where the catalog has none: moved here, an editor's companion, or a stray."""
        entry, file = result.entry, result.file
        if file is None:
            return self._stray(entry, {"unreadable": True, "size": entry.size}, None)
        if is_own(entry.path):
            # No picture belongs among the tool's own, so it is no copy; whose it is, a person has to say.
            return self._stray(
                entry,
                {"found": file.digest.hex(), "size": entry.size},
                questions.file_with_digest(self._catalog, file.digest),
            )
        known = questions.file_with_digest(self._catalog, file.digest)
        if known is not None and self._belongs_here(known, entry.path):
            self._enter_back(known, result)
            return None
        # In a bin it is as good as gone: the copy stays missing, and a mend knows where to read it.
        moved = self._missing_copy(known, entry) if known and not lies_in_bin(entry.path) else None
        if moved is not None:
            self.came_back.add(self._missed.get(moved.id, moved.path))
            return FindingKind.MISPLACED if self._look.lies_elsewhere(moved, entry, result.medium) else None
        missed = enter_beside(self._look, Seen(entry, file, result.sample, result.medium))
        if missed is not None:
            self.came_back.add(self._missed.get(missed, ""))
            return FindingKind.MISPLACED if self._is_open(FindingKind.MISPLACED, entry.path) else None
        return self._stray(entry, {"found": file.digest.hex(), "size": entry.size}, known)

    def vanished(self, path: str) -> None:
        """What was noticed at a path where nothing is recorded is not there any more."""
        self._close(path, "it is not there any more", kinds=(FindingKind.STRAY,))

    # What each of these rests on

    def _missing_copy(self, known: KnownFile, entry: Entry) -> Copy | None:
        """The missing copy that this can be: equal sidecars of two pictures are not each other."""
        beside = pictures_beside(self._catalog, self._place.id, entry.path)
        return next(
            (
                copy
                for copy in questions.copies_of(self._catalog, known.id)
                if copy.place_id == self._place.id
                and copy.state is CopyState.MISSING
                and serves(known, entry.path, copy.path.rpartition("/")[2])
                and (content_is_identity(known.kind, known.file.size) or self._went_with(copy, beside))
            ),
            None,
        )

    def _went_with(self, copy: Copy, pictures: frozenset[bytes]) -> bool:
        """Whether a missing companion can lie beside these pictures now: they are its own, or it has none."""
        its = pictures_beside(self._catalog, copy.place_id, copy.path)
        return not its or not pictures or bool(its & pictures)

    def _belongs_here(self, known: KnownFile, path: str) -> bool:
        """Whether an open finding waits for this file at this path: a mend was cut off before it could say so."""
        wanted = newest_version(self._catalog, path, self._place.id)
        waiting = (FindingKind.CORRUPT, FindingKind.ALTERED, FindingKind.STALE, FindingKind.MISSING)
        return any(
            one.kind in waiting and known.id == (wanted if wanted is not None else one.file_id)
            for one in findings_at(self._catalog, self._place.id, path)
        )

    def _enter_back(self, known: KnownFile, result: Unknown) -> None:
        """The good copy that a mend left at this path."""
        entry = result.entry
        copy_id = copy_written(
            self._catalog,
            known.id,
            self._place.id,
            known.shoot_id,
            entry,
            self._now,
            insertion=self._place.insertion,
            by_us=False,
        )
        copy_verified(self._catalog, copy_id, result.medium, self._now, self._place.insertion)
        self._close(entry.path, "it reads back as it should", kinds=(*BAD, FindingKind.STALE))

    def _stray(self, entry: Entry, evidence: dict[str, object], known: KnownFile | None) -> FindingKind | None:
        new = notice(
            self._catalog,
            FindingKind.STRAY,
            self._place.id,
            entry.path,
            self._now,
            file_id=known.id if known else None,
            evidence={**evidence, "known": known is not None},
        )
        return FindingKind.STRAY if new else None

    def _notice(self, kind: FindingKind, copy: Copy, evidence: dict[str, object]) -> FindingKind | None:
        """Open a finding about a copy; its kind if it is new."""
        shoot_id = self._look.shoot_of(copy.id)
        new = notice(
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
            Outcome.FAILURE,
            f"{shown(copy.path)}: {kind}",
            self._now,
            job_id=self._look.job_id,
            place_id=self._place.id,
            shoot_id=shoot_id,
            file_id=copy.file_id,
            detail={key: value for key, value in evidence.items() if value is not None},
        )
        return kind

    def _is_open(self, kind: FindingKind, path: str) -> bool:
        return any(one.kind is kind for one in findings_at(self._catalog, self._place.id, path))

    def _close(self, path: str, how: str, *, kinds: tuple[FindingKind, ...] = tuple(FindingKind)) -> None:
        self._look.close(path, how, kinds)
