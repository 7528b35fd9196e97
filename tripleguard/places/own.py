"""The names that the tool keeps for itself on a drive: its folder, its check lists, its records.

Everything else on a drive is the photographer's.
"""

from __future__ import annotations

import re

OWN = ".tripleguard"
INCOMING = f"{OWN}/incoming"
"""Unfinished copies. Those that were certainly begun by this tool are cleared by the next job."""
ASIDE = f"{OWN}/aside"
"""Bad copies that were moved aside, with why. Nothing here goes but by a person's word."""
LISTS = f"{OWN}/lists"
"""Check lists of what lies outside the folder of its shoot; their names are relative to the drive's top."""
CHECK_LIST = "checksums.b3"
RECORD_PREFIX = "clearance-"
SUPERSEDED = ".old"

_RECORD = re.compile(r"clearance-[0-9]{8}T[0-9]{6}Z\.txt", re.IGNORECASE)


def is_own(path: str) -> bool:
    """Whether the tool keeps this relative path for itself."""
    name = path.rpartition("/")[2].removesuffix(SUPERSEDED)
    return path.startswith(f"{OWN}/") or name == CHECK_LIST or _RECORD.fullmatch(name) is not None
