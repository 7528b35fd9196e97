"""The home folder: settings, catalog, reports, scratch files, and the locks between processes.

Besides `places.place_writer` this is the only module that writes files. It writes only below the home, and the
report page that the user asked for.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from tripleguard.errors import TripleguardError

if TYPE_CHECKING:
    import logging

APP_NAME = "tripleguard"


@dataclass(frozen=True, slots=True)
class Home:
    """The folder of this user's settings, catalog and reports."""

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

    @property
    def reports(self) -> Path:
        """Return the folder of the watch's reports: the newest of each form, and earlier ones."""
        return self.root / "reports"

    @property
    def previews(self) -> Path:
        """Return the folder of previews, which only this user can read; they may be deleted at any time."""
        return self.root / "previews"

    @property
    def watch(self) -> Path:
        """Return the folder of the watch's state, its status and its log."""
        return self.root / "watch"


def resolve_home(path: str | None) -> Home:
    """Return the requested home, or the platform's folder for application data."""
    if path:
        return Home(Path(path).expanduser().absolute())
    from platformdirs import user_data_path

    return Home(user_data_path(APP_NAME, appauthor=False))


def create_home(home: Home) -> None:
    """Create the home's folders and, if missing, its settings file. Raises TripleguardError."""
    try:
        for folder in (home.root, home.scratch, home.locks):
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        try:
            with home.settings.open("x", encoding="utf-8") as file:
                file.write(read_example_settings())
        except FileExistsError:
            pass
    except OSError as error:
        raise TripleguardError(
            f"The home folder {home.root} can't be made ({error.strerror}).",
            safe="Nothing was changed on any drive.",
            do="Choose another one with --home.",
        ) from error


def read_example_settings() -> str:
    """Return the settings file of a new home: every key with its value and meaning."""
    packaged = resources.files("tripleguard").joinpath("settings.example.toml")
    if packaged.is_file():
        return packaged.read_text(encoding="utf-8")
    return (Path(__file__).parent.parent / "config" / "settings.toml").read_text(encoding="utf-8")


_SQLITE_SIDE_SUFFIXES = ("-wal", "-shm")


def prepare_scratch_path(home: Home, name: str) -> Path:
    """Return the path of a scratch file; delete an old one of that name and its journals.

    SQLite would apply the journal of an interrupted run to the next database of that name.
    """
    home.scratch.mkdir(mode=0o700, parents=True, exist_ok=True)
    path = home.scratch / name
    delete_scratch(path)
    return path


def write_scratch(path: Path, pieces: Iterable[memoryview]) -> None:
    """Write a scratch file. Raises OSError."""
    with path.open("xb") as file:
        for piece in pieces:
            file.write(piece)


def find_scratch(home: Home, name: str) -> Path | None:
    """Return a complete scratch file of an earlier run, None if there is none."""
    path = home.scratch / name
    return path if path.is_file() else None


@contextlib.contextmanager
def open_new_scratch(home: Home, name: str) -> Iterator[BinaryIO]:
    """Yield a scratch file for writing, which gets its name once complete. Raises OSError."""
    unfinished = prepare_scratch_path(home, f"{name}.part")
    with unfinished.open("xb") as file:
        yield file
    unfinished.rename(home.scratch / name)


def get_free_bytes(home: Home) -> int:
    """Return the free bytes on the disk of the home."""
    return shutil.disk_usage(home.root).free


def delete_scratch(path: Path) -> None:
    """Delete a scratch file and its SQLite journals."""
    for suffix in ("", *_SQLITE_SIDE_SUFFIXES):
        path.with_name(path.name + suffix).unlink(missing_ok=True)


def install_catalog(home: Home, new_catalog: Path, at: int) -> Path | None:
    """Install a finished catalog in this home; rename an existing one and return its new path.

    Its journal is moved with it, even if the catalog itself is gone: SQLite would apply it to the new one. at: UTC
    ns, for the name. No process may have it open; see `catalog.store.checkpoint_into_one_file`. Raises OSError.
    """
    with new_catalog.open("rb") as file:
        os.fsync(file.fileno())
    stamp, suffixes = at // 1_000_000_000, (*_SQLITE_SIDE_SUFFIXES, "")
    there = [suffix for suffix in suffixes if home.catalog.with_name(f"catalog.db{suffix}").exists()]
    while any((home.root / f"catalog-before-{stamp}.db{suffix}").exists() for suffix in suffixes):
        stamp += 1
    kept = home.root / f"catalog-before-{stamp}.db"
    for suffix in there:
        home.catalog.with_name(f"catalog.db{suffix}").rename(kept.with_name(kept.name + suffix))
    new_catalog.rename(home.catalog)
    return kept if "" in there else None


def write_atomically(path: Path, content: bytes, *, durable: bool = True) -> None:
    """Write a small file below the home completely or not at all, replacing an earlier one. Raises OSError.

    durable: it survives a power cut.
    """
    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    fresh = path.with_name(f"{path.name}.new")
    descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(descriptor, "wb") as file:
        file.write(content)
        file.flush()
        if durable:
            os.fsync(file.fileno())
    fresh.replace(path)


def prune_files(folder: Path, pattern: str, keep: int, max_bytes: int) -> None:
    """Delete all but the last files of a pattern, by name, from a folder below the home.

    max_bytes: their maximum total size; the last one stays however large it is.
    """
    total = 0
    for number, path in enumerate(sorted(folder.glob(pattern), reverse=True)):
        total += path.stat().st_size
        if number >= keep or (number and total > max_bytes):
            path.unlink(missing_ok=True)


MAX_PREVIEWS = 500
"""The maximum number of previews."""
MAX_PREVIEW_BYTES = 50_000_000


def read_preview(home: Home, name: str) -> bytes | None:
    """Return the preview stored under a name; None if there is none or it can't be read."""
    try:
        return (home.previews / f"{name}.jpg").read_bytes()
    except OSError:
        return None


def store_preview(home: Home, name: str, content: bytes) -> None:
    """Store a preview, replacing the oldest ones. Ignores a full or failing disk."""
    with contextlib.suppress(OSError):
        write_atomically(home.previews / f"{name}.jpg", content, durable=False)
        kept = sorted(
            (entry.stat().st_mtime_ns, entry.stat().st_size, entry) for entry in _list_previews(home.previews)
        )
        total = sum(size for _, size, _ in kept)
        for at, (_, size, entry) in enumerate(kept):
            if len(kept) - at <= MAX_PREVIEWS and total <= MAX_PREVIEW_BYTES:
                break
            entry.unlink(missing_ok=True)
            total -= size


def _list_previews(folder: Path) -> list[Path]:
    return [entry for entry in folder.iterdir() if entry.suffix == ".jpg"]


PAGE_HEADER = b"<!DOCTYPE html>\n<!-- tripleguard report -->"
"""The beginning of our pages; only files that begin so are ever replaced by one."""


def write_page(path: Path, content: bytes) -> None:
    """Write a page at a person's path, replacing only an earlier page of ours. Raises TripleguardError."""
    if not content.startswith(PAGE_HEADER):
        raise AssertionError("a page says in its first lines that it is one")
    try:
        if path.is_symlink() or (path.exists() and not _is_page(path)):
            raise TripleguardError(
                f"{path} is there already and is no report of this program.",
                safe="It was not touched.",
                do="Give another name with --html.",
            )
        if not path.parent.is_dir():
            raise TripleguardError(
                f"There is no folder {path.parent}.",
                safe="Nothing was written.",
                do="Make it, or give another place.",
            )
        write_atomically(path, content)
    except OSError as error:
        raise TripleguardError(
            f"The page {path} can't be written ({error.strerror}).",
            safe="Nothing else was changed.",
            do="Give another place with --html.",
        ) from error


def _is_page(path: Path) -> bool:
    with path.open("rb") as file:
        return file.read(len(PAGE_HEADER)) == PAGE_HEADER


def create_rotating_log(path: Path, max_bytes: int, backup_count: int) -> logging.Handler:
    """Return a log handler that rotates at max_bytes and keeps backup_count old files. Raises OSError.

    Lines that can't be written, on a full disk, are dropped.
    """
    from logging.handlers import RotatingFileHandler

    class Quiet(RotatingFileHandler):
        def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - the name that logging calls
            return

    path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    return Quiet(path, maxBytes=max_bytes, backupCount=backup_count, encoding="utf-8", delay=True)


def open_home_lock(home: Home, name: str) -> int:
    """Return a read-write descriptor of a lock file below the home. Raises OSError."""
    home.locks.mkdir(mode=0o700, parents=True, exist_ok=True)
    return os.open(home.locks / f"{name}.lock", os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o600)
