"""Which files are one frame: the raw, the camera JPEG and the spoken note of one number.

A body numbers what it records, and each number is one press of the shutter, whatever files came of it and on
whichever of its two slots they lie. So what is counted is frames: files of one body with one number, taken at one
time. The four characters before the number are no part of it (they vary with colour space and with the user).

Names: CIPA DC-009 (DCF 2.0): folders 100 to 999, files 0001 to 9999, files of one number are one object.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field

from tripleguard.cameras.kinds import dcf_folder, dcf_stem, kind_of
from tripleguard.clock import SECOND
from tripleguard.model import Kind

ONE_MOMENT = 2 * SECOND
"""Parts of one frame carry the same time, to within the step of a FAT file system's."""


@dataclass(frozen=True, slots=True)
class Part:
    """One file that a reading of a card found.

    reading: which reading; below 0 for what came out of a folder and not off a card. path: on the card. content:
    the same for the same bytes. body: None where no body is known. taken: camera wall time counted as UTC, ns.
    offset: minutes east of UTC where the camera wrote it.
    """

    reading: int
    path: str
    content: int
    body: int | None = None
    taken: int | None = None
    offset: int | None = None


@dataclass(slots=True, eq=False)
class Frame:
    """One frame of one body. readings: where any part of it was found; raws, others: by kind of part.

    pictures: those of the others with a camera JPEG or the like, no film or sound. number: 1 to 9999. folder: 100
    to 999; 0 where it is in no camera's folder. letters: what stands before the number. taken and offset as in
    `Part`.
    """

    number: int
    folder: int
    letters: str
    taken: int | None
    offset: int | None
    raws: set[int] = field(default_factory=set)
    others: set[int] = field(default_factory=set)
    contents: set[int] = field(default_factory=set)
    pictures: set[int] = field(default_factory=set)

    @property
    def readings(self) -> set[int]:
        return self.raws | self.others

    def take_in(self, other: Frame) -> None:
        """The other is this frame too, found elsewhere."""
        self.raws |= other.raws
        self.others |= other.others
        self.contents |= other.contents
        self.pictures |= other.pictures
        if other.taken is not None and (self.taken is None or other.taken < self.taken):
            self.taken, self.offset = other.taken, other.offset


def named_frame(path: str) -> tuple[int, int, str] | None:
    """Folder number (0: none), frame number and letters of an original's path; None if it carries no number."""
    above, _, name = path.rpartition("/")
    stem = name.rpartition(".")[0]
    if not kind_of(name).is_original or not dcf_stem(stem):
        return None
    return dcf_folder(above.rpartition("/")[2]) or 0, int(stem[4:]), stem[:4].upper()


def frames_of(parts: Iterable[Part]) -> list[Frame]:
    """The frames that these parts of one body make, in no order.

    A frame found on several cards (both slots, or one card read twice) is one frame. A part without a time goes
    with the number in its folder.
    """
    by_number: dict[int, list[Frame]] = defaultdict(list)
    for frame in _on_one_card(parts):
        by_number[frame.number].append(frame)
    found: list[Frame] = []
    for same_number in by_number.values():
        same_number.sort(key=lambda frame: (frame.taken is None, frame.taken or 0))
        kept: list[Frame] = []
        for frame in same_number:
            twin = next((one for one in kept if _is_one(one, frame)), None)
            if twin is None:
                kept.append(frame)
            else:
                twin.take_in(frame)
        found += kept
    return found


def _on_one_card(parts: Iterable[Part]) -> Iterable[Frame]:
    """Frames within single folders of single readings."""
    frames: dict[tuple[int, str, int], Frame] = {}
    for part in parts:
        named = named_frame(part.path)
        if named is None:
            continue
        folder, number, letters = named
        frame = Frame(number, folder, letters, part.taken, part.offset, contents={part.content})
        kind = kind_of(part.path)
        (frame.raws if kind is Kind.RAW else frame.others).add(part.reading)
        if kind is Kind.PICTURE:
            frame.pictures.add(part.reading)
        key = (part.reading, part.path.rpartition("/")[0], number)
        if key in frames:
            frames[key].take_in(frame)
        else:
            frames[key] = frame
    return frames.values()


def _is_one(one: Frame, other: Frame) -> bool:
    """Whether two findings of one number are one frame."""
    if one.contents & other.contents:
        return True
    if one.taken is None or other.taken is None:
        return one.folder == other.folder
    return abs(one.taken - other.taken) <= ONE_MOMENT
