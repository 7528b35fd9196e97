"""List what is in a drive's quarantine. Read only.

Each quarantined copy has a folder of its own, with the file and a note of the reason. But the quarantine is on a
photographer's drive, and anything may have been put there since. Whatever differs from what the tool creates is
listed with a problem, and is neither entered, followed nor read.
"""

from __future__ import annotations

import contextlib
import os
import re
import stat
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime

from tripleguard.clock import SECOND
from tripleguard.names import escape_text
from tripleguard.places.dir_handle import DirHandle, change_time_of, modification_time_of
from tripleguard.places.reserved import QUARANTINE_DIR

NOTE_SUFFIX = ".why.txt"
_MAX_NOTE_STEM = 60
_MAX_NOTE_BYTES = 4096
_ENTRY_FOLDER = re.compile(r"(\d{8}T\d{6}Z)-[0-9a-f]{8}")
_NOTE_SIGNATURE = re.compile(r"moved here \d{8}T\d{6}Z; nothing was deleted")

StatOrError = os.stat_result | OSError


@dataclass(frozen=True, slots=True)
class QuarantineEntry:
    """One item in quarantine.

    Attributes:
        path: From the top of the drive.
        inode_id: Device and inode.
        link_count: How many names it has on the drive.
        problem: How it differs from what the tool creates; empty for a regular file in its own folder.
        note: The note beside it, and `reason` its content.
        moved_at: When it was moved, by its folder's name, UTC ns.
        is_note: It is a note whose file is gone.
        ctime_ns: As in `model.Entry`; 0 also if the driver makes it up.
    """

    path: str
    size: int = 0
    mtime_ns: int = 0
    inode_id: tuple[int, int] = (0, 0)
    link_count: int = 0
    problem: str = ""
    note: QuarantineEntry | None = None
    reason: str = ""
    moved_at: int | None = None
    is_note: bool = False
    ctime_ns: int = 0

    @property
    def name(self) -> str:
        return self.path.rpartition("/")[2]

    @property
    def folder(self) -> str:
        return self.path.rpartition("/")[0]

    def is_unchanged(self, status: os.stat_result) -> bool:
        """Return whether this is the status of the same regular file, unchanged."""
        return (
            stat.S_ISREG(status.st_mode)
            and (status.st_dev, status.st_ino) == self.inode_id
            and (status.st_size, modification_time_of(status), status.st_nlink)
            == (self.size, self.mtime_ns, self.link_count)
            and self.ctime_ns in (0, change_time_of(status))
        )


def build_note_name(name: str) -> str:
    """Return the name of the note beside a file of this name."""
    return f"{name[:_MAX_NOTE_STEM]}{NOTE_SUFFIX}"


def format_note(path: str, reason: str, stamp: str) -> bytes:
    """Return a note's content: the file's path, why it was moved, and when (`20260614T013005Z`)."""
    return f"{escape_text(path)}\n{escape_text(reason)}\nmoved here {stamp}; nothing was deleted\n".encode()


def list_quarantine(drive: DirHandle, *, made_up: bool = False) -> list[QuarantineEntry]:
    """Return everything in a drive's quarantine, in path order. Raises OSError if it can't be listed.

    made_up: the drive makes up its change times, so ignore them.
    """
    found = _all_quarantine(drive)
    return [replace(one, ctime_ns=0) for one in found] if made_up else found


def _all_quarantine(drive: DirHandle) -> list[QuarantineEntry]:
    drive.clear_checked_dirs()
    try:
        listed = drive.list_dir(QUARANTINE_DIR)
    except FileNotFoundError:
        return []
    except NotADirectoryError:
        return [QuarantineEntry(QUARANTINE_DIR, problem="it is no folder of this drive")]
    found: list[QuarantineEntry] = []
    for name, status in listed:
        path = f"{QUARANTINE_DIR}/{name}"
        if isinstance(status, OSError) or not stat.S_ISDIR(status.st_mode):
            odd = _describe_problem(status) or "it lies outside of the folders that are made here"
            found.append(_to_entry(drive, path, status, problem=odd))
        else:
            found += _list_folder(drive, path)
    return found


def list_empty_dirs(drive: DirHandle) -> list[str]:
    """Return the empty folders in quarantine that the tool made, by their names. Raises OSError."""
    drive.clear_checked_dirs()
    try:
        listed = drive.list_dir(QUARANTINE_DIR)
    except (FileNotFoundError, NotADirectoryError):
        return []
    return [
        f"{QUARANTINE_DIR}/{name}"
        for name, status in listed
        if not isinstance(status, OSError)
        and stat.S_ISDIR(status.st_mode)
        and _ENTRY_FOLDER.fullmatch(name)
        and not drive.list_dir(f"{QUARANTINE_DIR}/{name}")
    ]


def _list_folder(drive: DirHandle, folder: str) -> Iterator[QuarantineEntry]:
    try:
        listed = dict(drive.list_dir(folder))
    except OSError:
        yield QuarantineEntry(folder, problem="it is a folder that can't be listed")
        return
    read: dict[str, str] = {}
    for name in listed:
        note = build_note_name(name)
        why = _read_note(drive, f"{folder}/{note}", listed[note]) if note in listed and note != name else None
        if why is not None:
            read[note] = why
    for name, status in listed.items():
        if name in read:
            continue
        path, note = f"{folder}/{name}", build_note_name(name)
        beside = _to_entry(drive, f"{folder}/{note}", listed[note]) if note in read else None
        found = _to_entry(
            drive, path, status, problem=_describe_problem(status), note=beside, reason=read.get(note, "")
        )
        is_note = name.endswith(NOTE_SUFFIX) and _read_note(drive, path, status) is not None
        yield replace(found, is_note=is_note and found.moved_at is not None)


def _read_note(drive: DirHandle, path: str, status: StatOrError) -> str | None:
    """Return the reason in a note; None if it is no note of the tool's."""
    if _describe_problem(status) or isinstance(status, OSError) or status.st_size > _MAX_NOTE_BYTES:
        return None
    try:
        lines = drive.read_small(path, _MAX_NOTE_BYTES).decode("utf-8", "replace").splitlines()
    except OSError:
        return None
    if len(lines) != 3 or _NOTE_SIGNATURE.fullmatch(lines[2]) is None:
        return None
    return escape_text(lines[1])


def _to_entry(
    drive: DirHandle,
    path: str,
    status: StatOrError,
    *,
    problem: str = "",
    note: QuarantineEntry | None = None,
    reason: str = "",
) -> QuarantineEntry:
    if sys.platform == "win32":
        # On Windows a listing has neither inode nor link count.
        with contextlib.suppress(OSError):
            status = drive.lstat(path)
    if isinstance(status, OSError):
        return QuarantineEntry(path, problem=problem, moved_at=_parse_moved_at(path))
    return QuarantineEntry(
        path,
        status.st_size if stat.S_ISREG(status.st_mode) else 0,
        modification_time_of(status),
        (status.st_dev, status.st_ino),
        status.st_nlink,
        problem,
        note,
        reason,
        _parse_moved_at(path),
        ctime_ns=change_time_of(status),
    )


def _describe_problem(status: StatOrError) -> str:
    if isinstance(status, OSError):
        return "it can't be looked at"
    if stat.S_ISREG(status.st_mode):
        return ""
    if stat.S_ISLNK(status.st_mode):
        return "it is a link"
    return "it is a folder" if stat.S_ISDIR(status.st_mode) else "it is no plain file"


def _parse_moved_at(path: str) -> int | None:
    stamped = _ENTRY_FOLDER.fullmatch(path.split("/")[2]) if path.count("/") >= 2 else None
    if stamped is None:
        return None
    try:
        at = datetime.strptime(stamped[1], "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    except ValueError:
        return None
    return int(at.timestamp()) * SECOND
