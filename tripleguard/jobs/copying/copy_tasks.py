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
    """What a copy is made for: the finding (the catalog's id), and the path at which it was found."""

    finding_id: int
    path: str


@dataclass(slots=True, eq=False)
class CopyTask:
    """One file on its way. lanes: numbers of the lanes that shall get it; none: it is only read.

    guess: the file it is taken for before it is read. still_same: whether the source is unchanged. source: the
    catalog's id of the copy it is read from, where that is no card file. gives_way: lanes on which a bad copy has
    the name and is moved to quarantine once the good one is whole, and why; as_seen: what was seen there when
    that was decided, and anything else is left. heals: the finding that a repair makes it for. given_up: lanes
    that failed before it was decided where the copy shall lie. look: at the file while it passes; looked: what
    that told.
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
    """A copy is whole, flushed and named on a lane."""

    task: CopyTask
    lane: int
    entry: Entry


@dataclass(frozen=True, slots=True)
class CopyQuarantined:
    """A bad copy at path gave way to a good one that is whole and flushed; it is in quarantine now."""

    lane: int
    path: str
    quarantine_path: str


@dataclass(frozen=True, slots=True)
class VerifyRequest:
    """A copy to read back. copy_id: the catalog's, where it has one already; mtime_ns: its time before."""

    path: str
    file: File
    copy_id: int | None = None
    task: CopyTask | None = None
    mtime_ns: int | None = None


@dataclass(frozen=True, slots=True)
class CopyVerified:
    """A copy was read back and is equal. readings 2: the first one differed or failed. seen: as it lay before."""

    request: VerifyRequest
    lane: int
    medium: Medium
    readings: int
    entry_before: Entry


@dataclass(frozen=True, slots=True)
class VerifyFailed:
    """A copy was read back twice and is not what it should be; it is in quarantine now, if it could be moved."""

    request: VerifyRequest
    lane: int
    reason: str
    quarantine_path: str | None


@dataclass(frozen=True, slots=True)
class CopyFailed:
    """A file could not be brought to a lane."""

    task: CopyTask
    lane: int
    error: CopyError


@dataclass(frozen=True, slots=True)
class LaneFailed:
    """A lane stopped taking part."""

    lane: int
    error: CopyError


@dataclass(frozen=True, slots=True)
class LaneDone:
    """A lane has nothing more to do."""

    lane: int


@dataclass(frozen=True, slots=True)
class ThreadCrashed:
    """A thread met something that nobody foresaw."""

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
