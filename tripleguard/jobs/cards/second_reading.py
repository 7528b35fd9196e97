"""Read a card a second time and compare, because a failing card or reader may give different bytes each time.

A copy is verified against what was read, but the reading itself can be wrong without any error. So each file is
read again, past the caches of the file system and the device, and compared. Where the readings differ nobody knows
which is right: the content of a third reading is kept beside the first, and the file does not count as covered.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import partial

from tripleguard.catalog import file_queries
from tripleguard.catalog.integrity import add_flaw, remove_flaw
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.copying.copy_tasks import CopyTask
from tripleguard.jobs.copying.engine import CopyEngine
from tripleguard.model import Entry, IntegrityFlaw, Medium
from tripleguard.places.base import CopyReader, SourceFolder

_SIGN = "two readings differ"
READINGS_DIFFER = IntegrityFlaw(
    is_grave=False, sign=_SIGN, explanation="two readings of it from the card gave different bytes"
)
READ_ONLY_ONCE = IntegrityFlaw(
    is_grave=False, sign=_SIGN, explanation="it could be read from the card once, and not a second time"
)


@dataclass(slots=True)
class SecondReading:
    """The result of a second reading.

    Attributes:
        equal_files: Files with the same content both times.
        is_from_cache: Some content may have come from a cache, so equality proves little.
        unstable: Why a file does not count, by path.
    """

    equal_files: int = 0
    is_from_cache: bool = False
    unstable: dict[str, str] = field(default_factory=dict)


def make_second_tasks(
    ctx: JobContext, card: SourceFolder, job_id: int, second: SecondReading, engine: CopyEngine
) -> Iterator[CopyTask]:
    """Yield a task for each card file that this job has read, to compare. Runs in the reader's thread."""
    catalog = ctx.catalog.reopen()
    try:
        for entry in card.entries():
            engine.wait_for_backlog()
            row = file_queries.find_card_file(catalog, job_id, entry.path) if isinstance(entry, Entry) else None
            if row is None or not isinstance(entry, Entry) or row[1:3] != (entry.size, entry.mtime_ns):
                continue
            known = file_queries.get_file(catalog, row[0])
            yield CopyTask(
                entry,
                open=partial(_open_second_reading, card, entry.path, second),
                lanes=(),
                is_source_unchanged=partial(card.is_unchanged, entry),
                expected_file=known.file,
            )
    finally:
        catalog.close()


def compare_reading(ctx: JobContext, job_id: int, task: CopyTask, second: SecondReading) -> bool:
    """Return whether both readings are equal, and record what follows. Call inside `transaction`."""
    row = file_queries.find_card_file(ctx.catalog, job_id, task.entry.path)
    if row is None:
        return False
    if task.file == task.expected_file:
        second.equal_files += 1
        if not second.is_from_cache:
            remove_flaw(ctx.catalog, row[0], READINGS_DIFFER.sign, ctx.clock.now())
        return True
    record_difference(ctx, row[0], task.entry.path, READINGS_DIFFER, second)
    return False


def record_second_read_failure(ctx: JobContext, job_id: int, path: str, second: SecondReading) -> None:
    """Record a file that was readable the first time and not the second. Call inside `transaction`."""
    row = file_queries.find_card_file(ctx.catalog, job_id, path)
    if row is not None:
        record_difference(ctx, row[0], path, READ_ONLY_ONCE, second)


def record_difference(
    ctx: JobContext, file_id: int, path: str, flaw: IntegrityFlaw, second: SecondReading
) -> None:
    """Record that two readings of a card file differ. Call inside `transaction`."""
    second.unstable.setdefault(path, flaw.explanation)
    add_flaw(ctx.catalog, file_id, flaw, ctx.clock.now())


def _open_second_reading(card: SourceFolder, path: str, second: SecondReading) -> CopyReader:
    return _CacheTrackingReading(card.open_second_reader(path), second)


class _CacheTrackingReading:
    """A reading that notes when it ends whether it may have come from a cache."""

    def __init__(self, reading: CopyReader, second: SecondReading) -> None:
        self._reading = reading
        self._second = second

    @property
    def medium(self) -> Medium:
        return self._reading.medium

    def readinto(self, buffer: memoryview) -> int:
        return self._reading.readinto(buffer)

    def close(self) -> None:
        if not self._reading.medium.is_from_device:
            self._second.is_from_cache = True
        self._reading.close()
