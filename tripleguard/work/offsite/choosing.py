"""Choosing by hand: by name, by path, from a list, or from a folder that holds copies of the chosen ones.

A name that means several frames chooses none of them: they are told, and a shoot narrows it. A file that is given
is known by its content, wherever it lies; a finished JPEG, whose content nobody knows, by its name and the moment
that the camera wrote into it, both together.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from tripleguard.cameras.capture import read_capture
from tripleguard.cameras.kinds import frame_key, kind_of
from tripleguard.catalog import questions, selects, shoots
from tripleguard.catalog.folders import copies_at_path
from tripleguard.catalog.journal import add_event
from tripleguard.catalog.selects import How, ShootSelects
from tripleguard.clock import SECOND
from tripleguard.digest import Hasher
from tripleguard.errors import WrongUse
from tripleguard.model import Entry, EventType, File, Outcome
from tripleguard.names import folded, shown
from tripleguard.places.card import Card
from tripleguard.places.drive import held_root
from tripleguard.places.media import aligned_buffer
from tripleguard.work.chunks import CHUNK
from tripleguard.work.frames import Member, follow_selects, frame_of
from tripleguard.work.kit import Kit
from tripleguard.work.offsite.learning import frames_named
from tripleguard.work.progress import Job, Moved

_HEAD = 256 * 1024
_LONGEST_LIST = 16 * 1024 * 1024
_EPOCH = datetime(1970, 1, 1)


@dataclass(slots=True)
class ChosenResult:
    """What changed. frames: chosen or dropped now; unchanged: were so already; not_found: with why."""

    frames: int = 0
    unchanged: int = 0
    chosen: int = 0
    not_found: list[tuple[str, str]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Overview:
    """What is chosen. how: number of selects by the way they were chosen."""

    selects: int
    how: dict[str, int]
    shoots: tuple[ShootSelects, ...]


@dataclass(frozen=True, slots=True)
class Given:
    """What was typed. names: names or paths; lists: files with a name or path a line; shoot narrows names."""

    names: tuple[str, ...] = ()
    lists: tuple[Path, ...] = ()
    shoot: str | None = None


def overview(kit: Kit) -> Overview:
    """What is chosen, by shoot."""
    chosen = selects.all_selects(kit.catalog)
    return Overview(len(chosen), dict(Counter(one.how for one in chosen)), tuple(selects.by_shoot(kit.catalog)))


def choose(kit: Kit, given: Given, *, chosen: bool = True) -> Job[ChosenResult]:
    """Choose, or with chosen false drop, every frame that was given. Nothing offsite is touched. Yields progress.

    Raises WrongUse for a list that can't be read, CatalogTrouble.
    """
    result = ChosenResult()
    resolver = _Resolver(kit, given.shoot)
    for how, name, found in _found(resolver, given):
        if kit.stop.is_set():
            break
        if isinstance(found, str):
            result.not_found.append((name, found))
            continue
        with kit.catalog.writing():
            changed = selects.choose(kit.catalog, found[0].file_id, how, kit.clock.now(), chosen=chosen)
        result.frames += changed
        result.unchanged += not changed
        yield Moved("choosing", result.frames + result.unchanged, 0, 0, 0, 0.0, None)
    with kit.catalog.writing():
        follow_selects(kit.catalog)
        if result.frames:
            add_event(
                kit.catalog,
                EventType.METADATA_MODIFICATION,
                Outcome.SUCCESS,
                f"{result.frames:,} frames {'chosen' if chosen else 'dropped'} by hand",
                kit.clock.now(),
            )
    result.chosen = len(selects.all_selects(kit.catalog))
    return result


def _found(resolver: _Resolver, given: Given) -> Iterator[tuple[How, str, list[Member] | str]]:
    for name in given.names:
        path = Path(name)
        if path.is_dir():
            for inside, found in resolver.in_folder(path):
                yield "folder", inside, found
        else:
            yield "hand", name, resolver.frame(name)
    for listed in given.lists:
        for name in _lines(listed):
            yield "list", name, resolver.frame(name)


def _lines(path: Path) -> Iterable[str]:
    """The names in a list: one a line, empty lines and those that begin with # left out. Raises WrongUse."""
    try:
        with path.open("rb") as file:
            content = file.read(_LONGEST_LIST + 1)
    except OSError as error:
        raise WrongUse(
            f"The list {shown(str(path))} can't be read ({error.strerror}).",
            safe="Nothing was changed.",
            do="Give a text file with one name or path a line.",
        ) from error
    if len(content) > _LONGEST_LIST or b"\0" in content:
        raise WrongUse(
            f"{shown(str(path))} is no list of names.",
            safe="Nothing was changed.",
            do="Give a text file with one name or path a line.",
        )
    lines = (line.strip().strip('"') for line in content.decode("utf-8-sig", "surrogateescape").splitlines())
    return [line for line in lines if line and not line.startswith("#")]


class _Resolver:
    """Finds the frame that something given means."""

    def __init__(self, kit: Kit, shoot: str | None) -> None:
        self._catalog = kit.catalog
        self._shoot = folded(shoot) if shoot else None
        self._titles = {one.id: folded(one.title) for one in shoots.by_day(kit.catalog)}

    def frame(self, given: str) -> list[Member] | str:
        """The frame of a name, a path on a drive or a file anywhere; else why there is none."""
        path = Path(given)
        if path.is_file():
            return self._of_file(path)
        if "/" in given:
            below = [copy.file_id for copy in copies_at_path(self._catalog, given.strip("/"))]
            frames = [frame for file_id in dict.fromkeys(below) if (frame := self._frame(file_id))]
            if frames:
                return frames[0]
            return "nothing of that path is in the catalog"
        frames = [frame for frame in frames_named(self._catalog, given) if self._is_in_shoot(frame)]
        if len(frames) == 1:
            return frames[0]
        if not frames:
            return "no picture in the catalog has that name"
        where = ", ".join(sorted({shown(frame[0].path) for frame in frames})[:3])
        return f"{len(frames)} frames have that name ({where}): give a path, or narrow it with --shoot"

    def in_folder(self, root: Path) -> Iterator[tuple[str, list[Member] | str]]:
        """Each picture below a folder, with its frame or why there is none. Raises PlaceTrouble, CardGone."""
        card = Card(held_root(root, quiet=True))
        try:
            for item in card.listed():
                if isinstance(item, Entry) and kind_of(item.name).is_original:
                    yield str(root / item.path), self._of_entry(card, item)
        finally:
            card.close()

    def _of_file(self, path: Path) -> list[Member] | str:
        card = Card(held_root(path.parent, quiet=True))
        try:
            entry = card.look(path.name)
            if entry is None:
                return "it can't be read"
            if not kind_of(entry.name).is_original:
                return "it is no picture"
            return self._of_entry(card, entry)
        finally:
            card.close()

    def _of_entry(self, card: Card, entry: Entry) -> list[Member] | str:
        try:
            known = self._by_content(card, entry)
            if known is not None:
                return self._frame(known) or "no copy of it is recorded"
            head = card.read_at(entry.path, 0, _HEAD)
        except OSError as error:
            return f"it can't be read ({error.strerror or error})"
        return self._by_name_and_time(entry, head)

    def _by_content(self, card: Card, entry: Entry) -> int | None:
        """The original with these very bytes, whatever it is called. Raises OSError."""
        known = questions.file_with_digest(self._catalog, _file(card, entry).digest)
        return known.id if known is not None and known.kind.is_original else None

    def _by_name_and_time(self, entry: Entry, head: bytes) -> list[Member] | str:
        """The frame whose name the finished picture's name begins with, taken at the same second."""
        capture = read_capture(head, entry.name)
        local = capture.local
        if local is None or not capture.zone_known:
            return "its content is not in the catalog, and it does not say when it was taken"
        at = int((datetime.fromisoformat(local) - _EPOCH) / timedelta(seconds=1)) * SECOND
        stem = folded(frame_key(entry.path)[1])
        frames = {
            frame[0].file_id: frame
            for known in selects.files_taken_at(self._catalog, at)
            if (frame := self._frame(known.id)) and stem.startswith(folded(frame_key(known.name)[1]))
        }
        if len(frames) == 1:
            return next(iter(frames.values()))
        return (
            "no picture in the catalog has its name and its time"
            if not frames
            else (f"{len(frames)} frames have its name and its time")
        )

    def _frame(self, file_id: int) -> list[Member] | None:
        frame = frame_of(self._catalog, file_id)
        return frame if frame and self._is_in_shoot(frame) else None

    def _is_in_shoot(self, frame: Sequence[Member]) -> bool:
        if self._shoot is None:
            return True
        known = questions.file_with_id(self._catalog, frame[0].file_id)
        return self._shoot in self._titles[known.shoot_id]


def _file(card: Card, entry: Entry) -> File:
    """What a file outside holds. Raises OSError."""
    hasher, buffer = Hasher(), aligned_buffer(CHUNK)
    reading = card.read(entry.path)
    try:
        while count := reading.readinto(buffer):
            hasher.update(buffer[:count])
    finally:
        reading.close()
    return hasher.file()
