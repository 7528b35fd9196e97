"""Read the settings file: TOML in, typed settings out, and errors that name the line.

Unknown keys are errors: a misspelt setting that is ignored would silently break a promise.
"""

from __future__ import annotations

import difflib
import re
import tomllib
from datetime import time
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec

from tripleguard.config_sections import (
    CameraSettings,
    ClearanceSettings,
    ForecastSettings,
    HandoverSettings,
    SelectSettings,
)
from tripleguard.errors import SettingsError
from tripleguard.names import find_title_problem

_SIZE_PATTERN = re.compile(r"^\s*(\d+(?:\.\d+)?)\s*([kKMGT]?)(i?)B?\s*$")
_DURATION_PATTERN = re.compile(
    r"^\s*(?:(\d{1,6})\s*d)?\s*(?:(\d{1,6})\s*h)?\s*(?:(\d{1,6})\s*min)?\s*(?:(\d{1,6})\s*s)?\s*$"
)
_UNIT_POWERS = {"": 0, "k": 1, "K": 1, "M": 2, "G": 3, "T": 4}
_FIELD_PATTERN = re.compile(r"\{([^{}]*)\}")
_WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")
_WATCH_TIMES = {
    "settle": ("settle_seconds", 'a time like "10s"'),
    "scan_every": ("scan_seconds", 'a time like "15min"'),
    "night": ("night_hours", 'hours like "03:00-07:00"'),
    "report_at": ("report_time", 'a time like "07:30", or ""'),
    "heartbeat_every": ("heartbeat_seconds", 'a time like "10min"'),
    "drill": ("drill_time", 'a day and a time like "sunday 04:00", or ""'),
}
"""The watch's time settings: the property that parses each, and the expected form."""
_TEMPLATE_FIELDS = ("year", "date", "shoot", "body", "name")


class RuleSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The requirements for each file's copies."""

    drive_copies: Annotated[int, msgspec.Meta(ge=1, le=9)] = 2
    road_days: Annotated[int, msgspec.Meta(ge=1)] = 30
    shelf_days: Annotated[int, msgspec.Meta(ge=1)] = 180
    accept_cached: bool = False
    allow_same_disk: bool = False


class LayoutSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """The path of a copy on a drive."""

    template: str = "{year}/{date} {shoot}/{body}/{name}"
    day_starts: str = "05:00"
    shoot: str = "untitled"

    @property
    def day_start(self) -> time:
        return time.fromisoformat(self.day_starts)


class DriveSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How drives are used."""

    reserve: str = "2 GiB"
    rescan_nightly: str = "2h"
    quarantine_size: str = "10 GB"
    quarantine_age: str = "180d"

    @property
    def reserve_bytes(self) -> int:
        return parse_size(self.reserve)

    @property
    def nightly_seconds(self) -> float:
        return parse_duration(self.rescan_nightly)

    @property
    def quarantine_bytes(self) -> int:
        return parse_size(self.quarantine_size)

    @property
    def quarantine_seconds(self) -> float:
        return parse_duration(self.quarantine_age)


class OffloadSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How cards are copied."""

    read_back: Literal["auto", "overlapped", "turns"] = "auto"
    buffers: str = "48 MB"

    @property
    def buffer_bytes(self) -> int:
        return parse_size(self.buffers)


class WatchSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What the watch does by itself, and when. Times of day are local wall time."""

    cards: Literal["ask", "copy", "copy and check"] = "copy"
    card_folders: tuple[str, ...] = ("DCIM", "PRIVATE/AVCHD", "PRIVATE/M4ROOT")
    """Folders at the top of a card by which it is recognized.

    DCIM is from DCF (CIPA DC-009-2010, from memory); the others hold films on cards that have no DCIM (common
    practice, no source).
    """
    look_at: tuple[str, ...] = ("*",)
    look_also: tuple[str, ...] = ()
    import_folders: tuple[str, ...] = ()
    settle: str = "10s"
    scan_every: str = "15min"
    night: str = "03:00-07:00"
    ahead_days: Annotated[int, msgspec.Meta(ge=0)] = 7
    drill: str = "sunday 04:00"
    drill_files: Annotated[int, msgspec.Meta(ge=1, le=100_000)] = 20
    battery_floor: Annotated[int, msgspec.Meta(ge=0, le=100)] = 30
    report_at: str = "07:30"
    keep_reports: Annotated[int, msgspec.Meta(ge=1, le=10_000)] = 100
    unseen_days: Annotated[int, msgspec.Meta(ge=1)] = 3
    tell: tuple[str, ...] = ()
    heartbeat: str = ""
    heartbeat_every: str = "10min"

    @property
    def settle_seconds(self) -> float:
        return parse_duration(self.settle)

    @property
    def scan_seconds(self) -> float:
        return parse_duration(self.scan_every)

    @property
    def heartbeat_seconds(self) -> float:
        return parse_duration(self.heartbeat_every)

    @property
    def report_time(self) -> time | None:
        """Return when the report is written; None for never."""
        return time.fromisoformat(self.report_at.strip()) if self.report_at.strip() else None

    @property
    def night_hours(self) -> tuple[time, time]:
        begins, _, ends = self.night.partition("-")
        return time.fromisoformat(begins.strip()), time.fromisoformat(ends.strip())

    @property
    def night_seconds(self) -> float:
        """Return the length of the night in seconds; a whole day if it ends when it begins."""
        begins, ends = (at.hour * 3600 + at.minute * 60 + at.second for at in self.night_hours)
        return float((ends - begins) % 86_400 or 86_400)

    @property
    def drill_time(self) -> tuple[int, time] | None:
        """Return weekday (Monday is 0) and time of the drill; None for never."""
        if not self.drill.strip():
            return None
        day, _, at = self.drill.strip().partition(" ")
        return _WEEKDAYS.index(day.casefold()), time.fromisoformat(at.strip())


class OffsiteSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """How selects are sent offsite and verified there."""

    limit: str = ""
    hours: str = ""
    at_once: Annotated[int, msgspec.Meta(ge=1, le=16)] = 4
    metered: bool = False
    read_back: str = "500 MB"
    price_per_gb: Annotated[float, msgspec.Meta(ge=0)] = 0.0
    days: Annotated[int, msgspec.Meta(ge=1)] = 365
    seal_for: tuple[str, ...] = ()

    @property
    def limit_bytes(self) -> int:
        """Return the limit in bytes per second; 0 for none."""
        return parse_rate(self.limit) if self.limit.strip() else 0

    @property
    def window(self) -> tuple[time, time] | None:
        """Return the hours for sending in local wall time; None for always."""
        if not self.hours.strip():
            return None
        begins, _, ends = self.hours.partition("-")
        return time.fromisoformat(begins.strip()), time.fromisoformat(ends.strip())

    @property
    def read_back_bytes(self) -> int:
        return parse_size(self.read_back)


class Settings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """All settings, with defaults for missing keys."""

    rule: RuleSettings = RuleSettings()
    layout: LayoutSettings = LayoutSettings()
    drives: DriveSettings = DriveSettings()
    offload: OffloadSettings = OffloadSettings()
    clearance: ClearanceSettings = ClearanceSettings()
    cameras: CameraSettings = CameraSettings()
    watch: WatchSettings = WatchSettings()
    selects: SelectSettings = SelectSettings()
    handover: HandoverSettings = HandoverSettings()
    offsite: OffsiteSettings = OffsiteSettings()
    forecast: ForecastSettings = ForecastSettings()


def parse_size(text: str) -> int:
    """Return a size such as `2 GiB` or `500 MB` in bytes. Raises ValueError."""
    match = _SIZE_PATTERN.match(text)
    if match is None:
        raise ValueError(f"{text!r} is not a size like 500 MB or 2 GiB")
    number, unit, binary = match.groups()
    return int(float(number) * (1024 if binary else 1000) ** _UNIT_POWERS[unit])


def parse_rate(text: str) -> int:
    """Return a rate such as `500 kB/s` or `2 Mbit/s` in bytes per second. Raises ValueError."""
    bits = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*([kKMG]?)bit/s\s*", text)
    if bits is not None:
        return int(float(bits[1]) * 1000 ** _UNIT_POWERS[bits[2]] / 8)
    return parse_size(text.strip().removesuffix("/s"))


def parse_duration(text: str) -> float:
    """Return a duration such as `90d`, `2h`, `1h 30min` or `90s` in seconds. Raises ValueError."""
    match = _DURATION_PATTERN.match(text)
    if match is None or not any(match.groups()):
        raise ValueError(f"{text!r} is not a time like 90d, 2h, 1h 30min or 45min")
    days, hours, minutes, seconds = (int(part or 0) for part in match.groups())
    return float(days * 86_400 + hours * 3600 + minutes * 60 + seconds)


def read_settings(path: Path) -> Settings:
    """Return the settings in the file, or all defaults. Raises SettingsError naming line and key."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return Settings()
    except (OSError, UnicodeDecodeError) as error:
        raise _settings_error(path, f"it can't be read ({error})") from error
    return parse_settings(text, path)


def parse_settings(text: str, path: Path) -> Settings:
    """Return the settings in text; path is for messages. Raises SettingsError naming line and key."""
    try:
        tree = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _settings_error(path, f"it is not valid TOML: {error}") from error
    _reject_unknown_keys(tree, text, path)
    try:
        settings = msgspec.convert(tree, Settings)
    except msgspec.ValidationError as error:
        raise _settings_error(path, _describe_validation_error(str(error), text)) from error
    _check_values(settings, text, path)
    return settings


def _reject_unknown_keys(tree: dict[str, Any], text: str, path: Path) -> None:
    known = {field.name: field.type for field in msgspec.structs.fields(Settings)}
    for section, content in tree.items():
        if section not in known:
            raise _settings_error(path, _describe_unknown_key(section, list(known), text, None, "section"))
        if not isinstance(content, dict):
            raise _settings_error(
                path, f"line {_find_line(text, None, section)}: {section} must be a section, [{section}]"
            )
        keys = [field.name for field in msgspec.structs.fields(known[section])]
        for key in content:
            if key not in keys:
                raise _settings_error(path, _describe_unknown_key(key, keys, text, section, "setting"))


def _describe_unknown_key(key: str, known: list[str], text: str, section: str | None, noun: str) -> str:
    near = difflib.get_close_matches(key, known, 1)
    hint = f"did you mean {near[0]}?" if near else f"known here: {', '.join(known)}."
    name = f"{section}.{key}" if section else key
    return f"line {_find_line(text, section, key)}: there is no {noun} {name}; {hint}"


def _describe_validation_error(error: str, text: str) -> str:
    """Rephrase msgspec's "Expected `int`, got `str` - at `$.rule.drive_copies`", with the line."""
    message, _, where = error.partition(" - at ")
    parts = where.strip("`$.").split(".")
    section, key = (parts[0], parts[-1]) if len(parts) > 1 else (None, parts[0])
    words = {
        "`int`": "a whole number",
        "`float`": "a number",
        "`str`": "text in quotes",
        "`bool`": "true or false",
    }
    for word, plain in words.items():
        message = message.replace(word, plain)
    message = message[:1].lower() + message[1:]
    return f"line {_find_line(text, section, key)}: {'.'.join(parts)}: {message}"


def _check_values(settings: Settings, text: str, path: Path) -> None:
    def refuse(section: str, key: str, why: str) -> SettingsError:
        return _settings_error(path, f"line {_find_line(text, section, key)}: {section}.{key}: {why}")

    for section, key, value in (
        ("drives", "reserve", settings.drives.reserve),
        ("drives", "quarantine_size", settings.drives.quarantine_size),
        ("offload", "buffers", settings.offload.buffers),
    ):
        try:
            parse_size(value)
        except ValueError as error:
            raise refuse(section, key, f'expected a size like "2 GiB"; {error}') from error
    if not 8_000_000 <= settings.offload.buffer_bytes <= 1_000_000_000:
        raise refuse("offload", "buffers", "expected a size from 8 MB to 1 GB")
    for key, example, value, least, most, words in (
        ("rescan_nightly", "2h", settings.drives.rescan_nightly, 60, 86_400, "1min to 24h"),
        ("quarantine_age", "180d", settings.drives.quarantine_age, 86_400, 36_500 * 86_400, "1d to 36500d"),
    ):
        try:
            seconds = parse_duration(value)
        except ValueError as error:
            raise refuse("drives", key, f'expected a time like "{example}"; {error}') from error
        if not least <= seconds <= most:
            raise refuse("drives", key, f"expected a time from {words}")
    for key, wanted in (
        ("limit", 'a rate like "1 Mbit/s"'),
        ("hours", 'hours like "23:00-07:00"'),
        ("read_back", "a size"),
    ):
        try:
            getattr(settings.offsite, {"limit": "limit_bytes", "hours": "window"}.get(key, "read_back_bytes"))
        except ValueError as error:
            raise refuse("offsite", key, f"expected {wanted}; {error}") from error
    try:
        _ = settings.layout.day_start
    except ValueError as error:
        raise refuse("layout", "day_starts", 'expected a time like "05:00"') from error
    try:
        _ = settings.forecast.tour_end
    except ValueError as error:
        raise refuse("forecast", "tour_ends", 'expected a day like "2026-08-15", or ""') from error
    for key in ("night_hours", "drill_time"):
        try:
            getattr(settings.watch, key)
        except ValueError as error:
            name = key.partition("_")[0]
            raise refuse("watch", name, f"expected {_WATCH_TIMES[name]}; {error}") from error
    for key, problem in (
        ("template", _find_template_problem(settings.layout.template)),
        ("shoot", find_title_problem(settings.layout.shoot)),
    ):
        if problem:
            raise refuse("layout", key, problem)


def _find_template_problem(template: str) -> str | None:
    fields = re.findall(_FIELD_PATTERN, template)
    unknown = [field for field in fields if field not in _TEMPLATE_FIELDS]
    if unknown:
        return f"{{{unknown[0]}}} is unknown; it may hold {', '.join('{' + f + '}' for f in _TEMPLATE_FIELDS)}"
    parts = template.split("/")
    if parts[-1] != "{name}":
        return "it must end in /{name}: the original file name is the last part"
    if "{date}" not in template or "{shoot}" not in template:
        return "it must hold {date} and {shoot}, so that two shoots never share a folder"
    if any(part.strip() in ("", ".", "..") or part.startswith(".tripleguard") for part in parts):
        return "it must be a relative path without empty parts or .."
    above = template[: template.index("{shoot}")].count("/") + 1
    if any("{body}" in part for part in parts[:above]):
        return "{body} must stand below the part with {shoot}: one check list serves all bodies of a shoot"
    if set(re.sub(_FIELD_PATTERN, "", template)) & set("{}"):
        return "its braces do not pair"
    return next(filter(None, (find_title_problem(re.sub(_FIELD_PATTERN, "x", part)) for part in parts)), None)


def _find_line(text: str, section: str | None, key: str) -> int:
    """Return the line of a key (1 if it can't be found)."""
    here: str | None = None
    for number, line in enumerate(text.splitlines(), 1):
        bare = line.strip()
        if bare.startswith("["):
            here = bare.strip("[] ").split("#")[0].strip("[] ")
            if section is None and here == key:
                return number
        elif bare.split("=")[0].strip() in (key, f"{section}.{key}") and here in (section, None):
            return number
    return 1


def _settings_error(path: Path, reason: str) -> SettingsError:
    return SettingsError(
        f"The settings in {path} are wrong: {reason}.",
        safe="Nothing was done.",
        do="Correct that line; the settings of a new home show every key with its value.",
    )
