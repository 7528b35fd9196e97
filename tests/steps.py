"""Bounds the work of a piece of the program by counting its steps, which no busy machine makes more of."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

import tripleguard

_PACKAGE = str(Path(tripleguard.__file__).parent)


class TooManySteps(BaseException):
    """More lines of the program ran than were allowed. No handler of the program catches it."""


class Steps:
    """How many lines of the program ran so far."""

    def __init__(self, most: int) -> None:
        self.most = most
        self.count = 0

    def called(self, frame: FrameType, event: str, given: Any) -> Any:
        return self._line if frame.f_code.co_filename.startswith(_PACKAGE) else None

    def _line(self, frame: FrameType, event: str, given: Any) -> Any:
        if event == "line":
            self.count += 1
            if self.count > self.most:
                raise TooManySteps(f"more than {self.most:,} lines")
        return self._line


@contextmanager
def at_most(steps: int) -> Iterator[Steps]:
    """Count the lines of the program that this thread runs in the block. Raises TooManySteps at once."""
    counted, before = Steps(steps), sys.gettrace()
    sys.settrace(counted.called)
    try:
        yield counted
    finally:
        sys.settrace(before)
