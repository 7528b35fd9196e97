"""Decode pictures from their verified copies, to find damage that the integrity check can't see.

A copy is read from its drive, its digest is compared on the way, and its bytes are decoded in a child process.
Each picture is decoded once; the newest come first, as their card may still exist. Nothing is written to a drive.
A picture that does not decode was damaged before it was copied, as every copy is verified.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, field

from tripleguard.cameras.integrity.decode_check import DecodeCheck
from tripleguard.catalog import file_queries
from tripleguard.catalog.event_log import add_event, begin_job, end_job
from tripleguard.catalog.integrity import (
    count_undecoded,
    find_damage,
    list_undecoded,
    record_decoding,
    update_model_quirks,
)
from tripleguard.catalog.rows import KnownFile
from tripleguard.digest import Hasher
from tripleguard.errors import PlaceFailedError
from tripleguard.jobs.background import Budget
from tripleguard.jobs.context import JobContext, current_agent
from tripleguard.jobs.copying.buffers import CHUNK_BYTES
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.inspect.decoder import MAX_FILE_BYTES, PictureDecoder
from tripleguard.jobs.progress import Job, ProgressUpdate
from tripleguard.model import Copy, EventOutcome, EventType
from tripleguard.places.cache_bypass import allocate_aligned
from tripleguard.wording import pluralize

_PAGE_SIZE = 200


@dataclass(slots=True)
class InspectResult:
    """The results of decoding.

    Attributes:
        decoded: pictures that were decoded.
        unsupported: pictures that no decoder here reads.
        unreadable: copies that could not be read or differ from their record.
        remaining: pictures still to decode.
        damaged: path on the card and reason, unless a person accepted the damage.
    """

    decoded: int = 0
    unsupported: int = 0
    unreadable: int = 0
    remaining: int = 0
    total_bytes: int = 0
    damaged: list[tuple[str, str]] = field(default_factory=list)
    seconds: float = 0.0
    was_stopped: bool = False


def inspect_pictures(
    ctx: JobContext, drives: Sequence[OpenDrive], budget: Budget, decoder: PictureDecoder
) -> Job[InspectResult]:
    """Decode pictures that were not decoded yet and have a verified copy on these open drives. Yields progress.

    A stop by the person ends the job in good order.

    Raises:
        PlaceFailedError: a drive disappeared.
        UsageError: no decoders are installed.
        CatalogError: the catalog can't be read or written.
    """
    began, result = time.monotonic(), InspectResult()
    by_id = {drive.record.id: drive for drive in drives}
    if not list_undecoded(ctx.catalog, tuple(by_id), None, 1):
        result.remaining = count_undecoded(ctx.catalog)
        return result
    with ctx.catalog.transaction():
        job_id = begin_job(ctx.catalog, "inspect", "pictures", current_agent(), ctx.clock.now())
    files, below = count_undecoded(ctx.catalog), None
    try:
        while page := list_undecoded(ctx.catalog, tuple(by_id), below, _PAGE_SIZE):
            for file_id, copy_id in page:
                if ctx.stop.is_set() or budget.is_used_up():
                    return result
                below = file_id
                yield ProgressUpdate("decoding", result.decoded, files, result.total_bytes, 0, 0.0, None)
                copy = file_queries.get_copy(ctx.catalog, copy_id)
                _inspect_copy(ctx, by_id[copy.place_id], copy, budget, decoder, result)
    finally:
        result.was_stopped, result.remaining = ctx.stop.is_set(), count_undecoded(ctx.catalog)
        result.seconds = round(time.monotonic() - began, 3)
        _finish_job(ctx, job_id, result)
    return result


def _inspect_copy(
    ctx: JobContext, drive: OpenDrive, copy: Copy, budget: Budget, decoder: PictureDecoder, result: InspectResult
) -> None:
    known = file_queries.get_file(ctx.catalog, copy.file_id)
    if known.file.size > MAX_FILE_BYTES:
        judged = DecodeCheck(reason=f"it has more than {MAX_FILE_BYTES:,} bytes")
    else:
        content = _read_content(ctx, drive, copy, known, budget)
        if content is None:
            result.unreadable += 1
            return
        result.total_bytes += len(content)
        judged = decoder.decode(known.name, content)
    now = ctx.clock.now()
    with ctx.catalog.transaction():
        record_decoding(ctx.catalog, known.id, judged.flaws, now, is_decodable=judged.is_decoded)
        damage = find_damage(ctx.catalog, known.id) if judged.flaws else None
    result.decoded += judged.is_decoded or bool(judged.flaws)
    result.unsupported += not judged.is_decoded and not judged.flaws
    if damage is not None and not damage.is_accepted:
        result.damaged.append((damage.path, damage.reason))


def _read_content(
    ctx: JobContext, drive: OpenDrive, copy: Copy, known: KnownFile, budget: Budget
) -> bytearray | None:
    """Return the bytes of a copy; None if it can't be read or differs from the catalog, which a rescan reports."""
    hasher, buffer, content = Hasher(), allocate_aligned(CHUNK_BYTES), bytearray()
    try:
        reading = drive.place.open_reader(copy.path)
        try:
            while count := reading.readinto(buffer):
                hasher.update(buffer[:count])
                content += buffer[:count]
                if len(content) > known.file.size:
                    return None
                time.sleep(budget.spend(count))
                while budget.paused.is_set() and not ctx.stop.is_set():
                    time.sleep(0.2)
        finally:
            reading.close()
    except OSError as error:
        if drive.place.is_connected():
            return None
        raise PlaceFailedError(
            f"Drive {drive.record.name} stopped answering.",
            safe="Decoding only reads; nothing was found wrong with its copies.",
            do="Check the cable, connect it again, then run `tripleguard inspect` again.",
        ) from error
    return content if hasher.as_file() == known.file else None


def _finish_job(ctx: JobContext, job_id: int, result: InspectResult) -> None:
    now = ctx.clock.now()
    with ctx.catalog.transaction():
        update_model_quirks(ctx.catalog, now)
        outcome = EventOutcome.FAILURE if result.damaged else EventOutcome.SUCCESS
        message = f"{pluralize(result.decoded, 'picture')} decoded, {len(result.damaged):,} damaged at source"
        if result.decoded:
            add_event(ctx.catalog, EventType.VALIDATION, outcome, message, now, job_id=job_id)
        detail = {"decoded": result.decoded, "damaged": len(result.damaged), "left": result.remaining}
        end_job(ctx.catalog, job_id, outcome, detail, now)
