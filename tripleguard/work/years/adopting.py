"""Adopting an archive that was made by hand: every file hashed, entered as it lies, paired by content.

Nothing is moved, copied or renamed. All drives are read at the same time, each by one reader. What lies on two
drives with the same bytes has two verified copies from then on, wherever it lies on them; what differs under one
path is told, for one of the two may be damaged.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog import folders, questions, shoots
from tripleguard.catalog.store import Catalog
from tripleguard.catalog.text import joined_path
from tripleguard.catalog.twins import twin_ids
from tripleguard.catalog.writing import copies_become, ensure_shoot, shoot_becomes
from tripleguard.errors import TripleguardError
from tripleguard.layout import shoot_at, shoot_called
from tripleguard.model import CopyState, Entry
from tripleguard.places.own import OWN
from tripleguard.work.cards.taking_in import TakenIn, take_in
from tripleguard.work.kit import Kit, OpenDrive
from tripleguard.work.leaving import leave_all
from tripleguard.work.progress import Job, LaneProgress, Moved, Progress, Said
from tripleguard.work.walking import Walk, is_litter

_TICK = 0.2


@dataclass(frozen=True, slots=True)
class Adopted:
    """What was entered, by drive; paths under which two drives hold different bytes; what could not be listed."""

    taken: dict[str, TakenIn]
    differing: tuple[str, ...]
    unlisted: tuple[str, ...]
    troubles: tuple[TripleguardError, ...]
    seconds: float


def adopt(kit: Kit, drives: Sequence[OpenDrive]) -> Job[Adopted]:
    """Enter what the open and locked drives hold and the catalog does not. Yields progress.

    Can be stopped at any file: what was entered stays, and the next run goes on. Raises Stopped, PlaceFailed,
    CatalogTrouble.
    """
    began = time.monotonic()
    entered_since = kit.clock.now()
    wanted: list[list[Entry]] = []
    unlisted: list[str] = []
    for drive in drives:
        yield Moved(f"listing drive {drive.record.name}", 0, 0, 0, 0, 0.0, None)
        walk = Walk(drive.place)
        wanted.append(list(_unknown(kit.catalog, drive, walk)))
        unlisted += [f"{drive.record.name}: {path}" for path in sorted(walk.refused)]
    lanes = [_Lane(kit, drive, entries) for drive, entries in zip(drives, wanted, strict=True)]
    yield from _side_by_side(kit, lanes)
    for lane in lanes:
        if lane.error is not None:
            raise lane.error
    _settle_shoots(kit, drives, entered_since)
    troubles = leave_all(kit, drives, with_snapshots=True)
    taken = {lane.name: lane.taken for lane in lanes if lane.taken is not None}
    return Adopted(
        taken, tuple(_differing(kit.catalog)), tuple(unlisted), tuple(troubles), round(time.monotonic() - began, 3)
    )


class _Lane:
    """One drive being read in a thread of its own, with a connection of its own."""

    def __init__(self, kit: Kit, drive: OpenDrive, entries: Sequence[Entry]) -> None:
        self.name = drive.record.name
        self.files = len(entries)
        self.total_bytes = sum(entry.size for entry in entries)
        self.done = self.read = 0
        self.taken: TakenIn | None = None
        self.error: BaseException | None = None
        self._kit = replace(kit, catalog=kit.catalog.reopened())
        self._drive = drive
        self._paths = [entry.path for entry in entries]
        self.said: queue.SimpleQueue[Said] = queue.SimpleQueue()
        self.thread = threading.Thread(target=self._edge, name=f"adopt-{self.name}", daemon=True)

    def _edge(self) -> None:
        job = take_in(self._kit, self._drive, self._paths, anywhere=True)
        try:
            while True:
                step = next(job)
                if isinstance(step, Moved):
                    self.done, self.read = step.files, step.read
                elif isinstance(step, Said):
                    self.said.put(step)
        except StopIteration as end:
            self.taken = end.value
        except BaseException as error:  # noqa: BLE001 - a thread's outer edge; the job raises it again
            self.error = error
        finally:
            self._kit.catalog.close()


def _side_by_side(kit: Kit, lanes: Sequence[_Lane]) -> Iterator[Progress]:
    began = time.monotonic()
    of_files, of_bytes = sum(lane.files for lane in lanes), sum(lane.total_bytes for lane in lanes)
    for lane in lanes:
        lane.thread.start()
    try:
        while any(lane.thread.is_alive() for lane in lanes):
            time.sleep(_TICK)
            for lane in lanes:
                while not lane.said.empty():
                    yield lane.said.get()
            read = sum(lane.read for lane in lanes)
            rate = read / max(0.001, time.monotonic() - began)
            left = (of_bytes - read) / rate if rate > 0 else None
            progress = tuple(LaneProgress(lane.name, 0, lane.read, alive=lane.error is None) for lane in lanes)
            done = sum(lane.done for lane in lanes)
            yield Moved("adopt", done, of_files, read, of_bytes, rate, left, progress)
    finally:
        if any(lane.thread.is_alive() for lane in lanes):
            kit.stop.set()
        for lane in lanes:
            lane.thread.join()


def _settle_shoots(kit: Kit, drives: Sequence[OpenDrive], since: int) -> None:
    """Put what was entered since then (UTC ns) into the shoot that its best folder says, whoever was read first.

    A folder with a date is better than one without; then the first drive and the first path.
    """
    twins = twin_ids(kit.catalog)
    claimed: dict[int, tuple[str | None, str]] = {}
    called: list[tuple[tuple[str | None, str], OpenDrive, str]] = []
    for drive in drives:
        for folder in folders.folders_with_copies(kit.catalog, drive.record.id):
            day, name = shoot_at(kit.settings.layout, f"{folder}/") or shoot_called(folder)
            if name is not None and not folder.startswith(f"{OWN}/"):
                called.append(((day, name), drive, folder))
    with kit.catalog.writing():
        called.sort(key=lambda one: one[0][0] is None)
        for title, drive, folder in called:
            for file_id in folders.files_right_in(kit.catalog, drive.record.id, folder, since):
                if file_id not in twins:
                    claimed.setdefault(file_id, title)
        for title, drive, folder in called:
            # Equal sidecars of two shoots: each copy belongs to what it lies beside, whoever was read first.
            here = folders.files_right_in(kit.catalog, drive.record.id, folder, since)
            day, name = next((claimed[file_id] for file_id in here if file_id in claimed), title)
            if day is None:
                continue
            becomes = ensure_shoot(kit.catalog, day, name, kit.clock.now())
            for file_id in (file_id for file_id in here if file_id in twins):
                copies_become(kit.catalog, file_id, drive.record.id, folder, becomes)
                if shoots.shoots_of_copies(kit.catalog, file_id) == {becomes}:
                    shoot_becomes(kit.catalog, file_id, becomes)
        for file_id, (day, name) in claimed.items():
            shoot = shoots.shoot_with_id(kit.catalog, questions.file_with_id(kit.catalog, file_id).shoot_id)
            if (shoot.day, shoot.name) != (day or shoot.day, name):
                becomes = ensure_shoot(kit.catalog, day or shoot.day, name, kit.clock.now())
                shoot_becomes(kit.catalog, file_id, becomes)


def _unknown(catalog: Catalog, drive: OpenDrive, walk: Walk) -> Iterator[Entry]:
    """Files on a drive that the catalog does not have, folder by folder, originals before what belongs to them."""
    for folder in walk.folders():
        known = {
            copy.path
            for copy in folders.copies_right_in(catalog, drive.record.id, folder.path)
            if copy.state is not CopyState.MISSING
        }
        fresh = [
            entry for entry in folder.entries if entry.path not in known and not is_litter(drive.place, entry)
        ]
        yield from sorted(fresh, key=lambda entry: (not kind_of(entry.name).is_original, entry.name))


def _differing(catalog: Catalog) -> Iterator[str]:
    """Paths of originals under which two drives hold different bytes now."""
    rows = catalog.rows(
        "SELECT DISTINCT d.path, c.name FROM copies c JOIN folders d ON d.id = c.folder_id"
        " JOIN files f ON f.id = c.file_id JOIN folders e ON e.path = d.path AND e.place_id > d.place_id"
        " JOIN copies o ON o.folder_id = e.id AND o.name = c.name"
        " WHERE o.file_id <> c.file_id AND c.state = 'present' AND o.state = 'present'"
        " AND f.kind IN ('raw', 'picture', 'video', 'sound') ORDER BY 1, 2"
    )
    return (joined_path(path, name) for path, name in rows)
