"""The home folder: settings, catalog, reports, and the locks that keep two processes apart.

This is the only room besides `places.storing` that writes files, and it writes only below the home.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

from tripleguard.errors import TripleguardError

APP = "tripleguard"


@dataclass(frozen=True, slots=True)
class Home:
    """Where this user's settings, catalog and reports live."""

    root: Path

    @property
    def settings(self) -> Path:
        return self.root / "settings.toml"

    @property
    def catalog(self) -> Path:
        return self.root / "catalog.db"

    @property
    def scratch(self) -> Path:
        return self.root / "scratch"

    @property
    def locks(self) -> Path:
        return self.root / "locks"


def home_at(given: str | None) -> Home:
    """The home that was asked for, or the platform's usual folder for application data."""
    if given:
        return Home(Path(given).expanduser().absolute())
    from platformdirs import user_data_path

    return Home(user_data_path(APP, appauthor=False))


def make_home(home: Home) -> None:
    """Make the home's folders and, if there is none, its settings file. Raises TripleguardError."""
    try:
        for folder in (home.root, home.scratch, home.locks):
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        try:
            with home.settings.open("x", encoding="utf-8") as file:
                file.write(example_settings())
        except FileExistsError:
            pass
    except OSError as error:
        raise TripleguardError(
            f"The home folder {home.root} can't be made ({error.strerror}).",
            safe="Nothing was changed on any drive.",
            do="Choose another one with --home.",
        ) from error


def example_settings() -> str:
    """The settings file that a new home gets: every key, with its value and what it means."""
    packaged = resources.files("tripleguard").joinpath("settings.example.toml")
    if packaged.is_file():
        return packaged.read_text(encoding="utf-8")
    return (Path(__file__).parent.parent / "config" / "settings.toml").read_text(encoding="utf-8")


def scratch_file(home: Home, name: str) -> Path:
    """A path for a passing file below the home; an old one of that name is removed."""
    home.scratch.mkdir(mode=0o700, parents=True, exist_ok=True)
    path = home.scratch / name
    path.unlink(missing_ok=True)
    return path


def write_scratch(path: Path, pieces: Iterable[memoryview]) -> None:
    """Write a passing file below the home. Raises OSError."""
    with path.open("xb") as file:
        for piece in pieces:
            file.write(piece)


def scratch_room(home: Home) -> int:
    """Free bytes on the disk of the home."""
    return shutil.disk_usage(home.root).free


def forget_scratch(path: Path) -> None:
    """Remove a passing file."""
    path.unlink(missing_ok=True)


def open_home_lock(home: Home, name: str) -> int:
    """A read-write descriptor on a lock file below the home. Raises OSError."""
    home.locks.mkdir(mode=0o700, parents=True, exist_ok=True)
    return os.open(home.locks / f"{name}.lock", os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o600)
