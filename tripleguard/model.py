"""The values that every module shares: files, copies, places, evidence, findings.

A *file* is one content; a *copy* is that content at one path on one *place*; *evidence* says what is known of a
copy and since when. A *card* is only ever read. Nothing here touches a disk.

Times are UTC nanoseconds (`int`) unless a name says otherwise. Digests are 32 raw bytes. Paths on a card or a
place are relative, with `/` between parts; bytes that are not UTF-8 are carried as surrogates, as `os.fsdecode`
does.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass

DIGEST_BYTES = 32


class FileKind(enum.StrEnum):
    """The kind of a file that a camera or an editor wrote."""

    RAW = "raw"
    PICTURE = "picture"
    VIDEO = "video"
    SOUND = "sound"
    COMPANION = "companion"
    OTHER = "other"

    @property
    def is_original(self) -> bool:
        """Return whether a camera recorded it: it is irreplaceable and never changes."""
        return self in (FileKind.RAW, FileKind.PICTURE, FileKind.VIDEO, FileKind.SOUND)


class Medium(enum.StrEnum):
    """How far down a read-back reached."""

    DIRECT = "direct"
    """The system's cache was bypassed: the bytes came from the device."""
    DROPPED = "dropped"
    """The caches were flushed and dropped first, so the bytes had to come from the device."""
    REMOUNTED = "remounted"
    """Read through the cache, for the first time since the drive was plugged in or mounted: nothing of these bytes
    was in memory before, so they had to come from the device (docs/decisions/022)."""
    CACHED = "cached"
    """The cache could not be bypassed: the bytes may have come from memory."""

    @property
    def is_from_device(self) -> bool:
        """Return whether the bytes are known to have come from the medium and not from memory."""
        return self is not Medium.CACHED


class CopyState(enum.StrEnum):
    """The state of a copy when it was last checked."""

    PRESENT = "present"
    MISSING = "missing"
    CORRUPT = "corrupt"
    ALTERED = "altered"
    QUARANTINED = "quarantined"


class PlaceState(enum.StrEnum):
    """The service state of a place, whether or not it is connected."""

    ACTIVE = "active"
    SHELVED = "shelved"
    RETIRING = "leaving"
    """About to be retired: only read from, and its copies no longer count."""
    LOST = "lost"
    RETIRED = "retired"

    @property
    def is_in_service(self) -> bool:
        """Return whether good copies on the place count; matches the catalog's view `places_in_service`."""
        return self in (PlaceState.ACTIVE, PlaceState.SHELVED)


class PlaceKind(enum.StrEnum):
    DRIVE = "drive"
    OFFSITE = "offsite"


class DriveRole(enum.StrEnum):
    """Where a drive is kept, which decides how often it is verified."""

    ROAD = "road"
    SHELF = "shelf"


class FindingKind(enum.StrEnum):
    """One thing wrong with one copy or file. These names appear in reports and in JSON."""

    MISSING = "missing"
    CORRUPT = "corrupt"
    ALTERED = "altered"
    STALE = "stale"
    MISPLACED = "misplaced"
    STRAY = "stray"
    UNDER_REPLICATED = "under-replicated"
    OVERDUE = "overdue"
    DAMAGED_AT_SOURCE = "damaged at source"


class Severity(enum.StrEnum):
    """How urgent a finding is."""

    NOW = "now"
    SOON = "soon"
    NOTE = "note"


class Integrity(enum.StrEnum):
    """Whether a camera's own file is intact, as far as can be checked."""

    CLEAN = "clean as far as can be told"
    UNCHECKED = "not checkable"
    SUSPICIOUS = "suspicious"
    BROKEN = "broken"


class EventType(enum.StrEnum):
    """Event words of PREMIS 3 (Library of Congress, preservation/eventType vocabulary).

    The last two have no PREMIS word; they are ours.
    """

    INGESTION = "ingestion"
    REPLICATION = "replication"
    FIXITY_CHECK = "fixity check"
    MESSAGE_DIGEST_CALCULATION = "message digest calculation"
    METADATA_MODIFICATION = "metadata modification"
    QUARANTINE = "quarantine"
    DEACCESSION = "deaccession"
    DELETION = "deletion"
    RECOVERY = "recovery"
    VALIDATION = "validation"
    TRANSFER = "transfer"
    CLEARANCE = "clearance"
    PLACE_CHANGE = "place change"


class EventOutcome(enum.StrEnum):
    """How an event ended."""

    SUCCESS = "success"
    PARTIAL = "partial"
    FAILURE = "failure"


@dataclass(frozen=True, slots=True)
class File:
    """One content. Two paths with the same bytes are one file.

    digest: BLAKE3, 32 bytes. size: bytes.
    """

    digest: bytes
    size: int

    def __post_init__(self) -> None:
        if len(self.digest) != DIGEST_BYTES or self.size < 0:
            raise ValueError("a file is a 32-byte digest and a size of at least 0")


@dataclass(frozen=True, slots=True)
class Evidence:
    """What is known of a copy, and since when (UTC ns; None: never).

    inherited_at: when an earlier catalog, or this one on another file system, verified it; it was not read since,
    so that counts for nothing. cached_insertion: the drive's insertion in which its bytes last went through the
    system's cache (`places/insertion.py`). ctime_ns: its `Entry.ctime_ns` right before it was read back.
    """

    written_at: int | None = None
    verified_at: int | None = None
    medium: Medium | None = None
    listed_at: int | None = None
    inherited_at: int | None = None
    cached_insertion: str | None = None
    ctime_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """One regular file as a card or a place lists it now. path is relative; size in bytes.

    ctime_ns: when the file system last recorded any change, which no program can set; 0 if it keeps no such time.
    FAT and exFAT return the modification time instead.
    """

    path: str
    size: int
    mtime_ns: int
    is_protected: bool = False
    ctime_ns: int = 0

    @property
    def name(self) -> str:
        return self.path.rpartition("/")[2]

    @property
    def folder(self) -> str:
        return self.path.rpartition("/")[0]


@dataclass(frozen=True, slots=True)
class UncopyableEntry:
    """An item on a card that can't be copied: its path, and why in plain words."""

    path: str
    reason: str


@dataclass(frozen=True, slots=True)
class Copy:
    """One file at one path on one place, with its evidence.

    shoot_id: the shoot that this copy belongs to; equal sidecars of two shoots are one file, with copies in both.
    """

    id: int
    file_id: int
    place_id: int
    shoot_id: int
    path: str
    size: int
    mtime_ns: int
    state: CopyState
    evidence: Evidence


@dataclass(frozen=True, slots=True)
class KnownSpace:
    """The space on a place when it was last connected: free and total bytes, at: UTC ns."""

    free: int
    total: int
    at: int


@dataclass(frozen=True, slots=True)
class PlaceRecord:
    """The catalog's record of a place. uid: the marker's id; path and space: as last known.

    Attributes:
        note: Where it is kept, in the photographer's words.
        identity: Its file system, as `places/fs_identity.py` encodes it; None if unknown.
        insertion: The current one (`places/insertion.py`); None if unknown.
    """

    id: int
    uid: str
    name: str
    kind: PlaceKind
    role: DriveRole
    state: PlaceState
    added_at: int
    last_seen_at: int | None
    last_path: str | None
    known_space: KnownSpace | None = None
    note: str = ""
    identity: str | None = None
    insertion: str | None = None


@dataclass(frozen=True, slots=True)
class Shoot:
    """One job: what was shot on one shooting day under one name. day is `YYYY-MM-DD`."""

    id: int
    day: str
    name: str

    @property
    def title(self) -> str:
        return f"{self.day} {self.name}"


@dataclass(frozen=True, slots=True)
class Capture:
    """What a camera wrote about a picture, as far as it could be read.

    local: camera wall time `YYYY-MM-DDTHH:MM:SS`, without a zone. subsec: the digits after the second. offset:
    `+HH:MM` or `-HH:MM` if the camera wrote it. is_zone_known: False if local is a film's own clock, which is UTC
    in some cameras.
    """

    local: str | None = None
    subsec: str | None = None
    offset: str | None = None
    make: str | None = None
    model: str | None = None
    serial: str | None = None
    is_zone_known: bool = True


@dataclass(frozen=True, slots=True)
class ImageInfo:
    """How to display a picture, and its rating in the camera.

    width, height: pixels as stored, before rotation. orientation: Exif's, 1 to 8. rating: XMP's, -1 or 0 to 5.
    """

    width: int | None = None
    height: int | None = None
    orientation: int | None = None
    rating: float | None = None


WRONG_START_SIGN = "begins wrongly"
"""The sign of a file whose beginning does not fit its kind."""

EVEN_COLOUR_SIGN = "even colour or hole"
"""The beginning of the sign of a blank run, if an even colour can be encoded as one."""

SIGNS_CLEARED_BY_DECODING = (WRONG_START_SIGN, EVEN_COLOUR_SIGN)
"""The beginnings of signs that are no flaws if the whole picture decodes."""


@dataclass(frozen=True, slots=True)
class IntegrityFlaw:
    """One flaw in a camera's file. sign: the same text for the same flaw in other files.

    is_grave: the file is broken by it, else suspicious. is_possible_quirk: no flaw if nearly all files of a model
    have it.
    """

    is_grave: bool
    sign: str
    explanation: str
    is_possible_quirk: bool = False


@dataclass(frozen=True, slots=True)
class IntegrityVerdict:
    """The result of inspecting a camera's file. explanation: why it is not checkable."""

    integrity: Integrity
    flaws: tuple[IntegrityFlaw, ...] = ()
    explanation: str = ""


@dataclass(frozen=True, slots=True)
class FreeSpace:
    """Bytes on a place: free for us, in total, and reserved. total 0: unknown."""

    free: int
    total: int
    reserve: int

    def can_hold(self, size: int) -> bool:
        """Return whether size more bytes fit without the reserve; if the space is unknown, try."""
        return self.total == 0 or self.free - self.reserve >= size


@dataclass(frozen=True, slots=True)
class FsLimits:
    """What the file system of a place supports, found by a probe.

    Attributes:
        forbidden_chars: Characters that no name may contain.
        max_name_bytes, max_name_units: The longest name in bytes of UTF-8 or in UTF-16 units (0: no such limit).
        max_file_bytes: The largest file (0: unknown).
        mtime_step_ns: The resolution of modification times.
    """

    is_case_insensitive: bool
    is_normalization_insensitive: bool
    forbidden_chars: str
    is_utf8_only: bool
    max_name_bytes: int
    max_name_units: int
    max_file_bytes: int
    mtime_step_ns: int
    file_system: str


@dataclass(frozen=True, slots=True)
class Finding:
    """One problem, since when (UTC ns), and what to do about it in plain words.

    number: for a person to accept it; None for findings that follow from counting.
    """

    kind: FindingKind
    severity: Severity
    place: str | None
    path: str | None
    digest: bytes | None
    shoot: str | None
    since: int | None
    message: str
    next_step: str
    count: int = 1
    number: int | None = None
