"""The faults that a file system under test is asked for, and which calls they concern."""

from __future__ import annotations

import errno
import fnmatch
import os
import threading
import time
from dataclasses import dataclass
from typing import Literal

Operation = Literal["open", "create", "read", "write", "fsync", "rename", "unlink"]


@dataclass(frozen=True)
class Fault:
    """One way in which an operation fails or is slow.

    Attributes:
        operation: `fsync` is also that of a directory.
        path: a pattern as `fnmatch` has it, for the path below the mount point, which begins with a slash.
        error: the number that the call fails with; 0 if it only takes long.
        offset: only calls that touch these `length` bytes; None for all. The kernel reads whole pages.
        after_bytes: only once this many bytes were written through this fault.
        count: how many calls fail; None for all.
        delay_seconds: how long the call waits before it fails or goes on.
    """

    operation: Operation
    path: str = "*"
    error: int = errno.EIO
    offset: int | None = None
    length: int = 1
    after_bytes: int | None = None
    count: int | None = None
    delay_seconds: float = 0.0


class FaultRules:
    """The faults in force, with what each has counted so far."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._faults: list[Fault] = []
        self._fired: list[int] = []
        self._written: list[int] = []

    def replace(self, faults: list[Fault]) -> None:
        with self._lock:
            self._faults, self._fired, self._written = faults, [0] * len(faults), [0] * len(faults)

    def apply(self, operation: str, path: str, offset: int = 0, size: int = 0) -> None:
        """Wait and fail as the faults for this operation say.

        Raises:
            OSError: with the number of the first fault that has one.
        """
        delay, number = 0.0, 0
        with self._lock:
            for index, fault in enumerate(self._faults):
                if not self._fires(index, fault, operation, path, offset, size):
                    continue
                self._fired[index] += 1
                delay += fault.delay_seconds
                number = number or fault.error
        if delay:
            time.sleep(delay)
        if number:
            raise OSError(number, os.strerror(number), path)

    def _fires(self, index: int, fault: Fault, operation: str, path: str, offset: int, size: int) -> bool:
        if fault.operation != operation or not fnmatch.fnmatchcase(path, fault.path):
            return False
        if fault.count is not None and self._fired[index] >= fault.count:
            return False
        if fault.offset is not None and not (
            fault.offset < offset + size and offset < fault.offset + fault.length
        ):
            return False
        if fault.after_bytes is not None and self._written[index] + size <= fault.after_bytes:
            self._written[index] += size
            return False
        return True
