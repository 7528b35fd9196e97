"""Drill the offsite place: fetch a random sample into the scratch folder and compare it.

Providers charge for fetching, so the sample ends with the budget. An encrypted copy is decrypted if the key is
given, else it is fetched and compared as stored. A network failure says nothing about a copy.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tripleguard.catalog import file_queries
from tripleguard.catalog import offsite as rows
from tripleguard.catalog.event_log import begin_job
from tripleguard.catalog.file_queries import count_bad_copies
from tripleguard.catalog.offsite import StoredObject
from tripleguard.errors import NetworkError, TripleguardError, UsageError
from tripleguard.forecast.rescan_plan import compute_bad_share_bound
from tripleguard.home import delete_scratch, prepare_scratch_path, write_scratch
from tripleguard.jobs.context import JobContext, current_agent
from tripleguard.jobs.copying.buffers import CHUNK_BYTES
from tripleguard.jobs.copying.recording import record_failed_copy
from tripleguard.jobs.offsite.encryption import DecryptionKey, is_encrypted
from tripleguard.jobs.offsite.object_verification import get_tag, read_object
from tripleguard.jobs.offsite.offsite_place import OpenOffsite
from tripleguard.jobs.offsite.rescan_offsite import ReadBackCost
from tripleguard.jobs.progress import Job, ProgressUpdate
from tripleguard.jobs.rescan.drill import (
    PlaceDrillResult,
    build_stopped_error,
    choose_sample,
    hash_scratch_file,
    record_drill_end,
    require_scratch_space,
)
from tripleguard.model import Copy, EventOutcome, File, FindingKind
from tripleguard.names import escape_text
from tripleguard.places.base import CopyReader
from tripleguard.places.cache_bypass import allocate_aligned


@dataclass(slots=True)
class OffsiteDrillResult:
    """What a drill of the offsite place found. not_decrypted: sampled copies that were compared encrypted."""

    place: PlaceDrillResult
    cost: ReadBackCost
    not_decrypted: int


def drill_offsite(
    ctx: JobContext,
    offsite: OpenOffsite,
    sample_size: int,
    seed: int,
    max_bytes: int,
    key: DecryptionKey | None = None,
) -> Job[OffsiteDrillResult]:
    """Fetch a random sample of `sample_size` copies, at most `max_bytes`, and compare. Yields progress.

    Raises NetworkError, AccessDeniedError, NoSpaceError, UsageError for a key that does not fit, StoppedError,
    CatalogError.
    """
    with ctx.catalog.transaction():
        job = begin_job(ctx.catalog, "drill", offsite.record.name, current_agent(), ctx.clock.now())
    run = _OffsiteDrillRun(ctx, offsite, job, key)
    total, chosen = choose_sample(ctx, offsite.record, sample_size, seed)
    random.Random(seed).shuffle(chosen)
    done = False
    try:
        yield from run.run(chosen, max_bytes)
        done = True
    finally:
        outcome = EventOutcome.FAILURE if run.failed else EventOutcome.SUCCESS if done else EventOutcome.PARTIAL
        detail = {"seed": seed, "sampled": run.sampled, "failed": len(run.failed), "bytes": run.read_bytes}
        record_drill_end(ctx, offsite.record, job, outcome, detail)
    price = round(run.read_bytes / 1e9 * ctx.settings.offsite.price_per_gb, 4)
    bound = compute_bad_share_bound(run.sampled, len(run.failed))
    place = PlaceDrillResult(
        offsite.record.name,
        total,
        count_bad_copies(ctx.catalog, offsite.record.id),
        run.sampled,
        tuple(run.failed),
        bound,
    )
    standing = rows.count_offsite_totals(ctx.catalog, offsite.record.id)
    return OffsiteDrillResult(
        place, ReadBackCost(run.read_bytes, standing.verified_bytes, price), run.not_decrypted
    )


class _OffsiteDrillRun:
    """One run, in the caller's thread."""

    def __init__(self, ctx: JobContext, offsite: OpenOffsite, job: int, key: DecryptionKey | None) -> None:
        self._ctx, self._offsite, self._job, self._key = ctx, offsite, job, key
        self.sampled = 0
        self.not_decrypted = 0
        self.read_bytes = 0
        self.failed: list[tuple[str, str]] = []

    def run(self, copy_ids: list[int], max_bytes: int) -> Iterator[ProgressUpdate]:
        for number in copy_ids:
            copy = file_queries.get_copy(self._ctx.catalog, number)
            stored = rows.find_object(self._ctx.catalog, number)
            size = stored.stored_bytes if stored else copy.size
            # Always fetch the first one: an empty drill proves nothing.
            if self.sampled and self.read_bytes + size > max_bytes:
                return
            yield ProgressUpdate("drill offsite", self.sampled, len(copy_ids), self.read_bytes, 0, 0.0, None)
            self._check_copy(copy, stored)
            self.sampled += 1

    def _check_copy(self, copy: Copy, stored: StoredObject | None) -> None:
        sealed = is_encrypted(stored)
        expected = file_queries.get_file(self._ctx.catalog, copy.file_id).file
        if sealed and self._key is None and stored is not None:
            expected = File(stored.blake3, stored.stored_bytes)
            self.not_decrypted += 1
        try:
            # A single bad fetch may be the network's fault; only a second one is the object's.
            if self._fetch(copy, encrypted=sealed) == expected or self._fetch(copy, encrypted=sealed) == expected:
                return
            same = stored is None or get_tag(self._offsite, copy.path) == stored.tag
        except FileNotFoundError:
            self._record_failure(copy, FindingKind.MISSING, "it is not there")
            return
        kind = FindingKind.CORRUPT if same else FindingKind.ALTERED
        self._record_failure(copy, kind, "it holds other bytes than recorded")

    def _record_failure(self, copy: Copy, kind: FindingKind, reason: str) -> None:
        self.failed.append((copy.path, reason))
        record_failed_copy(self._ctx, copy, reason, "drill", self._job, kind=kind)

    def _fetch(self, copy: Copy, *, encrypted: bool) -> File | None:
        """Return the file that arrived in the scratch folder; None if it can't be decrypted any more."""
        target = prepare_scratch_path(self._ctx.home, f"drill-{copy.id}")
        try:
            require_scratch_space(self._ctx, copy.size, copy.size * 3)
            try:
                reading = self._open_copy(copy, encrypted=encrypted)
            except FileNotFoundError:
                raise
            except OSError as error:
                self._raise_if_network_failed(copy, error)
                return None
            try:
                self._copy_to_scratch(reading, target, counts_as_read=not encrypted or self._key is None)
            finally:
                reading.close()
            return hash_scratch_file(target)
        finally:
            delete_scratch(target)

    def _open_copy(self, copy: Copy, *, encrypted: bool) -> CopyReader:
        place = self._offsite.place
        if not encrypted or self._key is None:
            return place.open_reader(copy.path)
        if not self._key.can_decrypt(place.open_reader(copy.path)):
            raise UsageError(
                f"The key does not open {escape_text(copy.path)}.",
                safe="Nothing was found wrong with it.",
                do="Give the key that belongs to a recipient in offsite.seal_for.",
            )
        self.read_bytes += copy.size
        return self._key.decrypt(place.open_reader(copy.path))

    def _raise_if_network_failed(self, copy: Copy, error: OSError) -> None:
        """Return if the object itself is at fault for a failed fetch.

        Raises NetworkError if the network is.
        """
        stored = rows.find_object(self._ctx.catalog, copy.id)
        try:
            found, _, _ = read_object(self._offsite, copy.path, self._ctx.stop.is_set, self._add_read_bytes)
        except OSError:
            raise _find_network_error(error) from error
        if stored is None or found == File(stored.blake3, stored.stored_bytes):
            raise _find_network_error(error) from error

    def _copy_to_scratch(self, reading: CopyReader, target: Path, *, counts_as_read: bool) -> None:
        buffer = allocate_aligned(CHUNK_BYTES)

        def pieces() -> Iterator[memoryview]:
            while True:
                try:
                    count = reading.readinto(buffer)
                except OSError as error:
                    raise _find_network_error(error) from error
                if not count:
                    return
                if counts_as_read:
                    self._add_read_bytes(count)
                if self._ctx.stop.is_set():
                    raise build_stopped_error()
                yield buffer[:count]

        write_scratch(target, pieces())

    def _add_read_bytes(self, size: int) -> None:
        self.read_bytes += size


def _find_network_error(error: OSError) -> TripleguardError:
    return NetworkError(
        f"The offsite place failed in the middle of the drill ({escape_text(error.strerror or str(error))}).",
        safe="A drill only reads; nothing was found wrong with its copies.",
        do="Check the network, then run the drill again.",
    )
