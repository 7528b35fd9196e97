"""What every copying job has in common: passes over a source, entering what happened, trying again, ending.

A job says what to do with each source file (a plan) and where it shall lie (a decision); everything that can
happen on the way to a proved copy is handled here, so that it is handled the same way everywhere.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

from tripleguard.catalog.journal import begin_job, end_job
from tripleguard.errors import CopyTrouble, NoRoom, PlaceFailed, Stopped, TripleguardError
from tripleguard.model import Entry, Outcome
from tripleguard.names import shown
from tripleguard.work.cards.copying import Copier, CopyGone, CopyResult, Decide, Found, Unread
from tripleguard.work.cards.pace import Pace
from tripleguard.work.cards.recording import Recorder
from tripleguard.work.cards.results import Disproved, LaneDown, MovedAside, NotCopied, Proved, Task, Written
from tripleguard.work.kit import Kit, OpenDrive, agent
from tripleguard.work.leaving import leave_all
from tripleguard.work.progress import Progress, Said

_SAID_AT_MOST = 20

Wanted = dict[str, tuple[Entry, set[int]]]
"""Files to be tried again, by path: the entry and the lanes that still want it."""


class CopyRun:
    """One run of a copying job, from the caller's thread. subject: what it works on, for the record."""

    def __init__(
        self,
        kit: Kit,
        drives: Sequence[OpenDrive],
        kind: str,
        subject: str,
        files: int,
        total_bytes: int,
        insertion: str | None = None,
    ) -> None:
        self.kit, self.drives = kit, drives
        self.troubles: list[TripleguardError] = []
        self.files = files
        self.files_done = 0
        self.pace = Pace(total_bytes)
        self._doing = kind
        self._down: set[int] = set()
        self._full: set[int] = set()
        self._again: Wanted = {}
        self._failures: dict[int, CopyTrouble] = {}
        self._said = 0
        with kit.catalog.writing():
            self.job_id = begin_job(kit.catalog, kind, subject, agent(), kit.clock.now(), insertion=insertion)
        self.recorder = Recorder(kit, self.job_id, drives)

    def alive_lanes(self) -> list[int]:
        """Lanes that still take part. Raises PlaceFailed if there is none."""
        lanes = [lane for lane in range(len(self.drives)) if lane not in self._down]
        if not lanes:
            raise self._no_drive_left()
        return lanes

    def one_pass(self, plan: Callable[[Copier], Iterable[Task]], decide: Decide) -> Iterator[Progress]:
        """Copy what the plan asks for and enter what happens. Raises Stopped, PlaceFailed, CatalogTrouble."""
        self._failures.clear()
        copier = Copier(
            [drive.place for drive in self.drives],
            plan,
            decide,
            buffer_bytes=self.kit.settings.offload.buffer_bytes,
            turns=self._takes_turns(),
        )
        copier.start()
        try:
            for batch in copier.results():
                yield from self._entered(batch)
                if self.must_end():
                    copier.stop()
                yield self.pace.moved(self._doing, self.files_done, self.files, copier)
        finally:
            left = copier.close()
            for _ in self._entered([result for result in left if not isinstance(result, Unread)]):
                pass
            self.pace.pass_ended(copier)
        self.raise_if_ended()

    def must_end(self) -> bool:
        """Whether nothing more should be read."""
        return len(self._down) == len(self.drives) or self.kit.stop.is_set()

    def raise_if_ended(self) -> None:
        """Raise what ended the pass, if something did."""
        if self.kit.stop.is_set():
            raise Stopped(
                f"Stopped after {self.files_done:,} of {self.files:,} files.",
                safe="What was finished stays, and the source was only read. Do not reformat a card now.",
                do="Run the same command again: it goes on where it stopped.",
            )
        if len(self._down) == len(self.drives):
            raise self._no_drive_left()

    def enter(self, result: CopyResult) -> None:
        """Enter one result; called inside one transaction with others."""
        match result:
            case Written():
                self.recorder.written(result)
            case MovedAside():
                self.recorder.moved_aside(result)
            case Found(task, lane, entry):
                self.recorder.written(Written(task, lane, entry), by_us=False)
            case Proved():
                self.recorder.proved(result)
            case Disproved():
                self.recorder.disproved(result)
                if result.proof.task is not None:
                    self.try_again(result.proof.task.entry, [result.lane])
            case CopyGone(copy):
                self.recorder.gone(copy)
            case NotCopied(task, lane, error):
                if isinstance(error, NoRoom):
                    if lane not in self._full:
                        self._full.add(lane)
                        self.troubles.append(error)
                elif lane not in self._down:
                    self._failures[lane] = error
                    self.try_again(task.entry, [lane])
            case LaneDown(lane, error):
                self._down.add(lane)
                self.troubles.append(error)
            case _:
                pass

    def let_go(self, result: CopyResult) -> None:
        """The result is in the catalog now."""

    def line_for(self, result: CopyResult) -> str | None:
        """What the person should hear of a result at once, if anything."""
        match result:
            case Disproved(proof, lane, why, aside):
                moved = "it was moved aside, nothing was deleted" if aside else "it could not be moved aside"
                return f"Drive {self.drives[lane].record.name}: {shown(proof.path)}: {why}; {moved}."
            case LaneDown(_, error):
                return str(error)
            case NotCopied(task, _, error) if isinstance(error, NoRoom):
                return f"{shown(task.entry.path)}: {error.what}"
            case CopyGone(copy):
                return f"{shown(copy.path)} is not there as it was recorded; it is copied again."
        return None

    def try_again(self, entry: Entry, lanes: Iterable[int]) -> None:
        """Have a file copied once more in the next pass."""
        self._again.setdefault(entry.path, (entry, set()))[1].update(lanes)

    def take_again(self) -> Wanted:
        """What is to be tried again; the list starts anew."""
        again, self._again = self._again, {}
        return again

    def give_up(self) -> None:
        """No more passes: what failed in the last one on a drive that still answers is trouble, once for each."""
        self.troubles += [error for lane, error in self._failures.items() if lane not in self._down]

    def drives_left(self) -> list[OpenDrive]:
        """The drives that answered to the end."""
        return [drive for lane, drive in enumerate(self.drives) if lane not in self._down]

    def leave(self, *, with_snapshots: bool) -> None:
        """Bring check lists, and snapshots if asked, on the drives up to date."""
        self.troubles += leave_all(self.kit, self.drives_left(), with_snapshots=with_snapshots)

    def end(self, outcome: Outcome, detail: Mapping[str, object]) -> None:
        """Enter what was done and how it ended; called inside `writing`."""
        self.recorder.replications(outcome)
        end_job(self.kit.catalog, self.job_id, outcome, detail, self.kit.clock.now())

    def _entered(self, batch: list[CopyResult]) -> Iterator[Progress]:
        """Enter results in one commit; then let go of what they held in memory, and tell the person."""
        if not batch:
            return
        with self.kit.catalog.writing():
            for result in batch:
                self.enter(result)
        for result in batch:
            self.let_go(result)
            line = self.line_for(result)
            if line is not None:
                self._said += 1
                if self._said <= _SAID_AT_MOST:
                    yield Said(line)
                elif self._said == _SAID_AT_MOST + 1:
                    yield Said("More of the same follows; it is all in the report.")

    def _takes_turns(self) -> bool:
        how = self.kit.settings.offload.read_back
        return how == "turns" or (how == "auto" and any(drive.place.turns for drive in self.drives))

    def _no_drive_left(self) -> PlaceFailed:
        return PlaceFailed(
            f"No drive is left to copy to, after {self.files_done:,} of {self.files:,} files.",
            safe="What was verified before stays, and the source was only read. Do not reformat a card now.",
            do="Check the drives and their cables, then run the same command again.",
        )
