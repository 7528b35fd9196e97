"""The results that a scan lane reports to the job, which records them."""

from __future__ import annotations

from dataclasses import dataclass

from tripleguard.model import Copy, Entry, File, Medium


@dataclass(frozen=True, slots=True)
class UnchangedCopies:
    """Copies that are there with size and time as recorded."""

    lane: int
    copy_ids: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ChangedCopies:
    """So many copies are there in some way, but not as recorded; each is told of again once it was read."""

    lane: int
    count: int


@dataclass(frozen=True, slots=True)
class MissingCopy:
    """A copy that is not at its path."""

    lane: int
    copy: Copy


@dataclass(frozen=True, slots=True)
class MatchingCopy:
    """A copy was read back and holds what it should. entry: as it lies there now."""

    lane: int
    copy: Copy
    entry: Entry
    medium: Medium


@dataclass(frozen=True, slots=True)
class MismatchedCopy:
    """A copy holds something else, or can't be read. file: what it holds; None: so many bytes are unreadable."""

    lane: int
    copy: Copy
    entry: Entry
    file: File | None
    sample: bytes
    unreadable_bytes: int
    medium: Medium


@dataclass(frozen=True, slots=True)
class UnknownFile:
    """A file that the catalog does not have at this path."""

    lane: int
    entry: Entry
    file: File | None
    sample: bytes
    medium: Medium


@dataclass(frozen=True, slots=True)
class ScanFinished:
    """A lane is through. finished: all that was asked for was looked at. gone: the drive stopped answering."""

    lane: int
    is_finished: bool
    is_disconnected: bool = False
    error: BaseException | None = None


FileReadResult = MatchingCopy | MismatchedCopy | UnknownFile
"""What is told once a file was read to its end."""

ScanResult = (
    UnchangedCopies | ChangedCopies | MissingCopy | MatchingCopy | MismatchedCopy | UnknownFile | ScanFinished
)
