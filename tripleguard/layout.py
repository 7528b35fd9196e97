"""Where a copy lies on a drive: the shooting day, and the template filled in.

A shooting day ends at 05:00 camera time, so that a show past midnight stays in one folder.
"""

from __future__ import annotations

import re
from datetime import date, datetime, time, timedelta

from tripleguard.cameras.kinds import dcf_folder
from tripleguard.config import Layout
from tripleguard.names import trouble_with_title

_PART = re.compile(r"\\\{([a-z]+)\\\}")
_SHAPES = {"year": "[0-9]{4}", "date": "[0-9]{4}-[0-9]{2}-[0-9]{2}", "shoot": "[^/]+?", "body": "[^/]+?"}

_DATED = re.compile(
    r"(?P<year>(?:19|20)\d\d)[-_. ]?(?P<month>0[1-9]|1[0-2])[-_. ]?(?P<of_month>0[1-9]|[12]\d|3[01])"
    r"[ _-]+(?P<name>.+)"
)
_NO_SHOOT = frozenset({"DCIM", "RAW", "RAWS", "JPG", "JPEG", "CARDS", "CARD", "ORIGINALS", "PRIVATE", "VIDEO"})
"""Folders that people and cameras make within a shoot (common practice, no source)."""


def shooting_day(local: datetime, starts: time) -> str:
    """The day (`YYYY-MM-DD`) that a camera's wall time belongs to."""
    shift = timedelta(hours=starts.hour, minutes=starts.minute)
    return (local - shift).date().isoformat()


def shoot_folder(layout: Layout, day: str, shoot: str) -> str:
    """The folder of a shoot on a drive: the template up to the part that holds the shoot's name."""
    parts = layout.template.split("/")
    depth = next(index for index, part in enumerate(parts) if "{shoot}" in part)
    return "/".join(_filled(part, day, shoot, "", "") for part in parts[: depth + 1])


def shoot_at(layout: Layout, path: str) -> tuple[str, str] | None:
    """The day and name of the shoot in whose folder a path on a drive lies; None if it lies in none."""
    parts = layout.template.split("/")
    depth = max(index for index, part in enumerate(parts) if "{shoot}" in part or "{date}" in part)
    pattern = "/".join(_PART.sub(_as_group, re.escape(part)) for part in parts[: depth + 1])
    found = re.match(pattern + "/", path)
    if found is None:
        return None
    day, shoot = found["date"], found["shoot"]
    if not _is_day(day):
        return None
    same = found[0].startswith(f"{shoot_folder(layout, day, shoot)}/")
    return (day, shoot) if same and trouble_with_title(shoot) is None else None


def shoot_called(folder: str) -> tuple[str | None, str | None]:
    """The day and name that somebody gave a shoot by calling its folders so, as far as they can be told.

    The deepest folder that begins with a date decides; else the deepest that is no camera's own and no year.
    """
    parts = [part for part in folder.split("/") if part]
    for part in reversed(parts):
        dated = _DATED.fullmatch(part)
        day = "-".join(dated.group("year", "month", "of_month")) if dated else ""
        if dated and _is_day(day) and trouble_with_title(dated["name"]) is None:
            return day, dated["name"]
    for part in reversed(parts):
        if not (dcf_folder(part) or part.upper() in _NO_SHOOT or part.isdigit() or trouble_with_title(part)):
            return None, part
    return None, None


def may_hold_shoots(layout: Layout, name: str) -> bool:
    """Whether a folder of that name at the top of a drive can hold shoots, or be one."""
    part = layout.template.split("/")[0]
    return re.fullmatch(_PART.sub(_as_group, re.escape(part)), name) is not None


def copy_path(layout: Layout, day: str, shoot: str, body: str, card_path: str) -> str:
    """The path of a copy, before the drive's limits and taken names are looked at."""
    return "/".join(_filled(part, day, shoot, body, _kept_name(card_path)) for part in layout.template.split("/"))


def _as_group(field: re.Match[str]) -> str:
    """A field of the template as a pattern; the day and the shoot can be asked for by name."""
    shape = _SHAPES.get(field[1], "[^/]+?")
    return f"(?P<{field[1]}>{shape})" if field[1] in ("date", "shoot") else f"(?:{shape})"


def _is_day(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


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
