"""Rescan the offsite place: list all of it, and read back as much as the budget allows.

A listing is cheap and shows what is missing, what is new, and what has another size or tag. A copy whose tag
changed is unverified until it was read back. Providers charge for reading back, so it stays within the budget:
doubtful copies come first, then those only ever verified on arrival, then the oldest evidence, and last the known
bad ones.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import dataclass

from tripleguard.catalog import file_queries
from tripleguard.catalog import offsite as rows
from tripleguard.catalog.companions import find_newest_version
from tripleguard.catalog.event_log import add_event, begin_job, end_job
from tripleguard.catalog.file_updates import record_copies_listed, record_copy_verified, set_copy_state
from tripleguard.catalog.findings import (
    BAD_KINDS,
    list_findings_at,
    list_open_findings,
    open_or_refresh,
    resolve_at,
)
from tripleguard.catalog.offsite import StoredObject
from tripleguard.errors import CopyError, StoppedError
from tripleguard.jobs.background import Budget
from tripleguard.jobs.context import JobContext, current_agent
from tripleguard.jobs.frame_files import update_wanted_offsite
from tripleguard.jobs.offsite.object_verification import read_object
from tripleguard.jobs.offsite.offsite_place import OpenOffsite
from tripleguard.jobs.progress import Job, Message, Progress, ProgressUpdate
from tripleguard.jobs.rescan.rescan_result import PlaceRescanResult
from tripleguard.jobs.rescan.scan_lane import RescanDepth
from tripleguard.model import Copy, CopyState, EventOutcome, EventType, File, FileKind, FindingKind, Medium
from tripleguard.names import escape_text
from tripleguard.places.offsite_store import ObjectEntry
from tripleguard.rules import is_good_copy
from tripleguard.wording import pluralize

_MAX_COPIES = 100_000
_BATCH_SIZE = 500
_BAD_STATES = (CopyState.CORRUPT, CopyState.ALTERED)


@dataclass(frozen=True, slots=True)
class ReadBackCost:
    """What reading back cost. stored_bytes: all bytes there; price: in the person's currency, 0 if none is set."""

    read_bytes: int
    stored_bytes: int
    price: float


def rescan_offsite(
    ctx: JobContext, offsite: OpenOffsite, depth: RescanDepth, budget: Budget, *, report_strays: bool = True
) -> Job[tuple[PlaceRescanResult, ReadBackCost]]:
    """List the open place and read some of it back: quick: doubtful copies; due: also due ones; all.

    quick and due stay within the settings' budget. report_strays: also report what is not in the catalog.

    Raises NetworkError, AccessDeniedError while listing, CatalogError. A stop by the person ends it cleanly.
    """
    run = _OffsiteRescanRun(ctx, offsite, depth, budget, report_strays=report_strays)
    yield from run.run()
    return run.place_result, run.build_cost()


class _OffsiteRescanRun:
    """One run, in the caller's thread."""

    def __init__(
        self, ctx: JobContext, offsite: OpenOffsite, depth: RescanDepth, budget: Budget, *, report_strays: bool
    ) -> None:
        self._report_strays = report_strays
        self._ctx, self._offsite, self._depth, self._budget = ctx, offsite, depth, budget
        self._now = ctx.clock.now()
        self._place = offsite.record.id
        self._byte_limit = ctx.settings.offsite.read_back_bytes if depth != "all" else None
        self._stored_bytes = 0
        self._uncounted: set[int] = set()
        self.place_result = PlaceRescanResult(offsite.record.name, is_offsite=True)
        with ctx.catalog.transaction():
            update_wanted_offsite(ctx.catalog)
            self._job = begin_job(ctx.catalog, f"rescan {depth}", offsite.record.name, current_agent(), self._now)

    def run(self) -> Iterator[Progress]:
        finished = False
        try:
            suspects = yield from self._compare_listing()
            finished = yield from self._read_back(suspects)
            self._mark_stale()
        finally:
            self.place_result.is_finished = finished
            self._finish_job()

    def build_cost(self) -> ReadBackCost:
        price = self.place_result.read_bytes / 1e9 * self._ctx.settings.offsite.price_per_gb
        return ReadBackCost(self.place_result.read_bytes, self._stored_bytes, round(price, 4))

    def _compare_listing(self) -> Job[list[tuple[Copy, StoredObject | None]]]:
        """Compare the listing with the catalog; return the copies that must be read, known bad ones last."""
        recorded = rows.map_objects(self._ctx.catalog, self._place)
        kept = rows.list_replaced_keys(self._ctx.catalog, self._place)
        suspects: list[tuple[Copy, StoredObject | None]] = []
        fine: list[int] = []
        for listed in self._iter_objects():
            self._stored_bytes += listed.size
            copy, stored = recorded.pop(listed.key, (None, None))
            if copy is None:
                if self._report_strays and listed.key not in kept:
                    yield from self._record_stray(listed)
                continue
            if stored is None or _has_changed(listed, stored) or not is_good_copy(copy):
                suspects.append((copy, stored))
            else:
                fine.append(copy.id)
            if len(fine) + len(suspects) >= _BATCH_SIZE:
                self._record_unchanged(fine)
                yield ProgressUpdate("listing offsite", self.place_result.checked, 0, 0, 0, 0.0, None)
        self._record_unchanged(fine)
        for copy, _ in recorded.values():
            yield from self._record_finding(FindingKind.MISSING, copy, {}, CopyState.MISSING)
        if self._report_strays:
            self._close_vanished_strays()
        self._mark_unverified([copy.id for copy, _ in suspects if copy.state is CopyState.PRESENT])
        return sorted(suspects, key=lambda one: one[0].state in _BAD_STATES)

    def _mark_unverified(self, copies: list[int]) -> None:
        """Mark these copies unverified until they are read back: a stop, or the budget, may come first."""
        with self._ctx.catalog.transaction():
            for number in copies:
                rows.mark_unverified(self._ctx.catalog, number)

    def _iter_objects(self) -> Iterator[ObjectEntry]:
        return self._offsite.place.list_objects()

    def _record_unchanged(self, copy_ids: list[int]) -> None:
        with self._ctx.catalog.transaction():
            record_copies_listed(self._ctx.catalog, copy_ids, self._now)
        self.place_result.checked += len(copy_ids)
        self.place_result.unchanged += len(copy_ids)
        copy_ids.clear()

    def _read_back(self, suspects: list[tuple[Copy, StoredObject | None]]) -> Job[bool]:
        """Read back doubtful copies, then the most due; return whether everything requested was read."""
        done = self._uncounted = {copy.id for copy, _ in suspects}
        bad = [one for one in suspects if one[0].state in _BAD_STATES]
        wanted = suspects[: len(suspects) - len(bad)]
        if self._depth != "quick":
            due = rows.list_copies_to_read_back(self._ctx.catalog, self._place, _MAX_COPIES)
            wanted += [(copy, rows.find_object(self._ctx.catalog, copy.id)) for copy in due if copy.id not in done]
            wanted += bad
        for copy, stored in wanted:
            if self._ctx.stop.is_set() or self._budget.is_used_up():
                return False
            if self._exceeds_limit(stored.stored_bytes if stored else copy.size):
                break
            try:
                yield from self._verify_copy(copy, stored)
            except StoppedError:
                return False
            except (OSError, CopyError) as error:
                self.place_result.error_message = str(error).splitlines()[0]
                return False
        return True

    def _exceeds_limit(self, size: int) -> bool:
        """Return whether one more would exceed the budget; the first one never does."""
        read = self.place_result.read_bytes
        return self._byte_limit is not None and read > 0 and read + size > self._byte_limit

    def _verify_copy(self, copy: Copy, stored: StoredObject | None) -> Iterator[Progress]:
        known = file_queries.get_file(self._ctx.catalog, copy.file_id)
        expected = File(stored.blake3, stored.stored_bytes) if stored else known.file
        try:
            found, medium, tag = self._read_object(copy.path)
            if found != expected:
                # A single bad reading may be the network's fault; only a second one is the object's.
                found, medium, tag = self._read_object(copy.path)
        except FileNotFoundError:
            yield from self._record_finding(FindingKind.MISSING, copy, {}, CopyState.MISSING)
            return
        # A copy listed as recorded was counted already.
        self.place_result.checked += copy.id in self._uncounted
        self.place_result.read_back += 1
        if found == expected:
            self._record_match(copy, stored, expected, medium, tag)
            yield ProgressUpdate(
                "reading back offsite", self.place_result.read_back, 0, self.place_result.read_bytes, 0, 0.0, None
            )
            return
        same = stored is not None and stored.tag == tag and found.size == expected.size
        kind, state = (
            (FindingKind.CORRUPT, CopyState.CORRUPT) if same else (FindingKind.ALTERED, CopyState.ALTERED)
        )
        evidence: dict[str, object] = {"found": found.digest.hex(), "size": found.size}
        yield from self._record_finding(kind, copy, evidence, state)

    def _read_object(self, key: str) -> tuple[File, Medium, str]:
        return read_object(self._offsite, key, self._ctx.stop.is_set, self._add_read_bytes)

    def _add_read_bytes(self, size: int) -> None:
        self.place_result.read_bytes += size
        wait = self._budget.spend(size)
        while wait > 0 and not self._ctx.stop.is_set():
            time.sleep(min(wait, 0.2))
            wait -= 0.2

    def _record_match(
        self, copy: Copy, stored: StoredObject | None, expected: File, medium: Medium, tag: str
    ) -> None:
        catalog = self._ctx.catalog
        with catalog.transaction():
            record_copy_verified(catalog, copy.id, medium, self._now)
            if stored is None:
                rows.record_object(catalog, copy.id, StoredObject(tag, "read", expected.size, "", expected.digest))
            else:
                rows.record_object_read(catalog, copy.id, tag)
            resolve_at(catalog, self._place, copy.path, "it reads back as it should", self._now, kinds=BAD_KINDS)

    def _record_finding(
        self, kind: FindingKind, copy: Copy, evidence: dict[str, object], state: CopyState
    ) -> Iterator[Progress]:
        catalog = self._ctx.catalog
        known = file_queries.get_file(catalog, copy.file_id)
        is_new = all(one.kind is not kind for one in list_findings_at(catalog, self._place, copy.path))
        with catalog.transaction():
            set_copy_state(catalog, copy.id, state, self._now)
            others = tuple(other for other in FindingKind if other is not kind)
            resolve_at(catalog, self._place, copy.path, f"it is {kind} now", self._now, kinds=others)
            open_or_refresh(
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
            self.place_result.checked += 1
        if is_new:
            self.place_result.new_findings.append((kind, copy.path))
            yield Message(f"Offsite: {escape_text(copy.path)} is {kind}.")

    def _record_stray(self, stored_object: ObjectEntry) -> Iterator[Progress]:
        catalog = self._ctx.catalog
        is_new = not list_findings_at(catalog, self._place, stored_object.key)
        with catalog.transaction():
            evidence = {"size": stored_object.size}
            open_or_refresh(
                catalog, FindingKind.STRAY, self._place, stored_object.key, self._now, evidence=evidence
            )
        if is_new:
            self.place_result.new_findings.append((FindingKind.STRAY, stored_object.key))
            yield Message(f"Offsite: {escape_text(stored_object.key)} is {FindingKind.STRAY}.")

    def _close_vanished_strays(self) -> None:
        """Resolve the findings of strays that were not listed again."""
        for one in list_open_findings(self._ctx.catalog):
            if one.place_id == self._place and one.kind is FindingKind.STRAY and one.seen_at < self._now:
                with self._ctx.catalog.transaction():
                    resolve_at(self._ctx.catalog, self._place, one.path, "it is not there any more", self._now)

    def _mark_stale(self) -> None:
        """Mark sidecars stale whose newest version is required and missing there."""
        catalog = self._ctx.catalog
        owed = {missing_copy.required.path for missing_copy in rows.list_missing_offsite(catalog, self._place)}
        for copy, _ in rows.map_objects(catalog, self._place).values():
            known = file_queries.get_file(catalog, copy.file_id)
            if known.kind is not FileKind.COMPANION or copy.state is not CopyState.PRESENT:
                continue
            newest = find_newest_version(catalog, copy.path, self._place)
            is_stale = newest is not None and newest != copy.file_id and copy.path in owed
            with catalog.transaction():
                if is_stale:
                    open_or_refresh(
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
                    resolve_at(catalog, self._place, copy.path, "the newest is there", self._now, kinds=kinds)
            if is_stale:
                self.place_result.new_findings.append((FindingKind.STALE, copy.path))

    def _finish_job(self) -> None:
        seen, now = self.place_result, self._ctx.clock.now()
        outcome = EventOutcome.SUCCESS if seen.is_finished else EventOutcome.PARTIAL
        with self._ctx.catalog.transaction():
            add_event(
                self._ctx.catalog,
                EventType.FIXITY_CHECK,
                EventOutcome.FAILURE if seen.new_findings else outcome,
                f"{pluralize(seen.checked, 'copy', 'copies')} looked at, {seen.read_back:,} read back, "
                f"{len(seen.new_findings):,} new",
                now,
                job_id=self._job,
                place_id=self._place,
            )
            detail = {"checked": seen.checked, "read_back": seen.read_back, "bytes": seen.read_bytes}
            end_job(self._ctx.catalog, self._job, outcome, detail, now)


def _has_changed(stored_object: ObjectEntry, stored: StoredObject) -> bool:
    return stored_object.size != stored.stored_bytes or stored_object.tag != stored.tag
