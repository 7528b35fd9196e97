"""What a lane saw of one drive while it looked at it again: told to the job, which enters it."""

from __future__ import annotations

from dataclasses import dataclass

from tripleguard.model import Copy, Entry, File, Medium


@dataclass(frozen=True, slots=True)
class Listed:
    """Copies that are there with size and time as recorded."""

    lane: int
    copy_ids: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class NotAsRecorded:
    """So many copies are there in some way, but not as recorded; each is told of again once it was read."""

    lane: int
    copies: int


@dataclass(frozen=True, slots=True)
class Absent:
    """A copy that is not at its path."""

    lane: int
    copy: Copy


@dataclass(frozen=True, slots=True)
class Equal:
    """A copy was read back and holds what it should. entry: as it lies there now."""

    lane: int
    copy: Copy
    entry: Entry
    medium: Medium


@dataclass(frozen=True, slots=True)
class Different:
    """A copy holds something else, or can't be read. file: what it holds; None: so many bytes are unreadable."""

    lane: int
    copy: Copy
    entry: Entry
    file: File | None
    sample: bytes
    unreadable: int
    medium: Medium


@dataclass(frozen=True, slots=True)
class Unknown:
    """A file that the catalog does not have at this path."""

    lane: int
    entry: Entry
    file: File | None
    sample: bytes
    medium: Medium


@dataclass(frozen=True, slots=True)
class ScanEnded:
    """A lane is through. finished: all that was asked for was looked at. gone: the drive stopped answering."""

    lane: int
    finished: bool
    gone: bool = False
    error: BaseException | None = None


ReadBack = Equal | Different | Unknown
"""What is told once a file was read to its end."""

ScanResult = Listed | NotAsRecorded | Absent | Equal | Different | Unknown | ScanEnded
