"""Choose the path of an offloaded file on each drive, once its last byte is hashed."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import replace

from tripleguard.cameras.body_names import BodyNames
from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog import file_queries, shoots
from tripleguard.jobs.cards.free_paths import (
    ChosenPaths,
    CompanionFile,
    CompanionPathChooser,
    FreePathChooser,
    no_free_name_error,
)
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.copying.copy_tasks import CopyFailed, CopyTask, VerifyRequest
from tripleguard.jobs.copying.destination import DestinationResolver
from tripleguard.jobs.copying.engine import CopyEngine, CopyMissing, ExistingCopyFound, SourceChanged
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.existing_copies import (
    ExistingCopies,
    FrameOriginals,
    candidate_copies,
    is_identified_by_content,
)
from tripleguard.model import Entry, File, FileKind
from tripleguard.places.base import SourceFolder

_MAX_BODY_SAMPLES = 20
_BODY_HEAD_BYTES = 256 * 1024

_CHANGED_SILENTLY = (
    "its bytes differ from what was offloaded before, though size and time are the same: the card or its reader "
    "may be failing; both versions are kept"
)
_CHANGED_ON_CARD = "it was changed on the card since it was offloaded; both versions are kept"


class DestinationChooser:
    """Chooses for all passes of one offload. shoot, body: the names given by the person, if any."""

    def __init__(
        self,
        ctx: JobContext,
        card: SourceFolder,
        drives: Sequence[OpenDrive],
        shoot: str | None,
        body: str | None = None,
    ) -> None:
        self._ctx = ctx
        self._catalog = ctx.catalog.reopen()
        self._existing = ExistingCopies(self._catalog, drives, ctx.settings.rule, ctx.clock)
        self._free_paths = FreePathChooser(self._catalog, drives)
        self._frame_originals = FrameOriginals()
        self._companion_paths = CompanionPathChooser(self._catalog, drives)
        self._shoot_name = shoot
        self._shoot_by_day: dict[str, str] = {}
        labels = {key: label for key, (_, label) in shoots.list_bodies(self._catalog).items()}
        names = BodyNames(body, ctx.settings.cameras.without_serial)
        self._resolver = DestinationResolver(
            ctx.settings.layout, ctx.clock.zone(), self._shoot_for_day, labels, names, card
        )
        self._in_flight: dict[bytes, set[int]] = {}
        self._lock = threading.Lock()

    def close(self) -> None:
        self._catalog.close()

    def learn_body(self, card: SourceFolder) -> None:
        """Read the heads of a few originals, so that files without a body get the card's."""
        heads: list[tuple[Entry, bytes]] = []
        for item in card.entries():
            if len(heads) >= _MAX_BODY_SAMPLES:
                break
            if isinstance(item, Entry) and kind_of(item.path).is_original:
                try:
                    heads.append((item, card.read_at(item.path, 0, _BODY_HEAD_BYTES)))
                except OSError:
                    continue
        self._resolver.learn_from_heads(heads)

    def __call__(self, engine: CopyEngine, task: CopyTask, file: File, head: bytes) -> dict[int, str]:
        """Return the path for each lane that keeps this copy. Raises NameTakenError, PlaceFailedError."""
        task.destination = self._resolver.resolve(task.entry, head)
        shoot = self._companion_paths.find_shoot(self._originals_followed(task))
        if shoot is not None:
            task.destination = replace(task.destination, day=shoot.day, shoot=shoot.name)
        self._report_change(engine, task, file)
        lanes = self._lanes_without_copy(engine, task, file)
        chosen = self._choose_paths(task, file, lanes) if lanes else ChosenPaths()
        if task.destination.kind.is_original:
            self._frame_originals.add(task.entry, file)
            self._companion_paths.remember_original(
                file, {lane: entry.path for lane, entry in chosen.existing.items()} | chosen.paths
            )
        if not lanes:
            return {}
        for lane, entry in chosen.existing.items():
            engine.report(ExistingCopyFound(task, lane, entry))
            engine.verify(lane, VerifyRequest(entry.path, file, task=task))
        for lane, error in chosen.failed.items():
            engine.report(CopyFailed(task, lane, error))
        with self._lock:
            task.paths = {lane: path for lane, path in chosen.paths.items() if lane not in task.failed_lanes}
            self._free_paths.reserve(task.paths, file)
            self._in_flight.setdefault(file.digest, set()).update(task.paths)
        return task.paths

    def _choose_paths(self, task: CopyTask, file: File, lanes: Sequence[int]) -> ChosenPaths:
        """Return this copy's paths: beside its picture if it follows one, else by the layout."""
        assert task.destination is not None
        pictures = self._originals_followed(task)
        if pictures:
            companion = CompanionFile(
                file, task.entry.name, pictures, self._resolver.preferred_path(task.destination, task.entry)
            )
            return self._companion_paths.choose_paths(
                companion, self._free_paths, self._companion_paths.preferred_paths(companion, lanes)
            )
        chosen: list[ChosenPaths] = []

        def free(path: str) -> bool:
            option = self._free_paths.check_path(path, file, lanes)
            if option is not None:
                chosen.append(option)
            return option is not None

        if self._resolver.choose_path(task.destination, task.entry, free) is None:
            raise no_free_name_error(task.entry.path)
        return chosen[0]

    def _originals_followed(self, task: CopyTask) -> list[bytes]:
        """Return the originals that this file goes with, such as the picture of a sidecar or a thumbnail."""
        assert task.destination is not None
        follows = not task.destination.kind.is_original or task.destination.kind is FileKind.SOUND
        return self._frame_originals.digests_by_closeness(task.entry) if follows else []

    def forget_in_flight(self, task: CopyTask, lane: int) -> None:
        """Release a copy's path, as the catalog has it now; called from the job's thread."""
        with self._lock:
            path = task.paths.get(lane)
            if task.file is None or path is None:
                task.failed_lanes.add(lane)
                return
            self._free_paths.release(lane, path)
            lanes = self._in_flight.get(task.file.digest)
            if lanes is not None:
                lanes.discard(lane)
                if not lanes:
                    del self._in_flight[task.file.digest]

    def _lanes_without_copy(self, engine: CopyEngine, task: CopyTask, file: File) -> tuple[int, ...]:
        assert task.destination is not None
        lanes = task.lanes
        if is_identified_by_content(task.destination.kind, file.size):
            with self._lock:
                flying = frozenset(self._in_flight.get(file.digest, ()))
            lanes = tuple(lane for lane in lanes if lane not in flying)
        known = file_queries.find_file_by_digest(self._catalog, file.digest)
        if known is None:
            return lanes
        lacking = self._existing.find_gaps(
            known, task.entry.name, lanes, self._frame_originals.digests(task.entry)
        )
        for copy in lacking.missing:
            engine.report(CopyMissing(copy))
        for lane, copy in lacking.unverified:
            engine.verify(lane, VerifyRequest(copy.path, file, copy.id, task, copy.mtime_ns))
        if self._originals_followed(task):
            return lacking.lanes
        gone = {copy.id for copy in lacking.missing}
        for copy in candidate_copies(self._existing.by_name, known, task.entry.name):
            if copy.id not in gone:
                self._resolver.learn_number(task.destination, task.entry, copy.path.rpartition("/")[2])
        return lacking.lanes

    def _report_change(self, engine: CopyEngine, task: CopyTask, file: File) -> None:
        """Report if this path held another version of the same picture in an earlier offload."""
        if file_queries.find_file_by_digest(self._catalog, file.digest) is not None:
            return
        entry, placing = task.entry, task.destination
        for file_id, size, mtime_ns in file_queries.list_card_readings(self._catalog, entry.path):
            if (size, mtime_ns) == (entry.size, entry.mtime_ns):
                engine.report(SourceChanged(task, _CHANGED_SILENTLY))
                return
            known = file_queries.get_file(self._catalog, file_id)
            if placing is not None and placing.wall_ns is not None and known.wall_ns == placing.wall_ns:
                engine.report(SourceChanged(task, _CHANGED_ON_CARD))
                return

    def _shoot_for_day(self, day: str) -> str:
        """Return the shoot's name: as given, else the day's only known one, else the default."""
        if self._shoot_name is not None:
            return self._shoot_name
        if day not in self._shoot_by_day:
            known = shoots.list_shoots_of_day(self._catalog, day)
            self._shoot_by_day[day] = known[0].name if len(known) == 1 else self._ctx.settings.layout.shoot
        return self._shoot_by_day[day]
