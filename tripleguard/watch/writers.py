"""Who has a file open for writing now: a copy that stalls looks whole, and is not.

Linux tells it through /proc, for the processes of this user (of everybody, for root). Elsewhere nobody can be
asked, and only the quiet time counts; Windows refuses to open a file that is still being written.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path

_ACCESS = 0o3
_READ_ONLY = 0o0


def being_written(paths: set[str]) -> set[str]:
    """Those of these absolute paths that some other process has open for writing."""
    if not sys.platform.startswith("linux") or not paths:
        return set()
    real = {os.path.realpath(path): path for path in paths}
    return {real[path] for path in _open_for_writing() if path in real}


def _open_for_writing() -> Iterator[str]:
    me = str(os.getpid())
    for process in Path("/proc").iterdir():
        if process.name.isdigit() and process.name != me:
            yield from _written_by(process)


def _written_by(process: Path) -> Iterator[str]:
    try:
        descriptors = os.listdir(process / "fd")
    except OSError:
        return
    for number in descriptors:
        try:
            path = os.readlink(process / "fd" / number)
            if path.startswith("/") and _writes(process / "fdinfo" / number):
                yield path
        except OSError:
            continue


def _writes(info: Path) -> bool:
    """Whether the descriptor was opened for writing: `flags` is octal (proc_pid_fdinfo(5))."""
    for line in info.read_text(encoding="ascii", errors="replace").splitlines():
        if line.startswith("flags:"):
            return int(line.split()[1], 8) & _ACCESS != _READ_ONLY
    return False
