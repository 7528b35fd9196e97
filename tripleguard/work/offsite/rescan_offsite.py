"""Looking at the offsite place again: all of it is listed, and a budget of bytes is read back.

A listing is cheap and tells what is missing, what is new, and what has another size or tag. What has another tag
is proved no more until it was read back. Reading back costs what the provider takes for it, so all of it is within
the budget: what is in doubt comes first, then what was only ever proved as it arrived, then the oldest evidence,
and last what is known to be bad.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass

from tripleguard.catalog import offsite as rows
from tripleguard.catalog import questions
from tripleguard.catalog.findings import BAD, close_at, findings_at, notice, open_findings
from tripleguard.catalog.journal import add_event, begin_job, end_job
from tripleguard.catalog.lineage import newest_version
from tripleguard.catalog.offsite import Stored
from tripleguard.catalog.writing import copies_listed, copy_state, copy_verified
from tripleguard.errors import CopyTrouble, Stopped
from tripleguard.model import Copy, CopyState, EventType, File, FindingKind, Kind, Medium, Outcome
from tripleguard.names import shown
from tripleguard.places.bucket import Lying
from tripleguard.places.offsite import Offsite
from tripleguard.places.own import is_own
from tripleguard.wording import counted
from tripleguard.work.budget import Budget
from tripleguard.work.frames import follow_selects
from tripleguard.work.kit import Kit, agent
from tripleguard.work.offsite.proving import read_whole
from tripleguard.work.offsite.third_place import OpenOffsite
from tripleguard.work.progress import Job, Moved, Progress, Said
from tripleguard.work.rescanning.rescan import PlaceScanned
from tripleguard.work.rescanning.scanning import Depth

_WINDOW = 100_000
_BATCH = 500
_BAD = (CopyState.CORRUPT, CopyState.ALTERED)


@dataclass(frozen=True, slots=True)
class Cost:
    """What reading back took. of_bytes: all that lies there; price: in the person's currency, 0 if none is set."""

    read_bytes: int
    of_bytes: int
    price: float


def rescan_offsite(
    kit: Kit, offsite: OpenOffsite, depth: Depth, budget: Budget, *, strays: bool = True
) -> Job[tuple[PlaceScanned, Cost]]:
    """List the open place and read some of it back: quick: only what is in doubt; due: also the rest; all.

    quick and due stay within the settings' budget. strays: also tell of what is not in the catalog.

    Raises LineTrouble, NoAccess while listing, CatalogTrouble. A stop by the person ends it in good order.
    """
    run = _Rescan(kit, offsite, depth, budget, strays=strays)
    yield from run.run()
    return run.scanned, run.cost()


class _Rescan:
    """One run, from the caller's thread."""

    def __init__(self, kit: Kit, offsite: OpenOffsite, depth: Depth, budget: Budget, *, strays: bool) -> None:
        self._strays = strays
        self._kit, self._offsite, self._depth, self._budget = kit, offsite, depth, budget
        self._now = kit.clock.now()
        self._place = offsite.record.id
        self._allowed = kit.settings.offsite.read_back_bytes if depth != "all" else None
        self._of_bytes = 0
        self._not_counted: set[int] = set()
        self.scanned = PlaceScanned(offsite.record.name, offsite=True)
        with kit.catalog.writing():
            follow_selects(kit.catalog)
            self._job = begin_job(kit.catalog, f"rescan {depth}", offsite.record.name, agent(), self._now)

    def run(self) -> Iterator[Progress]:
        finished = False
        try:
            suspects = yield from self._listing()
            finished = yield from self._reading(suspects)
            self._mark_stale()
        finally:
            self.scanned.finished = finished
            self._close()

    def cost(self) -> Cost:
        price = self.scanned.read_bytes / 1e9 * self._kit.settings.offsite.price_per_gb
        return Cost(self.scanned.read_bytes, self._of_bytes, round(price, 4))

    def _listing(self) -> Job[list[tuple[Copy, Stored | None]]]:
        """Hold the listing against the catalog; copies that have to be read to be judged, known bad ones last."""
        recorded = rows.objects_of(self._kit.catalog, self._place)
        kept = rows.keys_that_gave_way(self._kit.catalog, self._place)
        suspects: list[tuple[Copy, Stored | None]] = []
        fine: list[int] = []
        for lying in self._lying():
            self._of_bytes += lying.size
            copy, stored = recorded.pop(lying.key, (None, None))
            if copy is None:
                if self._strays and lying.key not in kept:
                    yield from self._stray(lying)
                continue
            if stored is None or _changed(lying, stored) or not _is_proved(copy):
                suspects.append((copy, stored))
            else:
                fine.append(copy.id)
            if len(fine) + len(suspects) >= _BATCH:
                self._listed(fine)
                yield Moved("listing offsite", self.scanned.checked, 0, 0, 0, 0.0, None)
        self._listed(fine)
        for copy, _ in recorded.values():
            yield from self._found(FindingKind.MISSING, copy, {}, CopyState.MISSING)
        if self._strays:
            self._close_vanished()
        self._doubt([copy.id for copy, _ in suspects if copy.state is CopyState.PRESENT])
        return sorted(suspects, key=lambda one: one[0].state in _BAD)

    def _doubt(self, copies: list[int]) -> None:
        """Until they were read back these are proved no more: a stop, or the budget, may come first."""
        with self._kit.catalog.writing():
            for number in copies:
                rows.doubted(self._kit.catalog, number)

    def _lying(self) -> Iterator[Lying]:
        place = self._offsite.place
        if isinstance(place, Offsite):
            yield from place.listed()
            return
        for entry in place.walk(""):
            if not is_own(entry.path):
                yield Lying(entry.path, entry.size, entry.mtime_ns, f"{entry.size}-{entry.mtime_ns}")

    def _listed(self, fine: list[int]) -> None:
        with self._kit.catalog.writing():
            copies_listed(self._kit.catalog, fine, self._now)
        self.scanned.checked += len(fine)
        self.scanned.unchanged += len(fine)
        fine.clear()

    def _reading(self, suspects: list[tuple[Copy, Stored | None]]) -> Job[bool]:
        """Read back what is suspect, then what wants it most; whether all that was asked for was read."""
        done = self._not_counted = {copy.id for copy, _ in suspects}
        bad = [one for one in suspects if one[0].state in _BAD]
        wanted = suspects[: len(suspects) - len(bad)]
        if self._depth != "quick":
            due = rows.to_read_back(self._kit.catalog, self._place, _WINDOW)
            wanted += [(copy, rows.stored_as(self._kit.catalog, copy.id)) for copy in due if copy.id not in done]
            wanted += bad
        for copy, stored in wanted:
            if self._kit.stop.is_set() or self._budget.used_up():
                return False
            if self._is_spent(stored.stored if stored else copy.size):
                break
            try:
                yield from self._read_one(copy, stored)
            except Stopped:
                return False
            except (OSError, CopyTrouble) as error:
                self.scanned.trouble = str(error).splitlines()[0]
                return False
        return True

    def _is_spent(self, size: int) -> bool:
        """Whether one more would go over the budget; the first one always fits."""
        read = self.scanned.read_bytes
        return self._allowed is not None and read > 0 and read + size > self._allowed

    def _read_one(self, copy: Copy, stored: Stored | None) -> Iterator[Progress]:
        known = questions.file_with_id(self._kit.catalog, copy.file_id)
        expected = File(stored.blake3, stored.stored) if stored else known.file
        try:
            found, medium, tag = self._read(copy.path)
            if found != expected:
                # A reading that is wrong once may be the line; only one that is wrong twice is the object.
                found, medium, tag = self._read(copy.path)
        except FileNotFoundError:
            yield from self._found(FindingKind.MISSING, copy, {}, CopyState.MISSING)
            return
        # What was listed as it should be was looked at already.
        self.scanned.checked += copy.id in self._not_counted
        self.scanned.read_back += 1
        if found == expected:
            self._equal(copy, stored, expected, medium, tag)
            yield Moved("reading back offsite", self.scanned.read_back, 0, self.scanned.read_bytes, 0, 0.0, None)
            return
        same = stored is not None and stored.tag == tag and found.size == expected.size
        kind, state = (
            (FindingKind.CORRUPT, CopyState.CORRUPT) if same else (FindingKind.ALTERED, CopyState.ALTERED)
        )
        evidence: dict[str, object] = {"found": found.digest.hex(), "size": found.size}
        yield from self._found(kind, copy, evidence, state)

    def _read(self, key: str) -> tuple[File, Medium, str]:
        return read_whole(self._offsite, key, self._kit.stop.is_set, self._spend)

    def _spend(self, size: int) -> None:
        self.scanned.read_bytes += size
        wait = self._budget.spend(size)
        while wait > 0 and not self._kit.stop.is_set():
            time.sleep(min(wait, 0.2))
            wait -= 0.2

    def _equal(self, copy: Copy, stored: Stored | None, expected: File, medium: Medium, tag: str) -> None:
        catalog = self._kit.catalog
        with catalog.writing():
            copy_verified(catalog, copy.id, medium, self._now)
            if stored is None:
                rows.object_stored(catalog, copy.id, Stored(tag, "read", expected.size, "", expected.digest))
            else:
                rows.object_read(catalog, copy.id, tag)
            close_at(catalog, self._place, copy.path, "it reads back as it should", self._now, kinds=BAD)

    def _found(
        self, kind: FindingKind, copy: Copy, evidence: dict[str, object], state: CopyState
    ) -> Iterator[Progress]:
        catalog = self._kit.catalog
        known = questions.file_with_id(catalog, copy.file_id)
        is_new = all(one.kind is not kind for one in findings_at(catalog, self._place, copy.path))
        with catalog.writing():
            copy_state(catalog, copy.id, state, self._now)
            others = tuple(other for other in FindingKind if other is not kind)
            close_at(catalog, self._place, copy.path, f"it is {kind} now", self._now, kinds=others)
            notice(
                catalog,
                kind,
                self._place,
                copy.path,
                self._now,
                copy_id=copy.id,
                file_id=copy.file_id,
                shoot_id=known.shoot_id,
                evidence=evidence,
            )
        if kind is FindingKind.MISSING:
            self.scanned.checked += 1
        if is_new:
            self.scanned.found.append((kind, copy.path))
            yield Said(f"Offsite: {shown(copy.path)} is {kind}.")

    def _stray(self, lying: Lying) -> Iterator[Progress]:
        catalog = self._kit.catalog
        is_new = not findings_at(catalog, self._place, lying.key)
        with catalog.writing():
            evidence = {"size": lying.size}
            notice(catalog, FindingKind.STRAY, self._place, lying.key, self._now, evidence=evidence)
        if is_new:
            self.scanned.found.append((FindingKind.STRAY, lying.key))
            yield Said(f"Offsite: {shown(lying.key)} is {FindingKind.STRAY}.")

    def _close_vanished(self) -> None:
        """Strays that were not listed again are gone."""
        for one in open_findings(self._kit.catalog):
            if one.place_id == self._place and one.kind is FindingKind.STRAY and one.seen_at < self._now:
                with self._kit.catalog.writing():
                    close_at(self._kit.catalog, self._place, one.path, "it is not there any more", self._now)

    def _mark_stale(self) -> None:
        """Sidecars whose newest version is wanted and not there: what lies there is an older one."""
        catalog = self._kit.catalog
        owed = {debt.wanted.path for debt in rows.owed_offsite(catalog, self._place)}
        for copy, _ in rows.objects_of(catalog, self._place).values():
            known = questions.file_with_id(catalog, copy.file_id)
            if known.kind is not Kind.COMPANION or copy.state is not CopyState.PRESENT:
                continue
            newest = newest_version(catalog, copy.path, self._place)
            is_stale = newest is not None and newest != copy.file_id and copy.path in owed
            with catalog.writing():
                if is_stale:
                    notice(
                        catalog,
                        FindingKind.STALE,
                        self._place,
                        copy.path,
                        self._now,
                        copy_id=copy.id,
                        file_id=copy.file_id,
                        shoot_id=known.shoot_id,
                    )
                else:
                    kinds = (FindingKind.STALE,)
                    close_at(catalog, self._place, copy.path, "the newest is there", self._now, kinds=kinds)
            if is_stale:
                self.scanned.found.append((FindingKind.STALE, copy.path))

    def _close(self) -> None:
        seen, now = self.scanned, self._kit.clock.now()
        outcome = Outcome.SUCCESS if seen.finished else Outcome.PARTIAL
        with self._kit.catalog.writing():
            add_event(
                self._kit.catalog,
                EventType.FIXITY_CHECK,
                Outcome.FAILURE if seen.found else outcome,
                f"{counted(seen.checked, 'copy', 'copies')} looked at, {seen.read_back:,} read back, "
                f"{len(seen.found):,} new",
                now,
                job_id=self._job,
                place_id=self._place,
            )
            detail = {"checked": seen.checked, "read_back": seen.read_back, "bytes": seen.read_bytes}
            end_job(self._kit.catalog, self._job, outcome, detail, now)


def _is_proved(copy: Copy) -> bool:
    return copy.state is CopyState.PRESENT and copy.evidence.verified_at is not None


def _changed(lying: Lying, stored: Stored) -> bool:
    return lying.size != stored.stored or lying.tag != stored.tag
