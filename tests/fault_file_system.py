"""A file system that fails on request: a folder seen through FUSE, with read and write errors and power cuts.

`fault_file_system_driver` is the process that serves it. It needs FUSE (Debian: fuse3) and no root; a test that
asks for it where there is no FUSE is skipped with the reason.
"""

from __future__ import annotations

import contextlib
import ctypes.util
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

import pytest
from fault_rules import Fault


class FaultFileSystem:
    """A mounted file system that fails as it is asked to."""

    def __init__(self, point: Path, process: subprocess.Popen[str]) -> None:
        self.point = point
        self._process = process

    def set_faults(self, *faults: Fault) -> None:
        """Replace all faults; without any, everything works. They are in force when this returns."""
        self._command({"faults": [asdict(one) for one in faults]})

    def cut_power(self) -> None:
        """Drop all that was not forced to the medium. Every later call on the mount fails.

        The backing folder then holds what a medium would hold that is mounted again.
        """
        self._command({"cut": True})
        self._process.wait()

    def _command(self, command: dict[str, object]) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(command) + "\n")
        self._process.stdin.flush()
        answer = self._process.stdout.readline()
        assert answer == "done\n", f"the driver of {self.point} ended"


@contextlib.contextmanager
def fault_file_system(backing: Path, point: Path, *, volatile: bool = False) -> Iterator[FaultFileSystem]:
    """Mount the folder `backing` at `point` for the length of the block; both are made if they are missing.

    Args:
        volatile: keep track of what was forced out, for `cut_power`.
    """
    why = why_no_fuse()
    if why is not None:
        pytest.skip(why)
    for folder in (backing, point):
        folder.mkdir(exist_ok=True)
    process = subprocess.Popen(
        [
            sys.executable,
            str(Path(__file__).with_name("fault_file_system_driver.py")),
            str(backing),
            str(point),
            *(["--volatile"] if volatile else []),
        ],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "FUSE_LIBRARY_NAME": _library() or ""},
    )
    try:
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n", f"{point} could not be mounted"
        yield FaultFileSystem(point, process)
    finally:
        unmounter = _unmounter()
        assert unmounter is not None
        subprocess.run([unmounter, "-u", "-z", str(point)], check=False, capture_output=True)
        process.kill()
        process.communicate()


def why_no_fuse() -> str | None:
    """Return why nothing can be mounted through FUSE here; None if it can."""
    if sys.platform != "linux" or _unmounter() is None or _library() is None:
        return "needs FUSE (Debian: fuse3)"
    try:
        os.close(os.open("/dev/fuse", os.O_RDWR))
    except OSError as error:
        return f"needs FUSE: {error}"
    return None


def _unmounter() -> str | None:
    return shutil.which("fusermount3") or shutil.which("fusermount")


def _library() -> str | None:
    """Return the name of the library of FUSE, the newer one if there are two."""
    return next((name for name in ("fuse3", "fuse") if ctypes.util.find_library(name)), None)
