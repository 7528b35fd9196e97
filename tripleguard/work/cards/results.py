"""What a copying job carries, and what its lanes tell of it."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field

from tripleguard.cameras.wholeness import Look
from tripleguard.errors import CopyTrouble
from tripleguard.model import Entry, File, Medium
from tripleguard.places.base import Reading
from tripleguard.work.cards.placing import Placing
from tripleguard.work.looking import Looked


@dataclass(frozen=True, slots=True)
class Heals:
    """What a copy is made for: the finding (the catalog's id), and the path at which it was found."""

    finding: int
    path: str


@dataclass(slots=True, eq=False)
class Task:
    """One file on its way. lanes: numbers of the lanes that shall get it; none: it is only read.

    guess: the file it is taken for before it is read. still_same: whether the source is unchanged. source: the
    catalog's id of the copy it is read from, where that is no card file. gives_way: lanes on which a bad copy has
    the name and is moved aside once the good one is whole, and why; as_seen: what was seen there when that was
    decided, and anything else is left. heals: the finding that a mend makes it for. given_up: lanes that failed
    before it was decided where the copy shall lie. look: at the file while it passes; looked: what that told.
    """

    entry: Entry
    open: Callable[[], Reading]
    lanes: tuple[int, ...]
    still_same: Callable[[], bool]
    guess: File | None = None
    source: int | None = None
    gives_way: dict[int, str] = field(default_factory=dict)
    as_seen: dict[int, Entry | None] = field(default_factory=dict)
    heals: Heals | None = None
    given_up: set[int] = field(default_factory=set)
    look: Look | None = None
    looked: Looked | None = None
    file: File | None = None
    sample: bytes = b""
    placing: Placing | None = None
    paths: dict[int, str] = field(default_factory=dict)
    decided: threading.Event = field(default_factory=threading.Event)


@dataclass(frozen=True, slots=True)
class Written:
    """A copy is whole, flushed and named on a lane."""

    task: Task
    lane: int
    entry: Entry


@dataclass(frozen=True, slots=True)
class MovedAside:
    """A bad copy at path gave way to a good one that is whole and flushed; it lies aside now."""

    lane: int
    path: str
    aside: str


@dataclass(frozen=True, slots=True)
class ToProve:
    """A copy to read back. copy_id: the catalog's, where it has one already; mtime_ns: its time before."""

    path: str
    file: File
    copy_id: int | None = None
    task: Task | None = None
    mtime_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Proved:
    """A copy was read back and is equal. readings 2: the first one differed or failed. seen: as it lay before."""

    proof: ToProve
    lane: int
    medium: Medium
    readings: int
    seen: Entry


@dataclass(frozen=True, slots=True)
class Disproved:
    """A copy was read back twice and is not what it should be; it lies aside now, if it could be moved."""

    proof: ToProve
    lane: int
    why: str
    aside: str | None


@dataclass(frozen=True, slots=True)
class NotCopied:
    """A file could not be brought to a lane."""

    task: Task
    lane: int
    error: CopyTrouble


@dataclass(frozen=True, slots=True)
class LaneDown:
    """A lane stopped taking part."""

    lane: int
    error: CopyTrouble


@dataclass(frozen=True, slots=True)
class LaneDone:
    """A lane has nothing more to do."""

    lane: int


@dataclass(frozen=True, slots=True)
class Crashed:
    """A thread met something that nobody foresaw."""

    error: BaseException


LaneResult = Written | MovedAside | Proved | Disproved | NotCopied | LaneDown | LaneDone | Crashed
