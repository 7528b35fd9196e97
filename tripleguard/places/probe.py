"""Find out whether a volume answers before a call on it can hang.

A device that hangs blocks every call on its file system, often so that not even a signal ends it. So another
process makes the first calls; if it does not come back in time, it is left behind, and nobody here touches the
volume. Only volumes that can hang are probed: those that the computer itself runs on are not.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from pathlib import Path

from tripleguard.places.mounts import Mount, list_mounts

_TIMEOUT_S = 8.0
"""Seconds that a volume has to answer once; a disk that has to spin up needs some (common practice, no source)."""
_VALID_S = 2.0
"""Seconds for which an answer counts. Until a volume that hung has answered, nobody waits for it again."""
_POLL_S = 0.005
_VOLATILE_FS = ("tmpfs", "ramfs", "overlay")
_ASK = 'df "$1"; test -e "$1/.tripleguard/place.json"'
"""Leaves no access time, and wakes no disk whose answers are in memory."""


class _Probe:
    """The last probe of one volume."""

    def __init__(self) -> None:
        self.lock = threading.Lock()
        self.process: subprocess.Popen[bytes] | None = None
        self.answered_at: float | None = None


_probes: dict[tuple[str, int], _Probe] = {}
_probes_lock = threading.Lock()


def hangs(root: Path) -> bool:
    """Return whether the volume at root does not answer within seconds; False where that can't be found out."""
    if sys.platform == "win32":
        return False
    mount = _find_mount_by_name(root)
    if mount is None or not _can_hang(mount):
        return False
    with _probes_lock:
        probe = _probes.setdefault((mount.point, mount.mount_id), _Probe())
    with probe.lock:
        return not _answers(probe, mount.point)


def _answers(probe: _Probe, point: str) -> bool:
    now = time.monotonic()
    if probe.process is None:
        if probe.answered_at is not None and now - probe.answered_at < _VALID_S:
            return True
        probe.process = subprocess.Popen(
            ["/bin/sh", "-c", _ASK, "sh", point],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        deadline = now + _TIMEOUT_S
    else:
        deadline = now  # It hung at the last call: look only whether it has come back.
    while probe.process.poll() is None:
        if time.monotonic() >= deadline:
            return False
        time.sleep(_POLL_S)
    probe.process, probe.answered_at = None, time.monotonic()
    return True


def _find_mount_by_name(root: Path) -> Mount | None:
    """Return the mount of a path by its name alone: resolving links would touch the volume."""
    path = os.path.abspath(root)
    best: Mount | None = None
    for mount in list_mounts():
        inside = path == mount.point or path.startswith(mount.point.rstrip("/") + "/")
        if inside and (best is None or len(mount.point) >= len(best.point)):
            best = mount
    return best


def _can_hang(mount: Mount) -> bool:
    return mount.fs_type not in _VOLATILE_FS and mount.point != "/" and not _holds_home(mount)


def _holds_home(mount: Mount) -> bool:
    home = _find_mount_by_name(Path(os.path.expanduser("~")))
    return home is not None and home.point == mount.point
