"""Where a file shall lie, decided when its last byte is hashed. Runs in the hasher's thread."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import replace

from tripleguard.cameras.body import Names
from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog import questions, shoots
from tripleguard.model import Entry, File, Kind
from tripleguard.places.card import Card
from tripleguard.work.cards.copying import Changed, Copier, CopyGone, Found
from tripleguard.work.cards.following import Companion, Following
from tripleguard.work.cards.namegiving import Chosen, NameGiver, no_name_left
from tripleguard.work.cards.placing import Placer
from tripleguard.work.cards.results import NotCopied, Task, ToProve
from tripleguard.work.holdings import Beside, Holdings, content_is_identity, copies_for
from tripleguard.work.kit import Kit, OpenDrive

_BODY_LOOKS = 20
_BODY_HEAD = 256 * 1024

_SAME_TIME = (
    "its bytes differ from what was offloaded before, though size and time are the same: the card or its reader "
    "may be failing; both versions are kept"
)
_NEW_VERSION = "it was changed on the card since it was offloaded; both versions are kept"


class Decider:
    """Decides for one offload, over all its passes. shoot, body: the names that were given, if any."""

    def __init__(
        self, kit: Kit, card: Card, drives: Sequence[OpenDrive], shoot: str | None, body: str | None = None
    ) -> None:
        self._kit = kit
        self._catalog = kit.catalog.reopened()
        self._holdings = Holdings(self._catalog, drives, kit.settings.rule, kit.clock)
        self._names = NameGiver(self._catalog, drives)
        self._beside = Beside()
        self._following = Following(self._catalog, drives)
        self._shoot = shoot
        self._shoots: dict[str, str] = {}
        labels = {key: label for key, (_, label) in shoots.bodies(self._catalog).items()}
        names = Names(body, kit.settings.cameras.without_serial)
        self._placer = Placer(kit.settings.layout, kit.clock.zone(), self._shoot_of, labels, names, card)
        self._flying: dict[bytes, set[int]] = {}
        self._lock = threading.Lock()

    def close(self) -> None:
        self._catalog.close()

    def learn_body(self, card: Card) -> None:
        """Look into a few originals, so that files without a body go with the card's."""
        heads: list[tuple[Entry, bytes]] = []
        for item in card.listed():
            if len(heads) >= _BODY_LOOKS:
                break
            if isinstance(item, Entry) and kind_of(item.path).is_original:
                try:
                    heads.append((item, card.read_at(item.path, 0, _BODY_HEAD)))
                except OSError:
                    continue
        self._placer.learn_body(heads)

    def __call__(self, copier: Copier, task: Task, file: File, head: bytes) -> dict[int, str]:
        """The path for each lane that shall keep this copy. Raises NameTaken, PlaceFailed."""
        task.placing = self._placer.placing(task.entry, head)
        shoot = self._following.shoot(self._pictures_followed(task))
        if shoot is not None:
            task.placing = replace(task.placing, day=shoot.day, shoot=shoot.name)
        self._tell_change(copier, task, file)
        lanes = self._still_lacking(copier, task, file)
        chosen = self._chosen(task, file, lanes) if lanes else Chosen()
        if task.placing.kind.is_original:
            self._beside.holds(task.entry, file)
            self._following.named(file, {lane: entry.path for lane, entry in chosen.found.items()} | chosen.paths)
        if not lanes:
            return {}
        for lane, entry in chosen.found.items():
            copier.report(Found(task, lane, entry))
            copier.prove(lane, ToProve(entry.path, file, task=task))
        for lane, error in chosen.failed.items():
            copier.report(NotCopied(task, lane, error))
        with self._lock:
            task.paths = {lane: path for lane, path in chosen.paths.items() if lane not in task.given_up}
            self._names.give(task.paths, file)
            self._flying.setdefault(file.digest, set()).update(task.paths)
        return task.paths

    def _chosen(self, task: Task, file: File, lanes: Sequence[int]) -> Chosen:
        """The names that this copy gets: beside its picture if it follows one, else by the layout."""
        assert task.placing is not None
        pictures = self._pictures_followed(task)
        if pictures:
            companion = Companion(file, task.entry.name, pictures, self._placer.wanted(task.placing, task.entry))
            return self._following.chosen(companion, self._names, self._following.paths(companion, lanes))
        chosen: list[Chosen] = []

        def free(path: str) -> bool:
            option = self._names.is_free(path, file, lanes)
            if option is not None:
                chosen.append(option)
            return option is not None

        if self._placer.path(task.placing, task.entry, free) is None:
            raise no_name_left(task.entry.path)
        return chosen[0]

    def _pictures_followed(self, task: Task) -> list[bytes]:
        """The originals that this file goes with: a sidecar, a thumbnail, a spoken note with the picture's."""
        assert task.placing is not None
        follows = not task.placing.kind.is_original or task.placing.kind is Kind.SOUND
        return self._beside.closest(task.entry) if follows else []

    def landed(self, task: Task, lane: int) -> None:
        """The catalog knows now what became of a copy; called from the job's thread."""
        with self._lock:
            path = task.paths.get(lane)
            if task.file is None or path is None:
                task.given_up.add(lane)
                return
            self._names.seen(lane, path)
            lanes = self._flying.get(task.file.digest)
            if lanes is not None:
                lanes.discard(lane)
                if not lanes:
                    del self._flying[task.file.digest]

    def _still_lacking(self, copier: Copier, task: Task, file: File) -> tuple[int, ...]:
        assert task.placing is not None
        lanes = task.lanes
        if content_is_identity(task.placing.kind, file.size):
            with self._lock:
                flying = frozenset(self._flying.get(file.digest, ()))
            lanes = tuple(lane for lane in lanes if lane not in flying)
        known = questions.file_with_digest(self._catalog, file.digest)
        if known is None:
            return lanes
        lacking = self._holdings.lacking(known, task.entry.name, lanes, self._beside.pictures(task.entry))
        for copy in lacking.gone:
            copier.report(CopyGone(copy))
        for lane, copy in lacking.unproved:
            copier.prove(lane, ToProve(copy.path, file, copy.id, task, copy.mtime_ns))
        if self._pictures_followed(task):
            return lacking.lanes
        gone = {copy.id for copy in lacking.gone}
        for copy in copies_for(self._holdings.by_name, known, task.entry.name):
            if copy.id not in gone:
                self._placer.lies_at(task.placing, task.entry, copy.path.rpartition("/")[2])
        return lacking.lanes

    def _tell_change(self, copier: Copier, task: Task, file: File) -> None:
        """Say so if this path held another version of the same picture when it was offloaded before."""
        if questions.file_with_digest(self._catalog, file.digest) is not None:
            return
        entry, placing = task.entry, task.placing
        for file_id, size, mtime_ns in questions.last_reading(self._catalog, entry.path):
            if (size, mtime_ns) == (entry.size, entry.mtime_ns):
                copier.report(Changed(task, _SAME_TIME))
                return
            known = questions.file_with_id(self._catalog, file_id)
            if placing is not None and placing.wall_ns is not None and known.wall_ns == placing.wall_ns:
                copier.report(Changed(task, _NEW_VERSION))
                return

    def _shoot_of(self, day: str) -> str:
        """The shoot's name: as asked for; else the only one known of that day; else the usual one."""
        if self._shoot is not None:
            return self._shoot
        if day not in self._shoots:
            known = shoots.shoots_of_day(self._catalog, day)
            self._shoots[day] = known[0].name if len(known) == 1 else self._kit.settings.layout.shoot
        return self._shoots[day]
