"""Change one value in the settings file and leave every other line as it is."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from tripleguard.config import parse_settings
from tripleguard.errors import SettingsError, TripleguardError
from tripleguard.home import Home, write_atomically


def write_setting(home: Home, section: str, key: str, value: str) -> None:
    """Set one key of the settings file to value, written in TOML; keep all else. Raises TripleguardError.

    Raises SettingsError if the file is invalid, or has this key in a form that only a person can change.
    """
    try:
        text = home.settings.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError):
        text = ""
    # Invalid settings raise the same error as when they are read.
    parse_settings(text, home.settings)
    changed = replace_setting(text, section, key, value, home.settings)
    if changed == text:
        return
    try:
        write_atomically(home.settings, changed.encode("utf-8"))
    except OSError as error:
        raise TripleguardError(
            f"The settings {home.settings} can't be written ({error.strerror}).",
            safe="They were left as they are.",
            do=f"Set {section}.{key} = {value} there yourself.",
        ) from error


def replace_setting(text: str, section: str, key: str, value: str, path: Path) -> str:
    """Return the settings with one key set to value, written in TOML; keep all else. path: for messages.

    Raises SettingsError if the key has a form that only a person can change.
    """
    lines, here, header = text.splitlines(keepends=True), "", None
    for number, line in enumerate(lines):
        bare = line.strip()
        if bare.startswith("["):
            here = bare.split("#")[0].strip("[] ")
            header = number if here == section else header
        name = key if here == section else f"{section}.{key}" if not here else None
        match = name and re.match(rf"(\s*{re.escape(name)}\s*=\s*)(true|false|[-\d.]+)(?=\s|#|$)", line)
        if match:
            lines[number] = f"{match[1]}{value}{line[match.end() :]}"
            break
    else:
        if header is None:
            lines += ["" if text.endswith("\n") or not text else "\n", f"[{section}]\n"]
            header = len(lines) - 1
        lines[header] = lines[header].rstrip("\n") + "\n"
        lines.insert(header + 1, f"{key} = {value}\n")
    changed = "".join(lines)
    try:
        fits = tomllib.loads(changed).get(section, {}).get(key) == tomllib.loads(f"x = {value}")["x"]
    except (tomllib.TOMLDecodeError, AttributeError):
        fits = False
    if not fits:
        raise SettingsError(
            f"{section}.{key} = {value} can't be written into {path} by a program.",
            safe="It was left as it is.",
            do="Write that line into it yourself, in place of the one that is there.",
        )
    return changed
