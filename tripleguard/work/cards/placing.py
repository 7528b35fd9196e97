"""Where a card file belongs: its shooting day, its shoot, its body, and a name that is free on every drive.

A frame stays together: the raw, its camera JPEG and its sidecar lie side by side and carry the same `-2` if
one is needed. What the camera wrote decides the day; a file without a date goes with its frame, or by its
modification time. Where the modification times of a card are not those of its pictures, because a copy lost them
or a clock was wrong, they decide nothing: such a file goes with the one before it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Protocol

from tripleguard.cameras.body import Names, body_label, serial_of_named
from tripleguard.cameras.capture import read_capture, tells_when
from tripleguard.cameras.kinds import frame_key, kind_of
from tripleguard.cameras.notes import KEY
from tripleguard.cameras.reach import Far
from tripleguard.clock import SECOND
from tripleguard.config import Layout
from tripleguard.layout import copy_path, shooting_day
from tripleguard.model import Capture, Entry, Kind
from tripleguard.names import numbered

MOST_NAMES = 9999
"""How many `-N` are tried before a name is given up."""


_SIBLING_HEAD = 128 << 10
_MOST_SIBLINGS = 8
_SAME_TIME = timedelta(hours=26)
"""A modification time this near to a picture's own is its time: zones differ by up to 26 hours."""


class FrameSource(Protocol):
    """Where the files of a frame are read from."""

    def read_at(self, path: str, offset: int, length: int) -> bytes:
        """A piece of a file. Raises OSError."""

    def entries_in(self, folder: str) -> Sequence[Entry]:
        """The files right in a folder; none if it can't be listed."""


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
    write no serial. source: the card, for what a head doesn't tell.
    """

    def __init__(
        self,
        layout: Layout,
        zone: tzinfo | None,
        shoot_of: Callable[[str], str],
        labels: dict[tuple[str, str, str], str],
        names: Names | None = None,
        source: FrameSource | None = None,
    ) -> None:
        self._layout = layout
        self._zone = zone
        self._shoot_of = shoot_of
        self._labels = dict(labels)
        self._named = names or Names()
        self._source = source
        self._frames: dict[tuple[str, str], Placing] = {}
        self._numbers: dict[tuple[str, str, str], int] = {}
        self._siblings: dict[tuple[str, str], list[Entry]] | None = None
        self._folder = ""
        self._last_local: datetime | None = None
        self._no_keys: set[str] = set()
        self._matching_times = self._other_times = 0
        self._last_body: tuple[str, tuple[str, str, str] | None] = (body_label(Capture()), None)

    def learn_body(self, heads: Iterable[tuple[Entry, bytes]]) -> None:
        """Look at the first bytes of a few files, so that those without a body or a time go with the card's."""
        known, keys = False, defaultdict[str, list[str]](list)
        for entry, head in heads:
            capture = self._capture(entry, head)
            if capture.model and capture.serial and capture.serial.startswith(KEY):
                keys[capture.model].append(capture.serial)
            if capture.local is not None and capture.zone_known:
                self._learn_time(entry, datetime.fromisoformat(capture.local))
            if capture.model and not known:
                self._last_body, known = self._body(capture), True
        # What differs from picture to picture is no body's key, whatever is known of the place where it lies.
        self._no_keys = {model for model, all_ in keys.items() if len(all_) > 2 and 2 * len(set(all_)) > len(all_)}
        if self._last_body[1] is not None and self._last_body[1][1] in self._no_keys:
            self._last_body = self._body(Capture(make=self._last_body[1][0], model=self._last_body[1][1]))

    def placing(self, entry: Entry, head: bytes) -> Placing:
        """The placing of a card file whose first bytes are head."""
        if entry.folder != self._folder:
            self._folder = entry.folder
            self._frames.clear()
            self._numbers.clear()
            self._siblings = None
        frame = frame_key(entry.path)
        capture = self._capture(entry, head)
        if capture.local is None or not capture.zone_known:
            sibling = self._frames.get(frame) or self._read_sibling(entry, frame)
            if sibling is not None:
                return replace(sibling, kind=kind_of(entry.name))
        return self._placed(entry, capture, frame)

    def _placed(self, entry: Entry, capture: Capture, frame: tuple[str, str]) -> Placing:
        """The placing of a file by what it says of itself, remembered for its frame if that is a time."""
        kind, known = kind_of(entry.name), capture.local is not None and capture.zone_known
        local = self._local(capture, entry)
        label, key = self._body(capture, moving=kind in (Kind.VIDEO, Kind.OTHER))
        if key is None and self._last_body[1] is None and self._named.given:
            # A body that writes nothing at all of itself.
            label, key = self._labelled(("", "", serial_of_named(self._named.given)), self._named.given)
        if key is not None:
            self._last_body = (label, key)
        else:
            label, key = self._last_body
        day = shooting_day(local, self._layout.day_start)
        wall = _wall_ns(local, capture.subsec) if known else None
        placing = Placing(kind, day, self._shoot_of(day), label, key, wall, _minutes(capture.offset))
        if known:
            self._learn_time(entry, local)
        if known or kind.is_original:
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

    def _capture(self, entry: Entry, head: bytes) -> Capture:
        source = self._source
        if not tells_when(entry.name):
            return Capture()
        far = None
        if source is not None:
            far = Far(entry.size, lambda offset, length: source.read_at(entry.path, offset, length))
        capture = read_capture(head, entry.name, far)
        if capture.model in self._no_keys and (capture.serial or "").startswith(KEY):
            return replace(capture, serial=None)
        return capture

    def _read_sibling(self, entry: Entry, frame: tuple[str, str]) -> Placing | None:
        """The placing of another file of this frame that says when it was taken, read ahead off the card."""
        if self._source is None:
            return None
        if self._siblings is None:
            self._siblings = {}
            for other in self._source.entries_in(entry.folder):
                if tells_when(other.name):
                    self._siblings.setdefault(frame_key(other.path), []).append(other)
        # Each frame is asked once: what has no time now will have none for its next file.
        for other in self._siblings.pop(frame, [])[:_MOST_SIBLINGS]:
            if other.path == entry.path:
                continue
            try:
                capture = self._capture(other, self._source.read_at(other.path, 0, _SIBLING_HEAD))
            except OSError:
                continue
            if capture.local is not None and capture.zone_known:
                return self._placed(other, capture, frame)
        return None

    def _learn_time(self, entry: Entry, local: datetime) -> None:
        near = abs(_modified(entry, self._zone) - local) <= _SAME_TIME
        self._matching_times += near
        self._other_times += not near
        self._last_local = local

    def _local(self, capture: Capture, entry: Entry) -> datetime:
        """When it was taken, as well as can be said."""
        own = datetime.fromisoformat(capture.local) if capture.local is not None else None
        if own is not None and capture.zone_known:
            return own
        modified = _modified(entry, self._zone)
        if own is not None:
            # A film's clock may be UTC; the time of its file is the person's own, if it is of that day at all.
            return modified if abs(modified - own) <= _SAME_TIME else own
        if self._last_local is not None and self._other_times > self._matching_times:
            return self._last_local
        return modified

    def _body(self, capture: Capture, *, moving: bool = False) -> tuple[str, tuple[str, str, str] | None]:
        """Label and key of a body. moving: of a film, in which bodies often write less of themselves."""
        if not capture.model:
            return body_label(capture), None
        name = self._named.name_for(capture)
        serial = serial_of_named(name) if name else capture.serial
        key = (capture.make or "", capture.model, serial or "")
        last = self._last_body[1]
        if moving and key not in self._labels and last is not None and last[1].casefold() == key[1].casefold():
            return self._last_body
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


def _modified(entry: Entry, zone: tzinfo | None) -> datetime:
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
