"""The names that the tool keeps for itself on a drive: its folder, its check lists, its records.

Everything else on a drive is the photographer's.
"""

from __future__ import annotations

import re
import unicodedata

from tripleguard.names import folded

OWN = ".tripleguard"
INCOMING = f"{OWN}/incoming"
"""Unfinished copies. Those that were certainly begun by this tool are cleared by the next job."""
ASIDE = f"{OWN}/aside"
"""Bad copies that were moved aside, with why. Nothing here goes but by a person's word."""
LISTS = f"{OWN}/lists"
"""Check lists of what lies outside the folder of its shoot; their names are relative to the drive's top."""
SNAPSHOTS = f"{OWN}/catalog"
"""Snapshots of catalogs, `catalog-STAMP-ID8.db.gz`."""
GENERATIONS = f"{OWN}/generations"
"""For each catalog the last generation that this drive saw, `ID.json`."""
DECISIONS = f"{OWN}/decisions"
"""For each catalog what people decided in it, `ID.json.gz`."""
CHECK_LIST = "checksums.b3"
RECORD_PREFIX = "clearance-"
SUPERSEDED = ".old"

_SHORT = re.compile(r"(tripl|tr)[0-9a-f]*~[0-9]+")
_RECORD = re.compile(r"clearance-[0-9]{8}T[0-9]{6}Z\.txt", re.IGNORECASE)


def reaches_own(path: str) -> bool:
    """Whether a relative path may lead into the tool's own folder on some file system, however it is spelt.

    Without regard to case, to characters that do not show (HFS+ passes over them), to dots and spaces at the end,
    and to short names (Windows).
    """
    first = "".join(char for char in path.partition("/")[0] if unicodedata.category(char) != "Cf")
    plain = folded(first).rstrip(". ")
    return plain == OWN or _SHORT.fullmatch(plain) is not None


def is_own(path: str) -> bool:
    """Whether the tool keeps this relative path for itself."""
    name = path.rpartition("/")[2].removesuffix(SUPERSEDED)
    return path.startswith(f"{OWN}/") or name == CHECK_LIST or _RECORD.fullmatch(name) is not None
