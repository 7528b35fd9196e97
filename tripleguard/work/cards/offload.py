"""Card to drives: one pass, every drive at once, each copy read back, and then the question that counts.

What an interrupted run of the same card finished is recognised and not read again. What is on a drive already
is not copied again, but proved where evidence is missing. A file that can't be read, a drive that fills up or
is pulled, stops itself and nothing else. At the end the card is listed again and the clearance answers.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from tripleguard.answers import Clearance
from tripleguard.catalog import shoots
from tripleguard.catalog.numbers import FROM_FOLDER
from tripleguard.errors import CardGone, TripleguardError
from tripleguard.model import EventType, Odd, Outcome, PlaceRecord, Shoot
from tripleguard.names import shown
from tripleguard.places.card import Card, Left
from tripleguard.wording import counted
from tripleguard.work.cards.copying import Changed, CopyResult, Read, ReadBefore, SetApart, Unread
from tripleguard.work.cards.deciding import Decider
from tripleguard.work.cards.naming_bodies import name_body
from tripleguard.work.cards.pace import Pace
from tripleguard.work.cards.planning import CardPlan
from tripleguard.work.cards.results import NotCopied, Proved, Task, Written
from tripleguard.work.cards.run import CopyRun, Wanted
from tripleguard.work.cards.second_reading import (
    UNSTEADY,
    SecondReading,
    compared,
    differs,
    not_read_again,
    second_tasks,
)
from tripleguard.work.clearance.card import CardQuestion, VerifiedOnDrive, answer_for_card
from tripleguard.work.clearance.copies import CopyKey
from tripleguard.work.clearance.observation import CardObservation, Stamp, stamp_of
from tripleguard.work.kit import Kit, OpenDrive
from tripleguard.work.looking import WholeCard, whole_card
from tripleguard.work.numbering import Numbers, Told, settle_numbers
from tripleguard.work.progress import Job, Moved, Progress, Said

_ATTEMPTS = 3
_SAID_AT_MOST = 20


@dataclass(frozen=True, slots=True)
class CardNote:
    """Something about one path on the card: why it is on no drive, or how it changed."""

    path: str
    reason: str


@dataclass(frozen=True, slots=True)
class OffloadResult:
    """What an offload did.

    changed: files that differ from what was offloaded from the same path; both are kept. copied: files that at
    least one drive got now. resumed: files an interrupted run had read. on_drives: verified copies of this card's
    files, by drive. total_bytes: of all files on the card; read_bytes: what was read of it now.
    """

    shoots: tuple[Shoot, ...]
    files: int
    total_bytes: int
    copied: int
    already_there: int
    resumed: int
    litter: int
    on_drives: dict[str, VerifiedOnDrive]
    not_copied: tuple[CardNote, ...]
    changed: tuple[CardNote, ...]
    troubles: tuple[TripleguardError, ...]
    read_bytes: int
    seconds: float
    clearance: Clearance
    whole: WholeCard
    second: SecondReading | None
    numbers: Numbers

    @property
    def verified(self) -> dict[str, int]:
        """How many of the card's files each drive holds verified."""
        return {name: one.files for name, one in self.on_drives.items()}


def offload(
    kit: Kit,
    card: Card,
    drives: Sequence[OpenDrive],
    shoot: str | None,
    refused: Sequence[tuple[PlaceRecord, TripleguardError]] = (),
    *,
    accept_damaged: bool = False,
    read_twice: bool | None = None,
    body: str | None = None,
    told: Callable[[], Told | None] = lambda: None,
    observation: CardObservation | None = None,
) -> Job[OffloadResult]:
    """Copy what is on the card to the drives and answer whether it may be reformatted.

    drives are open and locked; refused are those that can't be used now. accept_damaged: a person lives with files
    that are damaged at source. read_twice: read the card a second time and compare; None: if the first time had
    an error. body: the name of the body that filled the card, for bodies that write no serial. told: asked at the
    end for the number of cards. observation: what the caller has seen of the card already.
    Yields progress, returns the result.
    Raises CardGone, Stopped, PlaceFailed (no drive left), CatalogTrouble.
    """
    began = time.monotonic()
    yield Moved("listing the card", 0, 0, 0, 0, 0.0, None)
    since = kit.clock.now()
    with contextlib.ExitStack() as stack:
        if observation is None:
            observation = stack.enter_context(contextlib.closing(CardObservation(card)))
        job = CardRun(kit, observation, drives, shoot, body=body, read_twice=read_twice, told=told)
        for record, error in refused:
            job.troubles.append(error)
            yield Said(f"Drive {record.name} is left out: {error.what}")
        yield from job.run()
        yield Moved("asking: may it be reformatted", job.files_done, job.totals.files, 0, 0, 0.0, None)
        whole = whole_card(kit, job.job_id)
        question = CardQuestion(
            card,
            observation,
            is_read=True,
            unsteady=frozenset(job.second.unsteady if job.second else ()),
            before=job.verified_as,
            accept_damaged=accept_damaged,
        )
        answer = yield from answer_for_card(kit, question, job.drives_left(), since=since)
    return OffloadResult(
        shoots=job.shoots(),
        files=job.totals.files,
        total_bytes=job.totals.total_bytes,
        copied=len(job.copied),
        already_there=job.files_done - len(job.copied) - len(job.failed()),
        resumed=job.resumed,
        litter=job.totals.litter,
        on_drives={drive.record.name: VerifiedOnDrive() for drive in drives} | answer.verified,
        not_copied=job.not_copied(),
        changed=tuple(CardNote(*pair) for pair in job.changed.items()),
        troubles=tuple(job.troubles),
        read_bytes=job.pace.read_bytes,
        seconds=round(time.monotonic() - began, 3),
        clearance=answer.clearance,
        whole=whole,
        second=job.second,
        numbers=job.numbers,
    )


class CardRun(CopyRun):
    """One run, from the caller's thread."""

    def __init__(
        self,
        kit: Kit,
        observation: CardObservation,
        drives: Sequence[OpenDrive],
        shoot: str | None,
        *,
        body: str | None = None,
        told: Callable[[], Told | None] = lambda: None,
        read_twice: bool | None = False,
    ) -> None:
        self.totals = observation.totals()
        card = observation.card
        super().__init__(
            kit,
            drives,
            "offload",
            str(card.root),
            self.totals.files,
            self.totals.total_bytes,
            card.insertion(),
        )
        self.verified_as: dict[CopyKey, Stamp] = {}
        self._observation = observation
        self.copied: set[str] = set()
        self.changed: dict[str, str] = {}
        self.resumed = 0
        self._card = card
        self._decider = Decider(kit, card, drives, shoot, body)
        self._read: set[str] = set()
        self._unread: dict[str, str] = {}
        self._failed: dict[str, str] = {}
        self._odd: list[Odd] = []
        self._card_gone: CardGone | None = None
        self.second: SecondReading | None = None
        self._read_twice = read_twice
        self._body = body
        self._told = told
        self.numbers = Numbers()
        self._stumbled = False
        self._again_reading = False

    def run(self) -> Iterator[Progress]:
        """Everything once, then what has to be tried again; at the end, lists and snapshots on the drives."""
        try:
            self._decider.learn_body(self._card)
            for attempt in range(_ATTEMPTS):
                again = self.take_again()
                if attempt and not again:
                    break
                if attempt:
                    yield Said(f"Trying {len(again)} files once more.")
                yield from self._pass(again if attempt else None)
            if self._read_twice or (self._read_twice is None and self._stumbled):
                yield from self._read_again()
        except BaseException:
            # What ended the work is told; what goes wrong while leaving in good order is not.
            with contextlib.suppress(TripleguardError):
                self.leave(with_snapshots=False)
                self._close(Outcome.FAILURE)
            raise
        finally:
            self._decider.close()
        self.give_up()
        yield from self._counted()
        yield Moved("writing check lists", self.files_done, self.totals.files, 0, 0, 0.0, None)
        self.leave(with_snapshots=True)
        wrong = self.not_copied() or self.troubles or self._failed
        self._close(Outcome.PARTIAL if wrong else Outcome.SUCCESS)

    def _counted(self) -> Iterator[Progress]:
        """What the frame numbers say now, before the catalog's snapshots are left on the drives."""
        for line in name_body(self.kit, self.job_id, self._body):
            yield Said(line)
        self.numbers = settle_numbers(self.kit, self.job_id, self._told())

    def shoots(self) -> tuple[Shoot, ...]:
        """The shoots that this card's files belong to, the largest first."""
        counts = self.recorder.shoot_files
        return tuple(
            shoots.shoot_with_id(self.kit.catalog, shoot) for shoot in sorted(counts, key=lambda n: -counts[n])
        )

    def not_copied(self) -> tuple[CardNote, ...]:
        """What did not get to any drive."""
        found = [(odd.path, odd.reason) for odd in self._odd]
        return tuple(CardNote(*pair) for pair in [*found, *self._unread.items(), *self.failed().items()])

    def failed(self) -> dict[str, str]:
        """What was read and got to no drive, and why."""
        return {path: why for path, why in self._failed.items() if path not in self.copied}

    def _pass(self, again: Wanted | None) -> Iterator[Progress]:
        plan = CardPlan(self.kit, self._observation, self.drives, self.alive_lanes(), self.verified_as)
        wanted = [(entry, tuple(sorted(on))) for entry, on in again.values()] if again else []
        try:
            yield from self.one_pass(
                plan.everything if again is None else lambda copier: plan.again(copier, wanted), self._decider
            )
        finally:
            plan.close()

    def _read_again(self) -> Iterator[Progress]:
        """Read the card a second time and compare; what differs is copied as well."""
        self.second = second = SecondReading()
        yield Said("The card is read a second time and compared.")
        first, doing = self.pace, self._doing
        self.pace, self._doing, self._again_reading = Pace(self.totals.total_bytes), "second reading", True
        try:
            yield from self.one_pass(
                lambda copier: second_tasks(self.kit, self._card, self.job_id, second, copier), self._decider
            )
        finally:
            self.pace, self._doing, self._again_reading = first, doing, False
        if again := self.take_again():
            yield from self._pass(again)

    def must_end(self) -> bool:
        return self._card_gone is not None or super().must_end()

    def raise_if_ended(self) -> None:
        if self._card_gone is not None:
            raise self._card_gone
        super().raise_if_ended()

    def enter(self, result: CopyResult) -> None:
        match result:
            case Read(task) if self._again_reading and self.second is not None:
                if not compared(self.kit, self.job_id, task, self.second):
                    self.try_again(task.entry, range(len(self.drives)))
            case Unread(task, why) if self._again_reading and self.second is not None:
                self._not_read(task, why)
                if self._card_gone is None and why != "stopped":
                    not_read_again(self.kit, self.job_id, task.entry.path, self.second)
            case Read(task, file):
                if task.guess is not None and task.guess != file:
                    self.try_again(task.entry, range(len(self.drives)))
                else:
                    self._count(task)
                    self._observation.record_reading(task.entry, file.digest)
                    file_id = self.recorder.read(task)
                    if self.second is not None and task.entry.path in self.second.unsteady:
                        differs(self.kit, file_id, task.entry.path, UNSTEADY, self.second)
            case ReadBefore(entry, known, read_at):
                self.recorder.resumed(entry, known.id, known.shoot_id, read_at)
                self._observation.record_reading(entry, known.file.digest)
                self.resumed += 1
                self.files_done += 1
                self.pace.skip(entry.size)
            case Unread(task, why):
                self._not_read(task, why)
            case Changed(task, why):
                self.changed.setdefault(task.entry.path, why)
            case SetApart(item) if not isinstance(item, Left):
                self._odd.append(item)
            case Proved(proof, lane, _, _, seen):
                super().enter(result)
                self.verified_as[self.drives[lane].record.id, proof.path] = stamp_of(seen)
            case Written():
                super().enter(result)
                self.copied.add(result.task.entry.path)
            case NotCopied(task, _, error):
                super().enter(result)
                self._failed[task.entry.path] = error.what
            case _:
                super().enter(result)

    def _count(self, task: Task) -> None:
        self._unread.pop(task.entry.path, None)
        if not task.lanes:
            self.pace.skip(task.entry.size)
        if task.entry.path not in self._read:
            self._read.add(task.entry.path)
            self.files_done += 1

    def _not_read(self, task: Task, why: str) -> None:
        if self.kit.stop.is_set() or why == "stopped":
            return
        if not self._card.still_there():
            self._card_gone = CardGone(
                f"The card at {shown(str(self._card.root))} was pulled or stopped answering after "
                f"{self.files_done:,} of {self.totals.files:,} files.",
                safe="What was finished stays on the drives; the card was only read.",
                do="Put it in again and run the same command: it goes on where it stopped. Do not reformat it.",
            )
            return
        self._stumbled = True
        if self._again_reading:
            return
        self._unread[task.entry.path] = why
        self._observation.record_failure(task.entry.path)
        self.try_again(task.entry, task.lanes or range(len(self.drives)))

    def let_go(self, result: CopyResult) -> None:
        if isinstance(result, Written | NotCopied):
            self._decider.landed(result.task, result.lane)

    def line_for(self, result: CopyResult) -> str | None:
        if isinstance(result, Unread):
            return None if result.why == "stopped" else f"{shown(result.task.entry.path)}: {result.why}."
        return super().line_for(result)

    def _close(self, outcome: Outcome) -> None:
        detail: dict[str, object] = {"files": self.totals.files, "bytes": self.totals.total_bytes}
        detail |= {"done": self.files_done} | ({} if self._card.counted else FROM_FOLDER)
        root = shown(str(self._card.root))
        with self.kit.catalog.writing():
            for shoot_id, files in self.recorder.shoot_files.items():
                self.recorder.event(
                    EventType.INGESTION, outcome, f"{counted(files, 'file')} read from {root}", shoot_id=shoot_id
                )
            self.end(outcome, detail)
