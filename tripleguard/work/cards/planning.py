"""What to do with each card file, decided before it is read. Runs in the reader's thread.

An interrupted run's readings are recognised; what looks like a file that all drives have is only read; the rest
is copied to every drive that lacks it. Copies whose evidence is missing or weak are sent to be read back.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, MutableMapping, Sequence

from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog.rows import KnownFile
from tripleguard.model import Entry
from tripleguard.work.cards.copying import Copier, CopyGone, ReadBefore, SetApart
from tripleguard.work.cards.results import Task, ToProve
from tripleguard.work.clearance.copies import CopyKey
from tripleguard.work.clearance.observation import CardObservation, Stamp
from tripleguard.work.holdings import Beside, Holdings, Lacking
from tripleguard.work.kit import Kit, OpenDrive
from tripleguard.work.looking import look_for


class CardPlan:
    """Tasks for what is on a card. lanes: numbers of the drives that take part; copies_seen: as in `Holdings`."""

    def __init__(
        self,
        kit: Kit,
        observation: CardObservation,
        drives: Sequence[OpenDrive],
        lanes: Sequence[int],
        copies_seen: MutableMapping[CopyKey, Stamp],
    ) -> None:
        self._kit = kit
        self._observation = observation
        self._card = observation.card
        self._lanes = tuple(lanes)
        self._beside = Beside()
        self._insertion = self._card.insertion()
        self._holdings = Holdings(
            kit.catalog.reopened(),
            drives,
            kit.settings.rule,
            kit.clock,
            within_hours=kit.settings.clearance.card_hours,
            seen=copies_seen,
        )

    def close(self) -> None:
        self._holdings.catalog.close()

    def everything(self, copier: Copier) -> Iterator[Task]:
        """One task for each file on the card that has to be read. Raises CardGone."""
        for item in self._observation.listed():
            copier.wait_for_room()
            if isinstance(item, Entry):
                task = self._planned(copier, item)
                if task is not None:
                    yield task
            else:
                copier.report(SetApart(item))

    def again(self, copier: Copier, wanted: Iterable[tuple[Entry, tuple[int, ...]]]) -> Iterator[Task]:
        """Tasks for card files that are to be tried once more on these lanes."""
        for entry, lanes in wanted:
            alive = tuple(lane for lane in lanes if lane in self._lanes and copier.lanes[lane].alive)
            if alive:
                yield self._task(self._card.look(entry.path) or entry, alive)

    def _planned(self, copier: Copier, entry: Entry) -> Task | None:
        if not kind_of(entry.name).is_original and self._beside.pictures(entry) == frozenset():
            # Its picture is new, so whatever holds these bytes is not what lies beside it.
            return self._task(entry, self._lanes)
        resumed = self._holdings.resumed(self._card, entry, self._insertion)
        if resumed is not None:
            known, read_at = resumed
            lacking = self._looked_at(copier, known, entry)
            if not lacking.lanes:
                copier.report(ReadBefore(entry, known, read_at))
                return None
            return self._task(entry, lacking.lanes, guess=known)
        guess = self._holdings.guessed(self._card, entry)
        if guess is None:
            if kind_of(entry.name).is_original:
                self._beside.is_new(entry)
            return self._task(entry, self._lanes)
        lacking = self._looked_at(copier, guess, entry)
        return self._task(entry, lacking.lanes, guess=guess)

    def _looked_at(self, copier: Copier, known: KnownFile, entry: Entry) -> Lacking:
        if kind_of(entry.name).is_original:
            self._beside.holds(entry, known.file)
        lacking = self._holdings.lacking(known, entry.name, self._lanes, self._beside.pictures(entry))
        for copy in lacking.gone:
            copier.report(CopyGone(copy))
        for lane, copy in lacking.unproved:
            copier.prove(lane, ToProve(copy.path, known.file, copy.id, self._task(entry, (lane,)), copy.mtime_ns))
        return lacking

    def _task(self, entry: Entry, lanes: tuple[int, ...], guess: KnownFile | None = None) -> Task:
        return Task(
            entry,
            open=lambda: self._card.read(entry.path),
            lanes=lanes,
            still_same=lambda: self._card.same(entry),
            guess=guess.file if guess else None,
            look=look_for(entry),
        )
