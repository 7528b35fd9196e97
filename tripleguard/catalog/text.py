"""Names and paths in and out of SQLite.

Most names are UTF-8 and are stored as text, so that a person can search them. A name that is not is stored
as its bytes, so that it comes back as it was.
"""

from __future__ import annotations

import os


def to_db(name: str) -> str | bytes:
    """The value that stands for name in the catalog."""
    try:
        name.encode("utf-8")
    except UnicodeEncodeError:
        return os.fsencode(name)
    return name


def from_db(value: str | bytes) -> str:
    """The name that a catalog value stands for."""
    return os.fsdecode(value) if isinstance(value, bytes) else value


def split_path(path: str) -> tuple[str | bytes, str | bytes]:
    """Folder and name as catalog values."""
    folder, _, name = path.rpartition("/")
    return to_db(folder), to_db(name)


def joined_path(folder: str | bytes, name: str | bytes) -> str:
    """The path from a catalog's folder and name."""
    text = from_db(folder)
    return f"{text}/{from_db(name)}" if text else from_db(name)
