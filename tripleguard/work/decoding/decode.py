"""Decoding pictures from their verified copies, in the background: what a look in passing can't see.

A copy is read from its drive, its digest is compared on the way, and its bytes are given to a decoder in a process
of its own. Each picture is decoded once; the newest come first, for their card may still be there. Nothing is
written to a drive. What does not decode was damaged before it was copied, for every copy is verified.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, field

from tripleguard.cameras.judging import Judged
from tripleguard.catalog import questions
from tripleguard.catalog.journal import add_event, begin_job, end_job
from tripleguard.catalog.looks import damage_of, enter_decoded, settle_habits, to_decode, undecoded
from tripleguard.catalog.rows import KnownFile
from tripleguard.digest import Hasher
from tripleguard.errors import PlaceFailed
from tripleguard.model import Copy, EventType, Outcome
from tripleguard.places.media import aligned_buffer
from tripleguard.wording import counted
from tripleguard.work.budget import Budget
from tripleguard.work.chunks import CHUNK
from tripleguard.work.decoding.decoder import LARGEST, Decoder
from tripleguard.work.kit import Kit, OpenDrive, agent
from tripleguard.work.progress import Job, Moved

_PAGE = 200


@dataclass(slots=True)
class DecodeResult:
    """What decoding told. decoded: pictures that were; passed_over: that no decoder here reads; left: still to do.

    damaged: path on the card and why, unless a person lives with it. unread: copies that could not be read or are
    not as recorded now.
    """

    decoded: int = 0
    passed_over: int = 0
    unread: int = 0
    left: int = 0
    total_bytes: int = 0
    damaged: list[tuple[str, str]] = field(default_factory=list)
    seconds: float = 0.0
    stopped: bool = False


def decode(kit: Kit, drives: Sequence[OpenDrive], budget: Budget, decoder: Decoder) -> Job[DecodeResult]:
    """Decode what was not decoded yet and has a verified copy on these open drives. Yields progress.

    A stop by the person ends it in good order. Raises PlaceFailed if a drive goes, WrongUse without decoders,
    CatalogTrouble.
    """
    began, result = time.monotonic(), DecodeResult()
    by_id = {drive.record.id: drive for drive in drives}
    if not to_decode(kit.catalog, tuple(by_id), None, 1):
        result.left = undecoded(kit.catalog)
        return result
    with kit.catalog.writing():
        job_id = begin_job(kit.catalog, "decode", "pictures", agent(), kit.clock.now())
    files, below = undecoded(kit.catalog), None
    try:
        while page := to_decode(kit.catalog, tuple(by_id), below, _PAGE):
            for file_id, copy_id in page:
                if kit.stop.is_set() or budget.used_up():
                    return result
                below = file_id
                yield Moved("decoding", result.decoded, files, result.total_bytes, 0, 0.0, None)
                copy = questions.copy_with_id(kit.catalog, copy_id)
                _one(kit, by_id[copy.place_id], copy, budget, decoder, result)
    finally:
        result.stopped, result.left = kit.stop.is_set(), undecoded(kit.catalog)
        result.seconds = round(time.monotonic() - began, 3)
        _close(kit, job_id, result)
    return result


def _one(kit: Kit, drive: OpenDrive, copy: Copy, budget: Budget, decoder: Decoder, result: DecodeResult) -> None:
    known = questions.file_with_id(kit.catalog, copy.file_id)
    if known.file.size > LARGEST:
        judged = Judged(why=f"it has more than {LARGEST:,} bytes")
    else:
        content = _content(kit, drive, copy, known, budget)
        if content is None:
            result.unread += 1
            return
        result.total_bytes += len(content)
        judged = decoder.judge(known.name, content)
    now = kit.clock.now()
    with kit.catalog.writing():
        enter_decoded(kit.catalog, known.id, judged.flaws, now, decoded=judged.decoded)
        damage = damage_of(kit.catalog, known.id) if judged.flaws else None
    result.decoded += judged.decoded or bool(judged.flaws)
    result.passed_over += not judged.decoded and not judged.flaws
    if damage is not None and not damage.accepted:
        result.damaged.append((damage.path, damage.why))


def _content(kit: Kit, drive: OpenDrive, copy: Copy, known: KnownFile, budget: Budget) -> bytearray | None:
    """The bytes of a copy; None if it can't be read or is not what the catalog says: that is for a rescan."""
    hasher, buffer, content = Hasher(), aligned_buffer(CHUNK), bytearray()
    try:
        reading = drive.place.read(copy.path)
        try:
            while count := reading.readinto(buffer):
                hasher.update(buffer[:count])
                content += buffer[:count]
                if len(content) > known.file.size:
                    return None
                time.sleep(budget.spend(count))
                while budget.paused.is_set() and not kit.stop.is_set():
                    time.sleep(0.2)
        finally:
            reading.close()
    except OSError as error:
        if drive.place.here():
            return None
        raise PlaceFailed(
            f"Drive {drive.record.name} stopped answering.",
            safe="Decoding only reads; nothing was found wrong with its copies.",
            do="Check the cable, connect it again, then run `tripleguard decode` again.",
        ) from error
    return content if hasher.file() == known.file else None


def _close(kit: Kit, job_id: int, result: DecodeResult) -> None:
    now = kit.clock.now()
    with kit.catalog.writing():
        settle_habits(kit.catalog, now)
        outcome = Outcome.FAILURE if result.damaged else Outcome.SUCCESS
        message = f"{counted(result.decoded, 'picture')} decoded, {len(result.damaged):,} damaged at source"
        if result.decoded:
            add_event(kit.catalog, EventType.VALIDATION, outcome, message, now, job_id=job_id)
        detail = {"decoded": result.decoded, "damaged": len(result.damaged), "left": result.left}
        end_job(kit.catalog, job_id, outcome, detail, now)
