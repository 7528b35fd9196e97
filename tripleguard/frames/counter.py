"""How a body counts its frames: one more for each frame, 0001 after 9999, and sometimes a reset.

A step from one frame to the next is one of four things. The count continued or rolled over, and then the number of
frames between is known. Or it was reset (a new card with counting per card, a new folder, a menu setting), or it
jumped (a card with higher numbers was in the body, and the count went on from those): then nothing is known about
the frames between, and no gap may be reported.

DCF (CIPA DC-009): numbers 0001 to 9999. Makers' manuals: after 9999 the count goes on with 0001 in the next
folder; counting per card starts at 0001; a body that finds a higher number on the card goes on from it; one maker
writes the folder into the name (`P1010001` in folder 101) and counts to 999.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable
from dataclasses import dataclass

from tripleguard.clock import SECOND
from tripleguard.frames.frame import Frame

MAX_FRAME_NUMBER = 9999
MAX_NUMBER_IN_FOLDER = 999

MAX_FRAMES_PER_SECOND = 30
"""Frames per second that a body can sustain; common practice, no source."""
MAX_BURST_FRAMES = 120
"""Frames that fit between two equal times, as a frame's clock may be off by a second either way."""

_MAX_FIRST_NUMBER, _MAX_RESTART_NUMBER = 3, 20
"""A reset count starts at 0001; higher first numbers allow for deleted frames."""
_SMALL_GAP = 150
_MAX_GAP_AT_ROLL_OVER = 3000
_MAX_GAP_AT_FOLDER_ROLL_OVER = 1500


class CountChange(enum.Enum):
    """What the count did from one frame to the next."""

    CONTINUED = "on"
    ROLLED_OVER = "rolled over"
    RESET = "set back"
    JUMPED = "jumped"


@dataclass(frozen=True, slots=True)
class CountStep:
    """The step from one frame to the next.

    Attributes:
        missing: frames between, 0 if unknown.
        is_certain: no other interpretation is possible.
    """

    change: CountChange
    missing: int = 0
    is_certain: bool = True

    @property
    def is_continuous(self) -> bool:
        return self.change in (CountChange.CONTINUED, CountChange.ROLLED_OVER)


@dataclass(frozen=True, slots=True)
class FrameCounter:
    """A way of counting. max_position: the highest position, which 1 follows."""

    max_position: int
    has_folder_in_name: bool = False

    def get_position(self, frame: Frame) -> int:
        """Return the position of a frame in the count, 1 to max_position."""
        if self.has_folder_in_name:
            return (frame.folder - 100) * MAX_NUMBER_IN_FOLDER + frame.number
        return frame.number

    def format_name(self, position: int, like: Frame) -> str:
        """Return the name of the frame at a position, without extension. like: a frame of the same run."""
        position = (position - 1) % self.max_position + 1
        if not self.has_folder_in_name:
            return f"{like.prefix}{position:04d}"
        folder, number = divmod(position - 1, MAX_NUMBER_IN_FOLDER)
        return f"{like.prefix[0]}{folder + 100:03d}{number + 1:04d}"

    def count_between(self, first: int, last: int) -> int:
        """Return how many positions lie between two, counting forward."""
        return (last - first - 1) % self.max_position

    def classify_step(self, before: Frame, after: Frame) -> CountStep:
        """Return what the count did between two frames, the second of which is assumed to be the later one."""
        first, last = self.get_position(before), self.get_position(after)
        missing = self.count_between(first, last)
        if last > first:
            if missing >= self.max_position // 2 or not is_within_burst_rate(missing, before, after):
                return CountStep(CountChange.JUMPED)
            if self.has_folder_in_name and before.folder < after.folder and _is_restart(after, missing):
                return CountStep(CountChange.RESET)
            return CountStep(CountChange.CONTINUED, missing)
        if missing >= self.max_position // 2 or not is_within_burst_rate(missing, before, after):
            return CountStep(CountChange.RESET)
        new_start = _is_restart(after, missing)
        if 0 < before.folder < after.folder and not new_start:
            return CountStep(CountChange.ROLLED_OVER, missing)
        if not new_start and missing <= _MAX_GAP_AT_ROLL_OVER:
            return CountStep(CountChange.ROLLED_OVER, missing, is_certain=False)
        if (
            after.folder == before.folder + 1
            and after.number > _MAX_FIRST_NUMBER
            and missing <= _MAX_GAP_AT_FOLDER_ROLL_OVER
        ):
            return CountStep(CountChange.ROLLED_OVER, missing, is_certain=False)
        return CountStep(CountChange.RESET)


PLAIN_COUNTER = FrameCounter(MAX_FRAME_NUMBER)
FOLDER_IN_NAME_COUNTER = FrameCounter(900 * MAX_NUMBER_IN_FOLDER, has_folder_in_name=True)


def detect_counter(frames: Iterable[Frame]) -> FrameCounter:
    """Return how the body that took these frames counts."""
    listed = list(frames)
    in_name = all(
        frame.folder and frame.prefix[1:] == f"{frame.folder:03d}" and frame.number <= MAX_NUMBER_IN_FOLDER
        for frame in listed
    )
    return FOLDER_IN_NAME_COUNTER if listed and in_name else PLAIN_COUNTER


def is_within_burst_rate(missing: int, before: Frame, after: Frame) -> bool:
    """Return whether `missing` frames fit into the time between two.

    If a time is unknown or the clock went back, assume that they do.
    """
    if (
        before.capture_time_ns is None
        or after.capture_time_ns is None
        or after.capture_time_ns < before.capture_time_ns
    ):
        return True
    return missing <= MAX_BURST_FRAMES + MAX_FRAMES_PER_SECOND * (
        (after.capture_time_ns - before.capture_time_ns) / SECOND
    )


def _is_restart(after: Frame, missing: int) -> bool:
    """Return whether this is how a count starts again, and not how it continues."""
    return after.number <= _MAX_RESTART_NUMBER and missing > _SMALL_GAP
