"""How a body counts: one more each frame, 9999 and then 0001, and now and then it starts anew.

A step from one frame to the next is one of four things. It went on, or rolled over, and then so many frames lie
between. It was set back (a new card with counting per card, a new folder, a person in the menu), or it jumped (a
card with higher numbers was in the body, and it went on from those): then nothing can be said about what lies
between, and a hole that is none must not be cried out.

DCF (CIPA DC-009): numbers 0001 to 9999. Makers' manuals: after 9999 the count goes on with 0001 in the next
folder; counting per card starts at 0001; a body that finds a higher number on the card goes on from it; one maker
writes the folder into the name (`P1010001` in folder 101) and counts to 999.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable
from dataclasses import dataclass

from tripleguard.cameras.frames import Frame
from tripleguard.clock import SECOND

HIGHEST = 9999
HIGHEST_IN_FOLDER = 999

FASTEST = 30
"""Frames a second that a body can keep up; common practice, no source."""
BURST = 120
"""Frames that it can take in no time at all: the clock of a frame may be a second off either way."""

_FIRST, _STARTS_AT = 3, 20
"""A count that was set back starts at 0001; this much for first frames that were deleted."""
_NEAR = 150
_ROLLED_IN_FOLDER = 3000
_ROLLED_TO_START = 1500


class Moved(enum.Enum):
    """What the count did from one frame to the next."""

    ON = "on"
    ROLLED = "rolled over"
    BACK = "set back"
    JUMPED = "jumped"


@dataclass(frozen=True, slots=True)
class Step:
    """From one frame to the next. missing: frames between, 0 where that can't be said. sure: no other reading."""

    moved: Moved
    missing: int = 0
    sure: bool = True

    @property
    def goes_on(self) -> bool:
        return self.moved in (Moved.ON, Moved.ROLLED)


@dataclass(frozen=True, slots=True)
class Counter:
    """A way of counting. top: the highest position, after which comes 1."""

    top: int
    folder_in_name: bool = False

    def position(self, frame: Frame) -> int:
        """Where the frame stands in the count, 1 to top."""
        if self.folder_in_name:
            return (frame.folder - 100) * HIGHEST_IN_FOLDER + frame.number
        return frame.number

    def name(self, position: int, like: Frame) -> str:
        """The name that the frame at a position has or had, without extension. like: a frame of the same row."""
        position = (position - 1) % self.top + 1
        if not self.folder_in_name:
            return f"{like.letters}{position:04d}"
        folder, number = divmod(position - 1, HIGHEST_IN_FOLDER)
        return f"{like.letters[0]}{folder + 100:03d}{number + 1:04d}"

    def between(self, first: int, last: int) -> int:
        """How many positions lie between two, going forward."""
        return (last - first - 1) % self.top

    def step(self, before: Frame, after: Frame) -> Step:
        """What the count did between two frames of which the second is taken to be the later one."""
        first, last = self.position(before), self.position(after)
        missing = self.between(first, last)
        if last > first:
            if missing >= self.top // 2 or not could_be_shot(missing, before, after):
                return Step(Moved.JUMPED)
            if self.folder_in_name and before.folder < after.folder and _is_new_start(after, missing):
                return Step(Moved.BACK)
            return Step(Moved.ON, missing)
        if missing >= self.top // 2 or not could_be_shot(missing, before, after):
            return Step(Moved.BACK)
        new_start = _is_new_start(after, missing)
        if 0 < before.folder < after.folder and not new_start:
            return Step(Moved.ROLLED, missing)
        if not new_start and missing <= _ROLLED_IN_FOLDER:
            return Step(Moved.ROLLED, missing, sure=False)
        if after.folder == before.folder + 1 and after.number > _FIRST and missing <= _ROLLED_TO_START:
            return Step(Moved.ROLLED, missing, sure=False)
        return Step(Moved.BACK)


PLAIN = Counter(HIGHEST)
IN_NAME = Counter(900 * HIGHEST_IN_FOLDER, folder_in_name=True)


def counter_of(frames: Iterable[Frame]) -> Counter:
    """How the body counts that took these frames."""
    some = list(frames)
    in_name = all(
        frame.folder and frame.letters[1:] == f"{frame.folder:03d}" and frame.number <= HIGHEST_IN_FOLDER
        for frame in some
    )
    return IN_NAME if some and in_name else PLAIN


def could_be_shot(missing: int, before: Frame, after: Frame) -> bool:
    """Whether so many frames fit into the time between two; where a clock is silent or went back, it may be."""
    if before.taken is None or after.taken is None or after.taken < before.taken:
        return True
    return missing <= BURST + FASTEST * ((after.taken - before.taken) / SECOND)


def _is_new_start(after: Frame, missing: int) -> bool:
    """Whether this is how a count begins anew, and not how one goes on."""
    return after.number <= _STARTS_AT and missing > _NEAR
