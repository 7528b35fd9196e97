"""Learning the selects from what an editor or a camera wrote.

Sidecars are looked for on every connected drive, and in folders that are named, such as the one on the laptop that
is being edited in; of each, only what changed since the last time is read. Pictures are looked into once: what a
camera wrote does not change. A sidecar outranks the picture, a newer sidecar an older one.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from tripleguard.cameras.embedded import embedded_rating
from tripleguard.cameras.kinds import frame_key, kind_of
from tripleguard.cameras.rating import LARGEST_SIDECAR, NotXmp, sidecar_rating
from tripleguard.catalog import questions, selects
from tripleguard.catalog.journal import add_event, begin_job, end_job
from tripleguard.catalog.store import Catalog
from tripleguard.digest import SampledHasher, sample_of
from tripleguard.errors import CopyTrouble
from tripleguard.model import Entry, EventType, Kind, Medium, Outcome
from tripleguard.names import shown
from tripleguard.places.card import Card
from tripleguard.places.drive import Drive, held_root
from tripleguard.work.frames import Member, follow_selects, frame_at, frame_of
from tripleguard.work.kit import Kit, OpenDrive, agent
from tripleguard.work.progress import Job, Moved, Progress
from tripleguard.work.rescanning.entering import Entering
from tripleguard.work.rescanning.seen import Different, Unknown

_HEAD = 256 * 1024
_BATCH = 500


@dataclass(slots=True)
class LearntResult:
    """What was read and what changed.

    sidecars, pictures: how many were read now. not_known: sidecars that no picture of the catalog could be found
    for, or that do not parse, with why.
    """

    sidecars: int = 0
    pictures: int = 0
    added: int = 0
    dropped: int = 0
    chosen: int = 0
    not_known: list[tuple[str, str]] = field(default_factory=list)
    seconds: float = 0.0


def learn(kit: Kit, drives: Sequence[OpenDrive], outside: Sequence[Path] = ()) -> Job[LearntResult]:
    """Read what changed on the drives and below the outside folders, and choose by it. Yields progress.

    Raises PlaceTrouble for an outside path that is no folder, CatalogTrouble.
    """
    began, result = time.monotonic(), LearntResult()
    cards = [Card(held_root(folder, quiet=True)) for folder in outside]
    with kit.catalog.writing():
        job = begin_job(kit.catalog, "selects learn", "", agent(), kit.clock.now())
    try:
        for drive in drives:
            yield from _from_sidecars(kit, drive.record.uid, _OnDrive(kit, job, drive), result)
            yield from _from_pictures(kit, drive, result)
        for card in cards:
            yield from _from_sidecars(kit, str(card.root), _Outside(kit.catalog, card), result)
    finally:
        for card in cards:
            card.close()
    with kit.catalog.writing():
        now = kit.clock.now()
        result.added, result.dropped = selects.follow_ratings(kit.catalog, kit.settings.selects.at_least, now)
        follow_selects(kit.catalog)
        if result.added or result.dropped:
            add_event(
                kit.catalog,
                EventType.METADATA_MODIFICATION,
                Outcome.SUCCESS,
                f"selects by rating: {result.added:,} chosen, {result.dropped:,} not any more",
                now,
            )
        detail = {"sidecars": result.sidecars, "pictures": result.pictures}
        end_job(kit.catalog, job, Outcome.PARTIAL if kit.stop.is_set() else Outcome.SUCCESS, detail, now)
    result.chosen = len(selects.all_selects(kit.catalog))
    result.seconds = round(time.monotonic() - began, 3)
    return result


@dataclass(frozen=True, slots=True)
class _Said:
    """What one sidecar says of its frame."""

    entry: Entry
    content: bytes
    rating: float | None
    frame: list[Member]


class _OnDrive:
    """The sidecars on a drive, and the frames they lie beside. One that was edited becomes a new version."""

    def __init__(self, kit: Kit, job: int, drive: OpenDrive) -> None:
        self._place = drive.place
        self._record = drive.record
        self._catalog = kit.catalog
        self._entering = Entering(kit.catalog, job, drive.record, kit.settings.rule.drive_copies, kit.clock.now())

    def sidecars(self) -> Iterator[Entry]:
        return (entry for entry in self._place.walk("") if kind_of(entry.name) is Kind.COMPANION)

    def content(self, entry: Entry) -> bytes:
        return read_head(self._place, entry.path, LARGEST_SIDECAR + 1)

    def frame(self, catalog: Catalog, entry: Entry) -> list[Member] | str:
        found = frame_at(catalog, entry.path, (self._record.id,))
        return found or "no picture of that name lies beside it in the catalog"

    def enter(self, entry: Entry, content: bytes) -> bool:
        """Enter what a sidecar holds now; False: it rotted, so what it says is not believed."""
        hasher = SampledHasher()
        hasher.update(content)
        file, sample = hasher.file(), hasher.sample()
        copy = questions.copy_at(self._catalog, self._record.id, entry.path)
        if copy is None:
            self._entering.unknown(Unknown(0, entry, file, sample, Medium.CACHED))
        elif questions.file_with_id(self._catalog, copy.file_id).file != file:
            self._entering.different(Different(0, copy, entry, file, sample, 0, Medium.CACHED))
            now = questions.copy_with_id(self._catalog, copy.id)
            return questions.file_with_id(self._catalog, now.file_id).file == file
        return True


class _Outside:
    """The sidecars in a folder that is no drive: pictures are known by content or by a name nobody else has."""

    def __init__(self, catalog: Catalog, card: Card) -> None:
        self._card = card
        self._pictures: dict[tuple[str, str], Entry] = {}

    def sidecars(self) -> Iterator[Entry]:
        found: list[Entry] = []
        for item in self._card.listed():
            if not isinstance(item, Entry):
                continue
            kind = kind_of(item.name)
            if kind is Kind.COMPANION:
                found.append(item)
            elif kind in (Kind.RAW, Kind.PICTURE):
                self._pictures.setdefault(frame_key(item.path), item)
        return iter(found)

    def content(self, entry: Entry) -> bytes:
        return self._card.read_at(entry.path, 0, LARGEST_SIDECAR + 1)

    def enter(self, entry: Entry, content: bytes) -> bool:
        """What lies outside is nobody's copy."""
        return True

    def frame(self, catalog: Catalog, entry: Entry) -> list[Member] | str:
        beside = self._pictures.get(frame_key(entry.path))
        if beside is not None:
            known = looks_like(catalog, self._card, beside)
            if known is not None:
                return frame_of(catalog, known)
        frames = frames_named(catalog, frame_key(entry.path)[1])
        if len(frames) == 1:
            return frames[0]
        return "no picture in the catalog has its name" if not frames else f"{len(frames)} frames have its name"


def looks_like(catalog: Catalog, card: Card, entry: Entry) -> int | None:
    """The file that this is by name, size and a sample of both ends; None if it is none that is known."""
    alike = questions.lookalikes(catalog, entry.name, entry.size)
    if not alike:
        return None

    def read_at(offset: int, length: int) -> bytes:
        return card.read_at(entry.path, offset, length)

    try:
        sample = sample_of(entry.size, read_at)
    except OSError:
        return None
    return next((known.id for known in alike if known.sample == sample), None)


def frames_named(catalog: Catalog, name: str) -> list[list[Member]]:
    """Every frame that has a file of this name, with or without its extension."""
    frames: dict[int, list[Member]] = {}
    for known in selects.files_named(catalog, name):
        frame = frame_of(catalog, known.id)
        if frame:
            frames[frame[0].file_id] = frame
    return list(frames.values())


def read_head(place: Drive, path: str, length: int) -> bytes:
    """The first bytes of a file on a drive, at most length. Raises OSError."""
    descriptor = place.open_for_reading(path)
    try:
        with os.fdopen(descriptor, "rb", closefd=False) as file:
            return file.read(length)
    finally:
        os.close(descriptor)


def _looked_into(place: Drive, path: str, name: str) -> float | None:
    """What a picture on a drive says of itself. Raises OSError."""
    descriptor = place.open_for_reading(path)
    try:
        with os.fdopen(descriptor, "rb", closefd=False) as file:

            def read_at(offset: int, length: int) -> bytes:
                file.seek(offset)
                return file.read(length)

            return embedded_rating(file.read(_HEAD), name, read_at)
    finally:
        os.close(descriptor)


def _from_sidecars(kit: Kit, source: str, where: _OnDrive | _Outside, result: LearntResult) -> Iterator[Progress]:
    batch: list[_Said] = []
    for entry in where.sidecars():
        if kit.stop.is_set():
            break
        if selects.sidecar_as_read(kit.catalog, source, entry.path) == (entry.size, entry.mtime_ns):
            continue
        try:
            content = where.content(entry)
            rating = sidecar_rating(content)
        except (NotXmp, OSError, CopyTrouble) as error:
            result.not_known.append((entry.path, str(error)))
            continue
        frame = where.frame(kit.catalog, entry)
        if isinstance(frame, str):
            result.not_known.append((entry.path, frame))
            continue
        result.sidecars += 1
        batch.append(_Said(entry, content, rating, frame))
        if len(batch) >= _BATCH:
            _enter_sidecars(kit, source, where, batch)
            batch.clear()
            yield Moved("reading ratings", result.sidecars + result.pictures, 0, 0, 0, 0.0, None)
    _enter_sidecars(kit, source, where, batch)


def _enter_sidecars(kit: Kit, source: str, where: _OnDrive | _Outside, batch: Iterable[_Said]) -> None:
    with kit.catalog.writing():
        for said in batch:
            if where.enter(said.entry, said.content):
                main, now = said.frame[0].file_id, kit.clock.now()
                selects.rated(kit.catalog, main, said.rating, said.entry.mtime_ns, now)
            selects.sidecar_read(kit.catalog, source, said.entry)


def _from_pictures(kit: Kit, drive: OpenDrive, result: LearntResult) -> Iterator[Progress]:
    batch: list[tuple[int, int, float | None]] = []
    for known, path in selects.not_looked_into(kit.catalog, drive.record.id):
        if kit.stop.is_set():
            break
        try:
            rating = _looked_into(drive.place, path, known.name)
        except (OSError, CopyTrouble) as error:
            result.not_known.append((path, f"it can't be read ({shown(str(error))})"))
            continue
        result.pictures += 1
        frame = frame_at(kit.catalog, path, (drive.record.id,)) if rating else []
        batch.append((known.id, frame[0].file_id if frame else known.id, rating))
        if len(batch) >= _BATCH:
            _enter_pictures(kit, batch)
            batch.clear()
            yield Moved("reading ratings", result.sidecars + result.pictures, 0, 0, 0, 0.0, None)
    _enter_pictures(kit, batch)


def _enter_pictures(kit: Kit, batch: Iterable[tuple[int, int, float | None]]) -> None:
    with kit.catalog.writing():
        for file_id, main, rating in batch:
            selects.looked_into(kit.catalog, file_id)
            if rating:
                selects.rated(kit.catalog, main, rating, None, kit.clock.now())
