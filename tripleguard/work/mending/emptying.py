"""Emptying aside: the one job that removes what a photographer may still want, and so by a person's word only.

It begins with a plan that changes nothing. Only what the plan named and the person agreed to is touched, and each
thing is judged again at that moment: by what is known of it, by its bytes, and by its file's copies, looked at
just before. Who said so and why is in the catalog before the first one goes. Cut off anywhere, at most one thing
is gone that the catalog still has; the next run enters it.
"""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from tripleguard.catalog.aside import AsideCopy, forget_aside
from tripleguard.catalog.journal import add_event, begin_job, end_job
from tripleguard.errors import CopyTrouble, TripleguardError
from tripleguard.model import EventType, Outcome, PlaceRecord
from tripleguard.names import shown
from tripleguard.work.kit import Kit, OpenDrive, agent
from tripleguard.work.mending.aside import Choice, Thing, chosen, shelf_of
from tripleguard.work.mending.sparing import Sparing
from tripleguard.work.progress import Job, Moved, Progress

Approved = frozenset[tuple[int, str, int]]
"""What a person agreed to: the place's id, the path and the size of each."""

_CHANGED_SINCE = "it is not what it was when it was looked at"


@dataclass(frozen=True, slots=True)
class Spared:
    """One thing that stays, and why."""

    place: str
    path: str
    size: int
    why: str


@dataclass(frozen=True, slots=True)
class PlacePlan:
    """What would go on one drive, and what would stay of what was chosen. not_chosen: how many are not touched."""

    record: PlaceRecord
    going: tuple[Thing, ...]
    spared: tuple[Spared, ...]
    not_chosen: int

    @property
    def going_bytes(self) -> int:
        return sum(thing.lying.size for thing in self.going)


@dataclass(slots=True)
class PlaceEmptied:
    """What went and what stayed on one drive. forgotten: what was gone before, and is out of the catalog now."""

    record: PlaceRecord
    removed: list[Thing] = field(default_factory=list)
    spared: list[Spared] = field(default_factory=list)
    forgotten: int = 0

    @property
    def removed_bytes(self) -> int:
        return sum(thing.lying.size for thing in self.removed)


@dataclass(frozen=True, slots=True)
class EmptyResult:
    """What was done, by drive. stopped: the person ended it early."""

    places: tuple[PlaceEmptied, ...]
    troubles: tuple[TripleguardError, ...]
    stopped: bool
    seconds: float


def plan_emptying(
    kit: Kit, drives: Sequence[OpenDrive], looked_at: Sequence[OpenDrive], choice: Choice
) -> list[PlacePlan]:
    """What the choice would do on these drives. looked_at: all that are here. Raises PlaceFailed."""
    sparing = Sparing(kit, looked_at, changed_too=choice.changed_too)
    plans = []
    for drive in drives:
        shelf = shelf_of(kit, drive)
        some = chosen(shelf.things, choice, kit.clock.now())
        going, spared = [], []
        for thing in some:
            why = sparing.why_kept(thing.lying, thing.copy, thing.file)
            if why is None:
                going.append(thing)
            else:
                spared.append(Spared(drive.record.name, thing.lying.path, thing.lying.size, why))
        plans.append(PlacePlan(drive.record, tuple(going), tuple(spared), len(shelf.things) - len(some)))
    return plans


def approved(plans: Sequence[PlacePlan]) -> Approved:
    """Everything that the plans would remove, for a person to agree to."""
    return frozenset(
        (plan.record.id, thing.lying.path, thing.lying.size) for plan in plans for thing in plan.going
    )


def empty_aside(
    kit: Kit,
    drives: Sequence[OpenDrive],
    looked_at: Sequence[OpenDrive],
    choice: Choice,
    agreed: Approved,
    because: str,
) -> Job[EmptyResult]:
    """Remove what a person agreed to on the open and locked drives, and nothing else. Yields progress.

    because: the person's reason, which is kept. A stop by the person ends it between two things. Raises
    CatalogTrouble.
    """
    began = time.monotonic()
    run = _Emptying(kit, looked_at, choice, agreed, because)
    for drive in drives:
        yield from run.on(drive)
    return EmptyResult(
        tuple(run.places), tuple(run.troubles), kit.stop.is_set(), round(time.monotonic() - began, 3)
    )


class _Emptying:
    """One run, from the caller's thread."""

    def __init__(
        self, kit: Kit, looked_at: Sequence[OpenDrive], choice: Choice, agreed: Approved, because: str
    ) -> None:
        self.places: list[PlaceEmptied] = []
        self.troubles: list[TripleguardError] = []
        self._kit = kit
        self._choice = choice
        self._agreed = agreed
        self._because = because
        self._sparing = Sparing(kit, looked_at, changed_too=choice.changed_too)

    def on(self, drive: OpenDrive) -> Iterator[Progress]:
        """One drive. What goes wrong with it is kept in troubles; the next one has its turn all the same."""
        emptied = PlaceEmptied(drive.record)
        self.places.append(emptied)
        try:
            shelf = shelf_of(self._kit, drive)
            for copy in shelf.vanished:
                emptied.forgotten += self._forgotten(drive, copy)
            things = [
                thing
                for thing in chosen(shelf.things, self._choice, self._kit.clock.now())
                if (drive.record.id, thing.lying.path, thing.lying.size) in self._agreed
            ]
            if things:
                yield from self._each(drive, things, emptied)
            drive.place.tidy_aside()
        except CopyTrouble as error:
            self.troubles.append(error)

    def _each(self, drive: OpenDrive, things: Sequence[Thing], emptied: PlaceEmptied) -> Iterator[Progress]:
        total, done = sum(thing.lying.size for thing in things), 0
        job = self._begun(drive, things, total)
        outcome = Outcome.FAILURE
        try:
            for number, thing in enumerate(things):
                if self._kit.stop.is_set():
                    break
                doing = f"emptying aside on {shown(drive.record.name)}"
                yield Moved(doing, number, len(things), done, total, 0.0, None)
                why = self._removed(drive, thing, job)
                done += thing.lying.size
                if why is None:
                    emptied.removed.append(thing)
                else:
                    emptied.spared.append(Spared(drive.record.name, thing.lying.path, thing.lying.size, why))
            outcome = Outcome.SUCCESS if len(emptied.removed) == len(things) else Outcome.PARTIAL
        finally:
            detail = {"removed": len(emptied.removed), "bytes": emptied.removed_bytes, "because": self._because}
            with self._kit.catalog.writing():
                end_job(self._kit.catalog, job, outcome, detail, self._kit.clock.now())

    def _begun(self, drive: OpenDrive, things: Sequence[Thing], total: int) -> int:
        """Enter whose word it is and what it speaks of, before anything goes; the job's number."""
        now, who = self._kit.clock.now(), agent()
        with self._kit.catalog.writing():
            job = begin_job(self._kit.catalog, "aside empty", drive.record.name, who, now)
            add_event(
                self._kit.catalog,
                EventType.DEACCESSION,
                Outcome.SUCCESS,
                f"{who} gave the word to remove {len(things):,} files ({total:,} bytes) from aside, "
                f"{self._choice.words}: {shown(self._because)}",
                now,
                job_id=job,
                place_id=drive.record.id,
                detail={
                    "by": who,
                    "because": self._because,
                    "paths": [shown(thing.lying.path) for thing in things],
                },
            )
        return job

    def _removed(self, drive: OpenDrive, thing: Thing, job: int) -> str | None:
        """Judge one thing for the last time, and remove it; why it stays, None if it is gone."""
        lying, copy, file = thing.lying, thing.copy, thing.file
        why = self._sparing.why_kept(lying, copy, file)
        if why is not None or copy is None or file is None:
            return why
        try:
            why = self._sparing.why_kept_by_content(drive, lying, copy, file)
        except OSError as error:
            return f"it could not be laid beside a good copy ({error.strerror or error}). Next: run `rescan`"
        # Reading took its time: the copies that count are looked at once more, as the last thing before.
        why = why or self._sparing.why_kept(lying, copy, file)
        if why is not None:
            return why
        if lying.note is not None and lying.note.links == 1:
            drive.place.storing.remove_aside(lying.note)
        if not drive.place.storing.remove_aside(lying):
            return _CHANGED_SINCE
        now = self._kit.clock.now()
        with self._kit.catalog.writing():
            forget_aside(self._kit.catalog, copy.copy)
            add_event(
                self._kit.catalog,
                EventType.DELETION,
                Outcome.SUCCESS,
                f"{shown(lying.path)} was removed from aside by the word of {agent()}: {shown(self._because)}",
                now,
                job_id=job,
                place_id=drive.record.id,
                file_id=file.id,
                detail={"bytes": lying.size, "was": lying.why},
            )
        return None

    def _forgotten(self, drive: OpenDrive, copy: AsideCopy) -> bool:
        """The catalog has something aside that does not lie there: cut off after it went, or removed by hand."""
        if copy.open or drive.place.taken(copy.copy.path) or not drive.place.here():
            return False
        with self._kit.catalog.writing():
            forget_aside(self._kit.catalog, copy.copy)
            add_event(
                self._kit.catalog,
                EventType.DELETION,
                Outcome.PARTIAL,
                f"{shown(copy.copy.path)} did not lie aside any more: an emptying was cut off, or somebody "
                "removed it by hand",
                self._kit.clock.now(),
                place_id=drive.record.id,
                file_id=copy.copy.file_id,
            )
        return True
