"""Work out where a card file belongs: its shooting day, its shoot, its body, and a free name.

A frame stays together: the raw, its camera JPEG and its sidecar lie side by side and get the same `-2` if they
need one. The camera's metadata decide the day; a file without a date goes with its frame, else by its modification
time. Where a card's modification times do not match its pictures, because a copy lost them or a clock was wrong,
they are ignored: such a file goes with the one before it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, tzinfo
from typing import Protocol

from tripleguard.cameras.body_names import BodyNames, format_body_label, make_serial_from_name
from tripleguard.cameras.capture import can_have_capture_time, read_capture
from tripleguard.cameras.head_reader import RandomAccess
from tripleguard.cameras.kinds import get_frame_key, kind_of
from tripleguard.cameras.maker_notes import OPAQUE_KEY_PREFIX
from tripleguard.clock import SECOND
from tripleguard.config import LayoutSettings
from tripleguard.layout import build_copy_path, compute_shooting_day
from tripleguard.model import Capture, Entry, FileKind
from tripleguard.names import add_number

MAX_NAME_NUMBER = 9999
"""How many `-N` suffixes are tried before giving up."""


_SIBLING_HEAD_BYTES = 128 << 10
_MAX_SIBLINGS = 8
_SAME_TIME_TOLERANCE = timedelta(hours=26)
"""The tolerance between a modification time and the picture's own: zones differ by up to 26 hours."""


class FrameSource(Protocol):
    """The source of a frame's files."""

    def read_at(self, path: str, offset: int, length: int) -> bytes:
        """Return a piece of a file. Raises OSError."""

    def entries_in(self, folder: str) -> Sequence[Entry]:
        """Return the files directly in a folder; empty if it can't be listed."""


@dataclass(frozen=True, slots=True)
class Destination:
    """What decides a file's path. wall_ns: camera wall time counted as UTC; offset: minutes."""

    kind: FileKind
    day: str
    shoot: str
    body: str
    body_key: tuple[str, str, str] | None
    wall_ns: int | None
    offset: int | None


class DestinationResolver:
    """Works out destinations for the files of one card, in the order in which the card lists them.

    Args:
        shoot_of: Return the shoot that files of a day belong to.
        labels: The labels of known bodies.
        names: Names for bodies that write no serial number.
        source: The card, for metadata that lie beyond a file's head.
    """

    def __init__(
        self,
        layout: LayoutSettings,
        zone: tzinfo | None,
        shoot_of: Callable[[str], str],
        labels: dict[tuple[str, str, str], str],
        names: BodyNames | None = None,
        source: FrameSource | None = None,
    ) -> None:
        self._layout = layout
        self._zone = zone
        self._shoot_of = shoot_of
        self._labels = dict(labels)
        self._body_names = names or BodyNames()
        self._source = source
        self._frames: dict[tuple[str, str], Destination] = {}
        self._numbers: dict[tuple[str, str, str], int] = {}
        self._siblings: dict[tuple[str, str], list[Entry]] | None = None
        self._folder = ""
        self._last_local: datetime | None = None
        self._models_without_key: set[str] = set()
        self._matching_time_count = self._other_time_count = 0
        self._last_body: tuple[str, tuple[str, str, str] | None] = (format_body_label(Capture()), None)

    def learn_from_heads(self, heads: Iterable[tuple[Entry, bytes]]) -> None:
        """Read a sample of file heads, so that files without a body or a time get the card's."""
        known, keys = False, defaultdict[str, list[str]](list)
        for entry, head in heads:
            capture = self._read_capture(entry, head)
            if capture.model and capture.serial and capture.serial.startswith(OPAQUE_KEY_PREFIX):
                keys[capture.model].append(capture.serial)
            if capture.local is not None and capture.is_zone_known:
                self._learn_time(entry, datetime.fromisoformat(capture.local))
            if capture.model and not known:
                self._last_body, known = self._resolve_body(capture), True
        # A key that differs from picture to picture identifies no body.
        self._models_without_key = {
            model for model, all_ in keys.items() if len(all_) > 2 and 2 * len(set(all_)) > len(all_)
        }
        if self._last_body[1] is not None and self._last_body[1][1] in self._models_without_key:
            self._last_body = self._resolve_body(Capture(make=self._last_body[1][0], model=self._last_body[1][1]))

    def resolve(self, entry: Entry, head: bytes) -> Destination:
        """Return the destination of a card file whose first bytes are `head`."""
        if entry.folder != self._folder:
            self._folder = entry.folder
            self._frames.clear()
            self._numbers.clear()
            self._siblings = None
        frame = get_frame_key(entry.path)
        capture = self._read_capture(entry, head)
        if capture.local is None or not capture.is_zone_known:
            sibling = self._frames.get(frame) or self._resolve_sibling(entry, frame)
            if sibling is not None:
                return replace(sibling, kind=kind_of(entry.name))
        return self._resolve_from_capture(entry, capture, frame)

    def _resolve_from_capture(self, entry: Entry, capture: Capture, frame: tuple[str, str]) -> Destination:
        """Return the destination by the file's own metadata; remember it for its frame if they include a time."""
        kind, known = kind_of(entry.name), capture.local is not None and capture.is_zone_known
        local = self._local_time(capture, entry)
        label, key = self._resolve_body(capture, is_film=kind in (FileKind.VIDEO, FileKind.OTHER))
        if key is None and self._last_body[1] is None and self._body_names.card_name:
            # The body writes nothing that identifies it.
            label, key = self._ensure_label(
                ("", "", make_serial_from_name(self._body_names.card_name)), self._body_names.card_name
            )
        if key is not None:
            self._last_body = (label, key)
        else:
            label, key = self._last_body
        day = compute_shooting_day(local, self._layout.day_start)
        wall = _wall_ns(local, capture.subsec) if known else None
        placing = Destination(kind, day, self._shoot_of(day), label, key, wall, _offset_minutes(capture.offset))
        if known:
            self._learn_time(entry, local)
        if known or kind.is_original:
            # Even without a time: the files of its frame go where it goes.
            self._frames[frame] = placing
        return placing

    def preferred_path(self, destination: Destination, entry: Entry) -> str:
        """Return the path that the layout gives this file, taken or not."""
        return build_copy_path(self._layout, destination.day, destination.shoot, destination.body, entry.path)

    def choose_path(self, destination: Destination, entry: Entry, is_free: Callable[[str], bool]) -> str | None:
        """Return the first free path for this file beside the rest of its frame; None if all are taken."""
        wanted = self.preferred_path(destination, entry)
        frame = (*get_frame_key(entry.path), destination.shoot)
        folder, _, name = wanted.rpartition("/")
        first = self._numbers.get(frame, 1)
        for number in range(first, MAX_NAME_NUMBER):
            path = f"{folder}/{add_number(name, number)}"
            if is_free(path):
                self._numbers.setdefault(frame, number)
                return path
        return None

    def learn_number(self, destination: Destination, entry: Entry, name: str) -> None:
        """Learn the number of a frame from a copy that exists already."""
        frame = (*get_frame_key(entry.path), destination.shoot)
        for number in range(2, 100):
            if name.casefold() == add_number(entry.name, number).casefold():
                self._numbers.setdefault(frame, number)

    def _read_capture(self, entry: Entry, head: bytes) -> Capture:
        source = self._source
        if not can_have_capture_time(entry.name):
            return Capture()
        far = None
        if source is not None:
            far = RandomAccess(entry.size, lambda offset, length: source.read_at(entry.path, offset, length))
        capture = read_capture(head, entry.name, far)
        if capture.model in self._models_without_key and (capture.serial or "").startswith(OPAQUE_KEY_PREFIX):
            return replace(capture, serial=None)
        return capture

    def _resolve_sibling(self, entry: Entry, frame: tuple[str, str]) -> Destination | None:
        """Return the destination of another file of this frame that has a time, read ahead from the card."""
        if self._source is None:
            return None
        if self._siblings is None:
            self._siblings = {}
            for other in self._source.entries_in(entry.folder):
                if can_have_capture_time(other.name):
                    self._siblings.setdefault(get_frame_key(other.path), []).append(other)
        # Read each frame only once: one without a time now has none for its next file either.
        for other in self._siblings.pop(frame, [])[:_MAX_SIBLINGS]:
            if other.path == entry.path:
                continue
            try:
                capture = self._read_capture(other, self._source.read_at(other.path, 0, _SIBLING_HEAD_BYTES))
            except OSError:
                continue
            if capture.local is not None and capture.is_zone_known:
                return self._resolve_from_capture(other, capture, frame)
        return None

    def _learn_time(self, entry: Entry, local: datetime) -> None:
        near = abs(_modified_at(entry, self._zone) - local) <= _SAME_TIME_TOLERANCE
        self._matching_time_count += near
        self._other_time_count += not near
        self._last_local = local

    def _local_time(self, capture: Capture, entry: Entry) -> datetime:
        """Return the best known local time at which the file was taken."""
        own = datetime.fromisoformat(capture.local) if capture.local is not None else None
        if own is not None and capture.is_zone_known:
            return own
        modified = _modified_at(entry, self._zone)
        if own is not None:
            # A film's clock may be UTC; prefer the file's own time if it is near enough.
            return modified if abs(modified - own) <= _SAME_TIME_TOLERANCE else own
        if self._last_local is not None and self._other_time_count > self._matching_time_count:
            return self._last_local
        return modified

    def _resolve_body(self, capture: Capture, *, is_film: bool = False) -> tuple[str, tuple[str, str, str] | None]:
        """Return a body's label and key. is_film: bodies often write fewer fields in films."""
        if not capture.model:
            return format_body_label(capture), None
        name = self._body_names.name_for(capture)
        serial = make_serial_from_name(name) if name else capture.serial
        key = (capture.make or "", capture.model, serial or "")
        last = self._last_body[1]
        if is_film and key not in self._labels and last is not None and last[1].casefold() == key[1].casefold():
            return self._last_body
        return self._ensure_label(key, name or format_body_label(capture))

    def _ensure_label(self, key: tuple[str, str, str], label: str) -> tuple[str, tuple[str, str, str]]:
        if key not in self._labels:
            self._labels[key] = self._free_label(label)
        return self._labels[key], key

    def _free_label(self, label: str) -> str:
        """Return the body's usual label, numbered if another body has it."""
        used = {known.casefold() for known in self._labels.values()}
        number = 2
        candidate = label
        while candidate.casefold() in used:
            candidate = f"{label} ({number})"
            number += 1
        return candidate


def _modified_at(entry: Entry, zone: tzinfo | None) -> datetime:
    seconds = max(0, min(entry.mtime_ns // SECOND, 4_102_444_800))
    return datetime.fromtimestamp(seconds, UTC).astimezone(zone).replace(tzinfo=None)


def _wall_ns(local: datetime, subsec: str | None) -> int:
    whole = int((local - datetime(1970, 1, 1)) / timedelta(seconds=1)) * SECOND
    digits = "".join(char for char in (subsec or "") if "0" <= char <= "9")[:9]
    return whole + (int(digits.ljust(9, "0")) if digits else 0)


def _offset_minutes(offset: str | None) -> int | None:
    if offset is None:
        return None
    sign = -1 if offset.startswith("-") else 1
    hours, _, minutes = offset.lstrip("+-").partition(":")
    return sign * (int(hours) * 60 + int(minutes))
