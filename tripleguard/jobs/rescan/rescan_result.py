"""The result of a rescan, for each place and as a whole."""

from __future__ import annotations

from dataclasses import dataclass, field

from tripleguard.jobs.cached_copies import CachedCopies
from tripleguard.model import FindingKind


@dataclass(slots=True)
class PlaceRescanResult:
    """What a rescan did on one drive.

    checked: copies looked at; unchanged: of these, as recorded; read_back: of these, read from the medium;
    from_memory: of these, read and equal, but maybe from memory. unproved: what only such a reading speaks for.
    found: what is wrong that was not known before. finished: all that was asked for was looked at. trouble: why it
    could not be looked at to the end, though it answers.
    """

    place: str
    checked: int = 0
    unchanged: int = 0
    read_back: int = 0
    read_from_cache: int = 0
    read_bytes: int = 0
    is_finished: bool = False
    is_disconnected: bool = False
    error_message: str = ""
    is_offsite: bool = False
    new_findings: list[tuple[FindingKind, str]] = field(default_factory=list)
    cached: CachedCopies | None = None


@dataclass(frozen=True, slots=True)
class RescanResult:
    """What a rescan found, by drive. stopped: the person ended it early.

    still_open: copies on these drives that are missing, corrupt or altered now, found this time or before, and
    that nobody has accepted.
    """

    places: tuple[PlaceRescanResult, ...]
    seconds: float
    was_stopped: bool
    open_finding_count: int
