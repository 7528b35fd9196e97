"""Group the files on cards into frames: the raw, the camera JPEG and the voice memo of one number.

A body numbers its exposures, and each number is one exposure, whatever files it produced and in whichever slot
they are. So frames are counted: files of one body with one number, taken at one time. The four characters before
the number do not count (they vary with colour space and user settings).

Names: CIPA DC-009 (DCF 2.0): folders 100 to 999, files 0001 to 9999, files of one number are one object.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from tripleguard.cameras.kinds import is_dcf_stem, kind_of, parse_dcf_folder
from tripleguard.clock import SECOND
from tripleguard.model import FileKind

SAME_FRAME_TOLERANCE_NS = 2 * SECOND
"""Parts of one frame have the same time, to within the time resolution of a FAT file system."""


@dataclass(frozen=True, slots=True)
class CardFile:
    """One file that a reading of a card found.

    Attributes:
        reading: the number of the reading; negative for a folder that is not a card.
        path: on the card.
        content_id: the same for the same bytes.
        body_id: None if no body is known.
        capture_time_ns: the camera's local time counted as if it were UTC.
        utc_offset_min: minutes east of UTC if the camera wrote the offset.
    """

    reading: int
    path: str
    content_id: int
    body_id: int | None = None
    capture_time_ns: int | None = None
    utc_offset_min: int | None = None


@dataclass(slots=True, eq=False)
class Frame:
    """One frame of one body.

    Attributes:
        number: 1 to 9999.
        folder: 100 to 999; 0 outside of a camera's folder.
        prefix: the characters before the number.
        capture_time_ns, utc_offset_min: as in `CardFile`.
        raw_readings, other_readings: the readings that contain its raw, or another part of it.
        picture_readings: those of the other_readings with a picture, such as the camera JPEG, not a film or sound.
    """

    number: int
    folder: int
    prefix: str
    capture_time_ns: int | None
    utc_offset_min: int | None
    raw_readings: set[int] = field(default_factory=set)
    other_readings: set[int] = field(default_factory=set)
    content_ids: set[int] = field(default_factory=set)
    picture_readings: set[int] = field(default_factory=set)

    @property
    def readings(self) -> set[int]:
        return self.raw_readings | self.other_readings

    def merge(self, other: Frame) -> None:
        """Add what another reading found of the same frame."""
        self.raw_readings |= other.raw_readings
        self.other_readings |= other.other_readings
        self.content_ids |= other.content_ids
        self.picture_readings |= other.picture_readings
        if other.capture_time_ns is not None and (
            self.capture_time_ns is None or other.capture_time_ns < self.capture_time_ns
        ):
            self.capture_time_ns, self.utc_offset_min = other.capture_time_ns, other.utc_offset_min


def parse_frame_path(path: str) -> tuple[int, int, str] | None:
    """Return folder number (0: none), frame number and prefix from an original's path.

    Return None if it has no number.
    """
    above, _, name = path.rpartition("/")
    stem = name.rpartition(".")[0]
    if not kind_of(name).is_original or not is_dcf_stem(stem):
        return None
    return parse_dcf_folder(above.rpartition("/")[2]) or 0, int(stem[4:]), stem[:4].upper()


def group_frames(files: Iterable[CardFile]) -> list[Frame]:
    """Return the frames that these files of one body make, in no particular order.

    A frame found on several cards (both slots, or one card read twice) is one frame. A file without a time belongs
    to the frame of that number in its folder.
    """
    by_number: dict[int, list[Frame]] = defaultdict(list)
    for frame in _group_by_folder(files):
        by_number[frame.number].append(frame)
    found: list[Frame] = []
    for same_number in by_number.values():
        same_number.sort(key=lambda frame: (frame.capture_time_ns is None, frame.capture_time_ns or 0))
        kept: list[Frame] = []
        for frame in same_number:
            twin = next((one for one in kept if _is_same_frame(one, frame)), None)
            if twin is None:
                kept.append(frame)
            else:
                twin.merge(frame)
        found += kept
    return found


def _group_by_folder(files: Iterable[CardFile]) -> Iterable[Frame]:
    """Return frames within single folders of single readings."""
    frames: dict[tuple[int, str, int], Frame] = {}
    for part in files:
        named = parse_frame_path(part.path)
        if named is None:
            continue
        folder, number, letters = named
        frame = Frame(
            number, folder, letters, part.capture_time_ns, part.utc_offset_min, content_ids={part.content_id}
        )
        kind = kind_of(part.path)
        (frame.raw_readings if kind is FileKind.RAW else frame.other_readings).add(part.reading)
        if kind is FileKind.PICTURE:
            frame.picture_readings.add(part.reading)
        key = (part.reading, part.path.rpartition("/")[0], number)
        if key in frames:
            frames[key].merge(frame)
        else:
            frames[key] = frame
    return frames.values()


def _is_same_frame(one: Frame, other: Frame) -> bool:
    """Return whether two occurrences of one number are the same frame."""
    if one.content_ids & other.content_ids:
        return True
    if one.capture_time_ns is None or other.capture_time_ns is None:
        return one.folder == other.folder
    return abs(one.capture_time_ns - other.capture_time_ns) <= SAME_FRAME_TOLERANCE_NS
