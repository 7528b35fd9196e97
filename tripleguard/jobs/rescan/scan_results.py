"""The results that a scan lane reports to the job, which records them."""

from __future__ import annotations

from dataclasses import dataclass

from tripleguard.model import Copy, Entry, File, Medium


@dataclass(frozen=True, slots=True)
class UnchangedCopies:
    """Copies found with size and time as recorded."""

    lane: int
    copy_ids: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ChangedCopies:
    """How many copies were found but not as recorded; each is reported again once it was read."""

    lane: int
    count: int


@dataclass(frozen=True, slots=True)
class MissingCopy:
    """A copy that is not at its path."""

    lane: int
    copy: Copy


@dataclass(frozen=True, slots=True)
class MatchingCopy:
    """A copy was read back and holds its file. entry: as found now."""

    lane: int
    copy: Copy
    entry: Entry
    medium: Medium


@dataclass(frozen=True, slots=True)
class MismatchedCopy:
    """A copy is unreadable or holds other content. file: its content; None if bytes are unreadable."""

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
    """A lane ended. is_finished: everything was checked; is_disconnected: the drive stopped responding."""

    lane: int
    is_finished: bool
    is_disconnected: bool = False
    error: BaseException | None = None


FileReadResult = MatchingCopy | MismatchedCopy | UnknownFile
"""A result that is reported once a file was read to its end."""

ScanResult = (
    UnchangedCopies | ChangedCopies | MissingCopy | MatchingCopy | MismatchedCopy | UnknownFile | ScanFinished
)
