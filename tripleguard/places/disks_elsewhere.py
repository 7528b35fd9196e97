"""On which physical disks a folder is, and what its volume is called, where the system is not Linux.

macOS tells through its own `diskutil`, Windows through a question to the volume. Keys and numbers are from memory.
"""

from __future__ import annotations

import os
import plistlib
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

from tripleguard.places.mounts import mount_of

_PATIENCE = 10.0


def disks_there(root: Path) -> frozenset[str] | None:
    """The physical disks under root; None where it can't be told."""
    if sys.platform == "win32":
        from tripleguard.places.windows import disk_numbers

        drive = os.path.splitdrive(os.path.realpath(root))[0]
        return frozenset(f"disk {number}" for number in disk_numbers(drive)) or None
    mount = mount_of(root)
    if sys.platform != "darwin" or mount is None or not mount.source.startswith("/dev/"):
        return None
    told = _asked(mount.source)
    # A container of APFS is a disk of its own there; its stores are partitions of real ones.
    stores = [str(store.get("APFSPhysicalStore", "")) for store in told.get("APFSPhysicalStores", [])]
    names = stores or [str(told.get("ParentWholeDisk", ""))]
    wholes = [re.match(r"disk\d+", name) for name in names]
    return None if not all(wholes) else frozenset(whole[0] for whole in wholes if whole)


def volume_uuid(device: str) -> str:
    """The UUID of the volume on a device of macOS; empty where it has none."""
    return str(_asked(device).get("VolumeUUID", ""))


def _asked(device: str) -> dict[str, Any]:
    try:
        answer = subprocess.run(
            ["/usr/sbin/diskutil", "info", "-plist", device], capture_output=True, timeout=_PATIENCE, check=True
        )
        told: dict[str, Any] = plistlib.loads(answer.stdout)
    except (OSError, subprocess.SubprocessError, plistlib.InvalidFileException, ValueError):
        return {}
    return told
