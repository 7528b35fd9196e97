"""Group the files on cards into frames: the raw, the camera JPEG and the spoken note of one number.

A body numbers what it records, and each number is one press of the shutter, whatever files came of it and on
whichever of its two slots they lie. So frames are counted: files of one body with one number, taken at one time.
The four characters before the number are no part of it (they vary with colour space and with the user).

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
"""Parts of one frame carry the same time, to within the step of a FAT file system's."""


@dataclass(frozen=True, slots=True)
class CardFile:
    """One file that a reading of a card found.

    reading: which reading; below 0 for what came out of a folder and not off a card. path: on the card. content:
    the same for the same bytes. body: None where no body is known. taken: camera wall time counted as UTC, ns.
    offset: minutes east of UTC where the camera wrote it.
    """

    reading: int
    path: str
    content_id: int
    body_id: int | None = None
    capture_time_ns: int | None = None
    utc_offset_min: int | None = None


@dataclass(slots=True, eq=False)
class Frame:
    """One frame of one body. readings: where any part of it was found; raws, others: by kind of part.

    pictures: those of the others with a camera JPEG or the like, no film or sound. number: 1 to 9999. folder: 100
    to 999; 0 where it is in no camera's folder. letters: what stands before the number. taken and offset as in
    `CardFile`.
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
        """The other is this frame too, found elsewhere."""
        self.raw_readings |= other.raw_readings
        self.other_readings |= other.other_readings
        self.content_ids |= other.content_ids
        self.picture_readings |= other.picture_readings
        if other.capture_time_ns is not None and (
            self.capture_time_ns is None or other.capture_time_ns < self.capture_time_ns
        ):
            self.capture_time_ns, self.utc_offset_min = other.capture_time_ns, other.utc_offset_min


def parse_frame_path(path: str) -> tuple[int, int, str] | None:
    """Folder number (0: none), frame number and letters of an original's path; None if it carries no number."""
    above, _, name = path.rpartition("/")
    stem = name.rpartition(".")[0]
    if not kind_of(name).is_original or not is_dcf_stem(stem):
        return None
    return parse_dcf_folder(above.rpartition("/")[2]) or 0, int(stem[4:]), stem[:4].upper()


def group_frames(files: Iterable[CardFile]) -> list[Frame]:
    """The frames that these parts of one body make, in no order.

    A frame found on several cards (both slots, or one card read twice) is one frame. A part without a time goes
    with the number in its folder.
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
    """Frames within single folders of single readings."""
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
    """Whether two findings of one number are one frame."""
    if one.content_ids & other.content_ids:
        return True
    if one.capture_time_ns is None or other.capture_time_ns is None:
        return one.folder == other.folder
    return abs(one.capture_time_ns - other.capture_time_ns) <= SAME_FRAME_TOLERANCE_NS
