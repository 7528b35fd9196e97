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
    """What sort of file a camera or an editor wrote."""

    RAW = "raw"
    PICTURE = "picture"
    VIDEO = "video"
    SOUND = "sound"
    COMPANION = "companion"
    OTHER = "other"

    @property
    def is_original(self) -> bool:
        """Return whether it is something a camera recorded, which can't be had again and never changes."""
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
    """How a copy was when it was last looked at."""

    PRESENT = "present"
    MISSING = "missing"
    CORRUPT = "corrupt"
    ALTERED = "altered"
    QUARANTINED = "quarantined"


class PlaceState(enum.StrEnum):
    """What a place is to us, whether or not it is plugged in now."""

    ACTIVE = "active"
    SHELVED = "shelved"
    RETIRING = "leaving"
    """About to be retired: read from, never written to, and its copies do not count any more."""
    LOST = "lost"
    RETIRED = "retired"

    @property
    def is_in_service(self) -> bool:
        """Whether good copies on the place count. The view `places_in_service` of the catalog says the same."""
        return self in (PlaceState.ACTIVE, PlaceState.SHELVED)


class PlaceKind(enum.StrEnum):
    DRIVE = "drive"
    OFFSITE = "offsite"


class DriveRole(enum.StrEnum):
    """Where a drive lives, which decides how often it is verified."""

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
    """How soon a finding wants a person."""

    NOW = "now"
    SOON = "soon"
    NOTE = "note"


class Integrity(enum.StrEnum):
    """Whether a camera's own file holds together, as far as can be told."""

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

    inherited_at: it was verified then by an earlier catalog, or on another file system; here it has not been read
    since, and it counts for nothing. cached_in: the insertion of the drive in which its bytes last went through
    the system's cache (`places/insertion.py`); None: not known. ctime_ns: the copy's `ScheduleEntry.ctime_ns`
    right before it was read back; None: not known.
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
    """One plain file as a card or a place lists it now. path is relative; size in bytes.

    ctime_ns: when the file system last noted a change of any kind, which no program can set back; 0 where it keeps
    no such time. FAT and exFAT give the modification time again.
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
    """Something on a card that can't be copied: path, and why in plain words."""

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
    """How much room a place had when it was last seen: free and total bytes, at: UTC ns."""

    free: int
    total: int
    at: int


@dataclass(frozen=True, slots=True)
class PlaceRecord:
    """What the catalog remembers of a place. uid is the marker's id; path and room as it was last seen.

    note: where it is kept, in the photographer's words. identity: its file system, as `places/fs_identity.py`
    writes it; None: never looked at. insertion: the one it is opened in now (`places/insertion.py`); None: not
    known.
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

    local: camera wall time `YYYY-MM-DDTHH:MM:SS`, without a zone. subsec: the digits after the second.
    offset: `+HH:MM` or `-HH:MM` where the camera wrote it. zone_known: False where local is a film's own clock,
    which is UTC in some cameras.
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
    """How a picture is to be shown, and what was thought of it in the camera.

    width, height: pixels as stored, before turning. orientation: Exif's, 1 to 8. rating: XMP's, -1 or 0 to 5.
    """

    width: int | None = None
    height: int | None = None
    orientation: int | None = None
    rating: float | None = None


WRONG_START_SIGN = "begins wrongly"
"""The sign of a file that begins as no file of its kind does."""

EVEN_COLOUR_SIGN = "even colour or hole"
"""How the sign of a blank run begins where an even colour may be coded as one."""

SIGNS_CLEARED_BY_DECODING = (WRONG_START_SIGN, EVEN_COLOUR_SIGN)
"""How the signs of those flaws begin that are none if the whole picture decodes."""


@dataclass(frozen=True, slots=True)
class IntegrityFlaw:
    """One thing in a camera's file that does not hold together.

    grave: the file is broken by it, else suspicious. sign: the same words for the same fault in other files. why:
    for a person. habit: it may be how this maker's files are, and no fault, if nearly all of a model have it.
    """

    is_grave: bool
    sign: str
    explanation: str
    is_possible_quirk: bool = False


@dataclass(frozen=True, slots=True)
class IntegrityVerdict:
    """What a look through a camera's file said. why: of one that is not checkable, why not."""

    integrity: Integrity
    flaws: tuple[IntegrityFlaw, ...] = ()
    explanation: str = ""


@dataclass(frozen=True, slots=True)
class FreeSpace:
    """Bytes on a place: free for us, in all, and kept in reserve. total 0: the place can't say."""

    free: int
    total: int
    reserve: int

    def can_hold(self, size: int) -> bool:
        """Return whether size more bytes fit without touching the reserve; a place that can't say is tried."""
        return self.total == 0 or self.free - self.reserve >= size


@dataclass(frozen=True, slots=True)
class FsLimits:
    """What the file system of a place can hold, learnt by a probe.

    forbidden: characters no name may hold. name_bytes / name_units: longest name in bytes of UTF-8 or in
    UTF-16 units (0: no such limit). largest: biggest file in bytes (0: no limit known). mtime_step_ns:
    how finely a modification time is kept.
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
    """One thing wrong, since when (UTC ns), and what to do about it in plain words.

    number: by which a person can accept it; None for what follows from counting.
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
