"""The state of one watched folder, the events that change it, and the actions that follow.

All are values. `folder_machine` holds the transitions, `new_files` does the I/O.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from tripleguard.model import Entry

MAX_TRIES = 5
"""Times that a file is handed over and fails before it is tried again only if it changes."""

EVERYTHING = frozenset({""})
"""The changed folder that stands for the whole tree."""


@dataclass(frozen=True, slots=True)
class PendingFile:
    """A new file that is not in the catalog yet.

    Attributes:
        since: when it was first seen like this.
        is_closed: its writer has closed it.
        tries: how often it was handed over and failed.
        incomplete_since: when its structure was found to be cut short; None if it was not.
        is_damaged: it was recorded as a damaged copy of an original.
    """

    entry: Entry
    since: float
    is_closed: bool = False
    tries: int = 0
    incomplete_since: float | None = None
    is_damaged: bool = False

    @property
    def is_waiting_for_change(self) -> bool:
        """Return whether it is handed over again only if it changes."""
        return self.tries >= MAX_TRIES or self.incomplete_since is not None or self.is_damaged


@dataclass(frozen=True, slots=True)
class Changes:
    """What file system events reported since the last listing. All times are in seconds."""

    dirs: frozenset[str] = EVERYTHING
    closed_paths: frozenset[str] = frozenset()
    event_count: int = 0
    first_at: float = 0.0
    last_at: float = 0.0
    has_overflowed: bool = False


@dataclass(frozen=True, slots=True)
class ListingFailure:
    """Why a folder can't be listed ('' if it is not there), how often that failed, and when to try again."""

    message: str = ""
    count: int = 0
    retry_at: float = 0.0


@dataclass(frozen=True, slots=True)
class FolderState:
    """The state of one watched folder.

    Attributes:
        settle_s: seconds that a file must stay as it is.
        poll_s: seconds between two listings of a folder without events; None if it sends events.
        ready_count: how many complete files were last reported.
    """

    settle_s: float
    poll_s: float | None = None
    changes: Changes = Changes()
    failure: ListingFailure = ListingFailure()
    pending: Mapping[str, PendingFile] = field(default_factory=dict)
    listed_at: float = 0.0
    checked_at: float = 0.0
    ready_count: int = 0
    has_open_writers: bool = False


# Events


@dataclass(frozen=True, slots=True)
class FilesChanged:
    """File system events reported changes in these folders; closed: files whose writer has closed them."""

    now: float
    dirs: frozenset[str]
    closed: frozenset[str] = frozenset()
    count: int = 1


@dataclass(frozen=True, slots=True)
class RelistRequested:
    """Everything must be listed; is_replaced: another folder has this path now, so old failures don't count."""

    is_replaced: bool = False


@dataclass(frozen=True, slots=True)
class PollingChanged:
    """The folder must be polled from now on, or sends events."""

    poll_s: float | None


@dataclass(frozen=True, slots=True)
class TimePassed:
    """The time has come to see what is due."""

    now: float


@dataclass(frozen=True, slots=True)
class Listed:
    """These folders were listed and held these new files."""

    now: float
    dirs: frozenset[str]
    found: tuple[Entry, ...]


@dataclass(frozen=True, slots=True)
class ListingFailed:
    """The folder could not be listed; message: why, or '' if it is not there."""

    now: float
    message: str


@dataclass(frozen=True, slots=True)
class FilesChecked:
    """New files were looked at again; None: it is gone."""

    now: float
    entries: Mapping[str, Entry | None]


@dataclass(frozen=True, slots=True)
class FilesRecorded:
    """A job of another kind has recorded these files meanwhile."""

    paths: frozenset[str]


@dataclass(frozen=True, slots=True)
class FilesIngested:
    """A job was given these files. The failed ones are tried again, incomplete and damaged ones if they change."""

    now: float
    paths: frozenset[str]
    failed: frozenset[str] = frozenset()
    incomplete: frozenset[str] = frozenset()
    damaged: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class ReadyCounted:
    """So many files are complete, without those that are open for writing."""

    count: int
    has_open_writers: bool


Event = (
    FilesChanged
    | RelistRequested
    | PollingChanged
    | TimePassed
    | Listed
    | ListingFailed
    | FilesChecked
    | FilesRecorded
    | FilesIngested
    | ReadyCounted
)


# Actions


@dataclass(frozen=True, slots=True)
class ListDirs:
    """List these folders and everything below them; '' stands for the whole tree."""

    dirs: frozenset[str]


@dataclass(frozen=True, slots=True)
class CheckFiles:
    """Look at these files again."""

    paths: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ReportReady:
    """Report that so many files are complete."""

    count: int


@dataclass(frozen=True, slots=True)
class Warn:
    """Write this into the log."""

    message: str


Action = ListDirs | CheckFiles | ReportReady | Warn
