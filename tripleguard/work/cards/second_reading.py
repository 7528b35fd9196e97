"""Reading a card a second time: what a failing card or reader gives differs from one time to the next.

A copy can be proved against what was read, and what was read can be wrong without any error. So each file is read
again, past the caches of the file system and of the device below it, and compared with the first time. Where the
two differ nobody knows which one is right: what a third reading gives is kept beside the first, and the file is
not covered.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import partial

from tripleguard.catalog import questions
from tripleguard.catalog.looks import enter_flaw, take_back
from tripleguard.model import Entry, Flaw, Medium
from tripleguard.places.base import Reading
from tripleguard.places.card import Card
from tripleguard.work.cards.copying import Copier
from tripleguard.work.cards.results import Task
from tripleguard.work.kit import Kit

_SIGN = "two readings differ"
UNSTEADY = Flaw(grave=False, sign=_SIGN, why="two readings of it from the card gave different bytes")
ONCE = Flaw(grave=False, sign=_SIGN, why="it could be read from the card once, and not a second time")


@dataclass(slots=True)
class SecondReading:
    """How a second reading went. equal: files that gave the same. unsteady: path to why it does not count.

    from_memory: the caches could not be passed for all of it, so that being equal proves little.
    """

    equal: int = 0
    from_memory: bool = False
    unsteady: dict[str, str] = field(default_factory=dict)


def second_tasks(kit: Kit, card: Card, job_id: int, second: SecondReading, copier: Copier) -> Iterator[Task]:
    """A task for each card file that this job has read, to be read and compared. Runs in the reader's thread."""
    catalog = kit.catalog.reopened()
    try:
        for entry in card.listed():
            copier.wait_for_room()
            row = questions.as_read(catalog, job_id, entry.path) if isinstance(entry, Entry) else None
            if row is None or not isinstance(entry, Entry) or row[1:3] != (entry.size, entry.mtime_ns):
                continue
            known = questions.file_with_id(catalog, row[0])
            yield Task(
                entry,
                open=partial(_opened, card, entry.path, second),
                lanes=(),
                still_same=partial(card.same, entry),
                guess=known.file,
            )
    finally:
        catalog.close()


def compared(kit: Kit, job_id: int, task: Task, second: SecondReading) -> bool:
    """Whether a second reading gave what the first one did; what follows is entered. Called inside `writing`."""
    row = questions.as_read(kit.catalog, job_id, task.entry.path)
    if row is None:
        return False
    if task.file == task.guess:
        second.equal += 1
        if not second.from_memory:
            take_back(kit.catalog, row[0], UNSTEADY.sign, kit.clock.now())
        return True
    differs(kit, row[0], task.entry.path, UNSTEADY, second)
    return False


def not_read_again(kit: Kit, job_id: int, path: str, second: SecondReading) -> None:
    """A file could be read the first time and not the second. Called inside `writing`."""
    row = questions.as_read(kit.catalog, job_id, path)
    if row is not None:
        differs(kit, row[0], path, ONCE, second)


def differs(kit: Kit, file_id: int, path: str, flaw: Flaw, second: SecondReading) -> None:
    """Note that one reading of a card file gave this file, and another did not. Called inside `writing`."""
    second.unsteady.setdefault(path, flaw.why)
    enter_flaw(kit.catalog, file_id, flaw, kit.clock.now())


def _opened(card: Card, path: str, second: SecondReading) -> Reading:
    return _Noting(card.read_again(path), second)


class _Noting:
    """A reading that notes, once it is over, if it may have come from memory."""

    def __init__(self, reading: Reading, second: SecondReading) -> None:
        self._reading = reading
        self._second = second

    @property
    def medium(self) -> Medium:
        return self._reading.medium

    def readinto(self, buffer: memoryview) -> int:
        return self._reading.readinto(buffer)

    def close(self) -> None:
        if not self._reading.medium.reached_device:
            self._second.from_memory = True
        self._reading.close()
