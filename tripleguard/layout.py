"""Where a copy is stored on a drive: the shooting day, and the path from the template.

A shooting day ends at 05:00 camera time, so that a show past midnight stays in one folder.
"""

from __future__ import annotations

import re
from datetime import date, datetime, time, timedelta

from tripleguard.cameras.kinds import parse_dcf_folder
from tripleguard.config import LayoutSettings
from tripleguard.names import find_title_problem

_FIELD_PATTERN = re.compile(r"\\\{([a-z]+)\\\}")
_FIELD_SHAPES = {"year": "[0-9]{4}", "date": "[0-9]{4}-[0-9]{2}-[0-9]{2}", "shoot": "[^/]+?", "body": "[^/]+?"}

_DATED_FOLDER = re.compile(
    r"(?P<year>(?:19|20)\d\d)[-_. ]?(?P<month>0[1-9]|1[0-2])[-_. ]?(?P<of_month>0[1-9]|[12]\d|3[01])"
    r"[ _-]+(?P<name>.+)"
)
_NOT_SHOOT_NAMES = frozenset(
    {"DCIM", "RAW", "RAWS", "JPG", "JPEG", "CARDS", "CARD", "ORIGINALS", "PRIVATE", "VIDEO"}
)
"""Folders that people and cameras create within a shoot (common practice, no source)."""


def compute_shooting_day(local: datetime, day_start: time) -> str:
    """Return the day (`YYYY-MM-DD`) that a camera's wall time belongs to."""
    shift = timedelta(hours=day_start.hour, minutes=day_start.minute)
    return (local - shift).date().isoformat()


def build_shoot_folder(layout: LayoutSettings, day: str, shoot: str) -> str:
    """Return the folder of a shoot on a drive: the template up to the part with the shoot's name."""
    parts = layout.template.split("/")
    depth = next(index for index, part in enumerate(parts) if "{shoot}" in part)
    return "/".join(_fill_part(part, day, shoot, "", "") for part in parts[: depth + 1])


def parse_shoot_path(layout: LayoutSettings, path: str) -> tuple[str, str] | None:
    """Return day and name of the shoot whose folder contains a path on a drive; None if there is none."""
    parts = layout.template.split("/")
    depth = max(index for index, part in enumerate(parts) if "{shoot}" in part or "{date}" in part)
    pattern = "/".join(_FIELD_PATTERN.sub(_to_regex_group, re.escape(part)) for part in parts[: depth + 1])
    found = re.match(pattern + "/", path)
    if found is None:
        return None
    day, shoot = found["date"], found["shoot"]
    if not _is_day(day):
        return None
    same = found[0].startswith(f"{build_shoot_folder(layout, day, shoot)}/")
    return (day, shoot) if same and find_title_problem(shoot) is None else None


def guess_shoot(folder: str) -> tuple[str | None, str | None]:
    """Guess day and name of a shoot from the names that someone gave its folders.

    The deepest folder that begins with a date decides; else the deepest that is neither a camera's own nor a year.
    """
    parts = [part for part in folder.split("/") if part]
    for part in reversed(parts):
        dated = _DATED_FOLDER.fullmatch(part)
        day = "-".join(dated.group("year", "month", "of_month")) if dated else ""
        if dated and _is_day(day) and find_title_problem(dated["name"]) is None:
            return day, dated["name"]
    for part in reversed(parts):
        if not (
            parse_dcf_folder(part)
            or part.upper() in _NOT_SHOOT_NAMES
            or part.isdigit()
            or find_title_problem(part)
        ):
            return None, part
    return None, None


def can_hold_shoots(layout: LayoutSettings, name: str) -> bool:
    """Return whether a folder of that name at the top of a drive can contain shoots, or be one."""
    part = layout.template.split("/")[0]
    return re.fullmatch(_FIELD_PATTERN.sub(_to_regex_group, re.escape(part)), name) is not None


def build_copy_path(layout: LayoutSettings, day: str, shoot: str, body: str, card_path: str) -> str:
    """Return the path of a copy, before the drive's limits and taken names are considered."""
    return "/".join(
        _fill_part(part, day, shoot, body, _strip_card_folders(card_path)) for part in layout.template.split("/")
    )


def _to_regex_group(field: re.Match[str]) -> str:
    """Return a field of the template as a pattern, with named groups for day and shoot."""
    shape = _FIELD_SHAPES.get(field[1], "[^/]+?")
    return f"(?P<{field[1]}>{shape})" if field[1] in ("date", "shoot") else f"(?:{shape})"


def _is_day(text: str) -> bool:
    try:
        date.fromisoformat(text)
    except ValueError:
        return False
    return True


def _fill_part(part: str, day: str, shoot: str, body: str, name: str) -> str:
    """Fill one part of the template; all values at once, so that none is parsed as a field."""
    return part.format_map({"year": day[:4], "date": day, "shoot": shoot, "body": body, "name": name})


def _strip_card_folders(card_path: str) -> str:
    """Return the part of a card path to keep: a picture's name in a DCF folder, else the whole path.

    A video's folders (`PRIVATE/...`) belong together and matter to the programs that read them.
    """
    parts = card_path.split("/")
    if len(parts) == 3 and parts[0].upper() == "DCIM" and parse_dcf_folder(parts[1]):
        return parts[2]
    if len(parts) == 1:
        return parts[0]
    return "/".join(parts[1:]) if parts[0].upper() == "DCIM" else card_path
