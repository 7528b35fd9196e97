"""Where a copy lies on a drive: the shooting day, and the template filled in.

A shooting day ends at 05:00 camera time, so that a show past midnight stays in one folder.
"""

from __future__ import annotations

from datetime import datetime, time, timedelta

from tripleguard.cameras.kinds import dcf_folder
from tripleguard.config import Layout


def shooting_day(local: datetime, starts: time) -> str:
    """The day (`YYYY-MM-DD`) that a camera's wall time belongs to."""
    shift = timedelta(hours=starts.hour, minutes=starts.minute)
    return (local - shift).date().isoformat()


def shoot_folder(layout: Layout, day: str, shoot: str) -> str:
    """The folder of a shoot on a drive: the template up to the part that holds the shoot's name."""
    parts = layout.template.split("/")
    depth = next(index for index, part in enumerate(parts) if "{shoot}" in part)
    return "/".join(_filled(part, day, shoot, "", "") for part in parts[: depth + 1])


def copy_path(layout: Layout, day: str, shoot: str, body: str, card_path: str) -> str:
    """The path of a copy, before the drive's limits and taken names are looked at."""
    return "/".join(_filled(part, day, shoot, body, _kept_name(card_path)) for part in layout.template.split("/"))


def _filled(part: str, day: str, shoot: str, body: str, name: str) -> str:
    """One part of the template; values are put in at once, so that none is read as a field."""
    return part.format_map({"year": day[:4], "date": day, "shoot": shoot, "body": body, "name": name})


def _kept_name(card_path: str) -> str:
    """What of a card path is kept: the name of a picture in a DCF folder, the whole path of anything else.

    A video's folders (`PRIVATE/...`) belong together and mean something to the programs that read them.
    """
    parts = card_path.split("/")
    if len(parts) == 3 and parts[0].upper() == "DCIM" and dcf_folder(parts[1]):
        return parts[2]
    if len(parts) == 1:
        return parts[0]
    return "/".join(parts[1:]) if parts[0].upper() == "DCIM" else card_path
