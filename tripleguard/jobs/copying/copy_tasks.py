"""The task of copying one file, and the results that drive lanes report for it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field

from tripleguard.cameras.integrity.checker import IntegrityChecker
from tripleguard.errors import CopyError
from tripleguard.jobs.copying.destination import Destination
from tripleguard.jobs.integrity import IntegrityResult
from tripleguard.model import Entry, File, Medium
from tripleguard.places.base import CopyReader


@dataclass(frozen=True, slots=True)
class RepairTarget:
    """The finding (catalog id) that a copy repairs, and the path at which it was found."""

    finding_id: int
    path: str


@dataclass(slots=True, eq=False)
class CopyTask:
    """One file to copy.

    Attributes:
        lanes: Numbers of the lanes that get the file; empty if it is only read.
        is_source_unchanged: Return whether the source is still as listed.
        expected_file: The file it is assumed to be before it is read.
        source_copy_id: The catalog's id of the copy it is read from; None for a card file.
        replaces: The reason, by lane, why the bad copy under the name is quarantined once the good one is flushed.
        expected_entries: The entry, by lane, seen when that was decided; a different one is left alone.
        repairs: The finding that a repair makes the copy for.
        failed_lanes: Lanes that failed before the destination was chosen.
        integrity_check: Inspects the file while it is read.
        integrity_result: What the inspection found.
    """

    entry: Entry
    open: Callable[[], CopyReader]
    lanes: tuple[int, ...]
    is_source_unchanged: Callable[[], bool]
    expected_file: File | None = None
    source_copy_id: int | None = None
    replaces: dict[int, str] = field(default_factory=dict)
    expected_entries: dict[int, Entry | None] = field(default_factory=dict)
    repairs: RepairTarget | None = None
    failed_lanes: set[int] = field(default_factory=set)
    integrity_check: IntegrityChecker | None = None
    integrity_result: IntegrityResult | None = None
    file: File | None = None
    sample: bytes = b""
    destination: Destination | None = None
    paths: dict[int, str] = field(default_factory=dict)
    paths_ready: threading.Event = field(default_factory=threading.Event)


@dataclass(frozen=True, slots=True)
class CopyWritten:
    """A copy was written, flushed and published on a lane."""

    task: CopyTask
    lane: int
    entry: Entry


@dataclass(frozen=True, slots=True)
class CopyQuarantined:
    """A bad copy at `path` was quarantined, because a good one replaces it."""

    lane: int
    path: str
    quarantine_path: str


@dataclass(frozen=True, slots=True)
class VerifyRequest:
    """A copy to read back; `copy_id` if the catalog has it already, `mtime_ns` as recorded."""

    path: str
    file: File
    copy_id: int | None = None
    task: CopyTask | None = None
    mtime_ns: int | None = None


@dataclass(frozen=True, slots=True)
class CopyVerified:
    """A copy was read back and is equal; `readings` is 2 if the first reading differed or failed."""

    request: VerifyRequest
    lane: int
    medium: Medium
    readings: int
    entry_before: Entry


@dataclass(frozen=True, slots=True)
class VerifyFailed:
    """A copy was read back twice and differs; it is in quarantine if it could be moved."""

    request: VerifyRequest
    lane: int
    reason: str
    quarantine_path: str | None


@dataclass(frozen=True, slots=True)
class CopyFailed:
    """A file could not be copied to a lane."""

    task: CopyTask
    lane: int
    error: CopyError


@dataclass(frozen=True, slots=True)
class LaneFailed:
    """A lane failed and takes no further part."""

    lane: int
    error: CopyError


@dataclass(frozen=True, slots=True)
class LaneDone:
    """A lane has nothing more to do."""

    lane: int


@dataclass(frozen=True, slots=True)
class ThreadCrashed:
    """A thread failed with an unexpected error."""

    error: BaseException


LaneResult = (
    CopyWritten
    | CopyQuarantined
    | CopyVerified
    | VerifyFailed
    | CopyFailed
    | LaneFailed
    | LaneDone
    | ThreadCrashed
)
