"""What lies in a drive's aside folder, as it lies there now. Only looked at here.

Each bad copy that was moved aside has a folder of its own, with the file and a note why. But it lies on a
photographer's drive, and anything may have been put there since. What is not as the tool makes it is listed as
odd, and neither entered, followed nor read.
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
from tripleguard.names import shown
from tripleguard.places.held import HeldFolder
from tripleguard.places.own import ASIDE

NOTE_END = ".why.txt"
_NOTE_STEM = 60
_NOTE_LIMIT = 4096
_FOLDER = re.compile(r"(\d{8}T\d{6}Z)-[0-9a-f]{8}")
_SIGNED = re.compile(r"moved here \d{8}T\d{6}Z; nothing was deleted")

Status = os.stat_result | OSError


@dataclass(frozen=True, slots=True)
class Lying:
    """One thing that lies aside. path: from the top of the drive; size in bytes, mtime in ns.

    node: device and inode. links: how many names it has on the drive. odd: why it is not as the tool makes it, in
    words; empty for a plain file in a folder of its own. note: the note beside it; why: what that says. since:
    when it was moved, by the name of its folder, UTC ns. is_note: it is a note itself, and its file is gone.
    """

    path: str
    size: int = 0
    mtime_ns: int = 0
    node: tuple[int, int] = (0, 0)
    links: int = 0
    odd: str = ""
    note: Lying | None = None
    why: str = ""
    since: int | None = None
    is_note: bool = False

    @property
    def name(self) -> str:
        return self.path.rpartition("/")[2]

    @property
    def folder(self) -> str:
        return self.path.rpartition("/")[0]

    def is_still(self, status: os.stat_result) -> bool:
        """Whether this is the status of the very same plain file, untouched."""
        return (
            stat.S_ISREG(status.st_mode)
            and (status.st_dev, status.st_ino) == self.node
            and (status.st_size, status.st_mtime_ns, status.st_nlink) == (self.size, self.mtime_ns, self.links)
        )


def note_name(name: str) -> str:
    """What the note beside a file of this name is called."""
    return f"{name[:_NOTE_STEM]}{NOTE_END}"


def note_text(path: str, why: str, stamp: str) -> bytes:
    """What a note says: where the file lay, why it was moved, and when (`20260614T013005Z`)."""
    return f"{shown(path)}\n{shown(why)}\nmoved here {stamp}; nothing was deleted\n".encode()


def lies_aside(drive: HeldFolder) -> list[Lying]:
    """Everything in the aside folder of a drive, in path order. Raises OSError if that can't be listed."""
    drive.forget_folders()
    try:
        listed = drive.names(ASIDE)
    except FileNotFoundError:
        return []
    except NotADirectoryError:
        return [Lying(ASIDE, odd="it is no folder of this drive")]
    found: list[Lying] = []
    for name, status in listed:
        path = f"{ASIDE}/{name}"
        if isinstance(status, OSError) or not stat.S_ISDIR(status.st_mode):
            odd = _odd(status) or "it lies outside of the folders that are made here"
            found.append(_lying(drive, path, status, odd=odd))
        else:
            found += _in_folder(drive, path)
    return found


def bare_folders(drive: HeldFolder) -> list[str]:
    """Folders in aside, made by the tool by their names, with nothing in them. Raises OSError."""
    drive.forget_folders()
    try:
        listed = drive.names(ASIDE)
    except (FileNotFoundError, NotADirectoryError):
        return []
    return [
        f"{ASIDE}/{name}"
        for name, status in listed
        if not isinstance(status, OSError)
        and stat.S_ISDIR(status.st_mode)
        and _FOLDER.fullmatch(name)
        and not drive.names(f"{ASIDE}/{name}")
    ]


def _in_folder(drive: HeldFolder, folder: str) -> Iterator[Lying]:
    try:
        listed = dict(drive.names(folder))
    except OSError:
        yield Lying(folder, odd="it is a folder that can't be listed")
        return
    read: dict[str, str] = {}
    for name in listed:
        note = note_name(name)
        why = _read_note(drive, f"{folder}/{note}", listed[note]) if note in listed and note != name else None
        if why is not None:
            read[note] = why
    for name, status in listed.items():
        if name in read:
            continue
        path, note = f"{folder}/{name}", note_name(name)
        beside = _lying(drive, f"{folder}/{note}", listed[note]) if note in read else None
        found = _lying(drive, path, status, odd=_odd(status), note=beside, why=read.get(note, ""))
        is_note = name.endswith(NOTE_END) and _read_note(drive, path, status) is not None
        yield replace(found, is_note=is_note and found.since is not None)


def _read_note(drive: HeldFolder, path: str, status: Status) -> str | None:
    """What a note says in its middle line; None for anything that is no note of the tool's."""
    if _odd(status) or isinstance(status, OSError) or status.st_size > _NOTE_LIMIT:
        return None
    try:
        lines = drive.read_small(path, _NOTE_LIMIT).decode("utf-8", "replace").splitlines()
    except OSError:
        return None
    if len(lines) != 3 or _SIGNED.fullmatch(lines[2]) is None:
        return None
    return shown(lines[1])


def _lying(
    drive: HeldFolder, path: str, status: Status, *, odd: str = "", note: Lying | None = None, why: str = ""
) -> Lying:
    if sys.platform == "win32":
        # A listing there tells neither inode nor number of names.
        with contextlib.suppress(OSError):
            status = drive.status(path)
    if isinstance(status, OSError):
        return Lying(path, odd=odd, since=_since(path))
    return Lying(
        path,
        status.st_size if stat.S_ISREG(status.st_mode) else 0,
        status.st_mtime_ns,
        (status.st_dev, status.st_ino),
        status.st_nlink,
        odd,
        note,
        why,
        _since(path),
    )


def _odd(status: Status) -> str:
    if isinstance(status, OSError):
        return "it can't be looked at"
    if stat.S_ISREG(status.st_mode):
        return ""
    if stat.S_ISLNK(status.st_mode):
        return "it is a link"
    return "it is a folder" if stat.S_ISDIR(status.st_mode) else "it is no plain file"


def _since(path: str) -> int | None:
    stamped = _FOLDER.fullmatch(path.split("/")[2]) if path.count("/") >= 2 else None
    if stamped is None:
        return None
    try:
        at = datetime.strptime(stamped[1], "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    except ValueError:
        return None
    return int(at.timestamp()) * SECOND
