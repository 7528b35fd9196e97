"""Where a card file belongs: its shooting day, its shoot, its body, and a name that is free on every drive.

A frame stays together: the raw, its camera JPEG and its sidecar lie side by side and carry the same `-2` if
one is needed. What the camera wrote decides the day; a file without a date goes with its frame, or by its
modification time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, tzinfo

from tripleguard.cameras.body import Names, body_label, serial_of_named
from tripleguard.cameras.capture import read_capture
from tripleguard.cameras.kinds import frame_key, kind_of
from tripleguard.clock import SECOND
from tripleguard.config import Layout
from tripleguard.layout import copy_path, shooting_day
from tripleguard.model import Capture, Entry, Kind
from tripleguard.names import numbered

MOST_NAMES = 9999
"""How many `-N` are tried before a name is given up."""


@dataclass(frozen=True, slots=True)
class Placing:
    """What decides where a file lies. wall_ns: camera wall time counted as UTC; offset: minutes."""

    kind: Kind
    day: str
    shoot: str
    body: str
    body_key: tuple[str, str, str] | None
    wall_ns: int | None
    offset: int | None


class Placer:
    """Works out placings for the files of one card, in the order in which the card lists them.

    shoot_of(day) names the shoot that a file of that day belongs to. labels: known bodies. names: of bodies that
    write no serial.
    """

    def __init__(
        self,
        layout: Layout,
        zone: tzinfo | None,
        shoot_of: Callable[[str], str],
        labels: dict[tuple[str, str, str], str],
        names: Names | None = None,
    ) -> None:
        self._layout = layout
        self._zone = zone
        self._shoot_of = shoot_of
        self._labels = dict(labels)
        self._named = names or Names()
        self._frames: dict[tuple[str, str], Placing] = {}
        self._numbers: dict[tuple[str, str, str], int] = {}
        self._folder = ""
        self._last_body: tuple[str, tuple[str, str, str] | None] = (body_label(Capture()), None)

    def learn_body(self, heads: Iterable[tuple[str, bytes]]) -> None:
        """Look at the first bytes of a few files, so that those without a body go with the card's."""
        for name, head in heads:
            capture = read_capture(head, name)
            if capture.model:
                self._last_body = self._body(capture)
                return

    def placing(self, entry: Entry, head: bytes) -> Placing:
        """The placing of a card file whose first bytes are head."""
        if entry.folder != self._folder:
            self._folder = entry.folder
            self._frames.clear()
            self._numbers.clear()
        kind, frame = kind_of(entry.name), frame_key(entry.path)
        capture = read_capture(head, entry.name) if kind.is_original else Capture()
        sibling = self._frames.get(frame)
        if capture.local is None and sibling is not None:
            return Placing(
                kind, sibling.day, sibling.shoot, sibling.body, sibling.body_key, sibling.wall_ns, sibling.offset
            )
        local = _local(capture, entry, self._zone)
        label, key = self._body(capture)
        if key is None and self._last_body[1] is None and self._named.given:
            # A body that writes nothing at all of itself.
            label, key = self._labelled(("", "", serial_of_named(self._named.given)), self._named.given)
        if key is not None:
            self._last_body = (label, key)
        else:
            label, key = self._last_body
        day = shooting_day(local, self._layout.day_start)
        wall = None if capture.local is None else _wall_ns(local, capture.subsec)
        placing = Placing(kind, day, self._shoot_of(day), label, key, wall, _minutes(capture.offset))
        if kind.is_original:
            # Also one that says nothing of its time: what belongs to it goes where it goes.
            self._frames[frame] = placing
        return placing

    def wanted(self, placing: Placing, entry: Entry) -> str:
        """The path that the layout gives this file, taken or not."""
        return copy_path(self._layout, placing.day, placing.shoot, placing.body, entry.path)

    def path(self, placing: Placing, entry: Entry, free: Callable[[str], bool]) -> str | None:
        """The first path that is free for this file, beside the rest of its frame. None: all are taken."""
        wanted = self.wanted(placing, entry)
        frame = (*frame_key(entry.path), placing.shoot)
        folder, _, name = wanted.rpartition("/")
        first = self._numbers.get(frame, 1)
        for number in range(first, MOST_NAMES):
            path = f"{folder}/{numbered(name, number)}"
            if free(path):
                self._numbers.setdefault(frame, number)
                return path
        return None

    def lies_at(self, placing: Placing, entry: Entry, name: str) -> None:
        """Learn from a copy that is there already which number its frame has."""
        frame = (*frame_key(entry.path), placing.shoot)
        for number in range(2, 100):
            if name.casefold() == numbered(entry.name, number).casefold():
                self._numbers.setdefault(frame, number)

    def _body(self, capture: Capture) -> tuple[str, tuple[str, str, str] | None]:
        if not capture.model:
            return body_label(capture), None
        name = self._named.name_for(capture)
        key = (capture.make or "", capture.model, capture.serial or serial_of_named(name))
        return self._labelled(key, name or body_label(capture))

    def _labelled(self, key: tuple[str, str, str], label: str) -> tuple[str, tuple[str, str, str]]:
        if key not in self._labels:
            self._labels[key] = self._free_label(label)
        return self._labels[key], key

    def _free_label(self, label: str) -> str:
        """The body's usual label, numbered where another body has it."""
        used = {known.casefold() for known in self._labels.values()}
        number = 2
        candidate = label
        while candidate.casefold() in used:
            candidate = f"{label} ({number})"
            number += 1
        return candidate


def _local(capture: Capture, entry: Entry, zone: tzinfo | None) -> datetime:
    if capture.local is not None:
        return datetime.fromisoformat(capture.local)
    seconds = max(0, min(entry.mtime_ns // SECOND, 4_102_444_800))
    return datetime.fromtimestamp(seconds, UTC).astimezone(zone).replace(tzinfo=None)


def _wall_ns(local: datetime, subsec: str | None) -> int:
    whole = int((local - datetime(1970, 1, 1)) / timedelta(seconds=1)) * SECOND
    digits = "".join(char for char in (subsec or "") if "0" <= char <= "9")[:9]
    return whole + (int(digits.ljust(9, "0")) if digits else 0)


def _minutes(offset: str | None) -> int | None:
    if offset is None:
        return None
    sign = -1 if offset.startswith("-") else 1
    hours, _, minutes = offset.lstrip("+-").partition(":")
    return sign * (int(hours) * 60 + int(minutes))
