"""The result of a rescan, for each place and as a whole."""

from __future__ import annotations

from dataclasses import dataclass, field

from tripleguard.jobs.cached_copies import CachedCopies
from tripleguard.model import FindingKind


@dataclass(slots=True)
class PlaceRescanResult:
    """What a rescan did on one drive.

    Attributes:
        checked: Copies checked.
        unchanged: Of these, those as recorded.
        read_back: Of these, those read from the medium.
        read_from_cache: Of these, equal ones that may have come from a cache.
        is_finished: Everything requested was checked.
        error_message: Why it could not be finished although the drive responds.
        new_findings: What is wrong that was not known before.
        cached: Copies whose only evidence is a reading that may have come from a cache.
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
    """What a rescan found, by drive. was_stopped: the person ended it early.

    open_finding_count: copies on these drives that are missing, corrupt or altered, new or old, and not accepted.
    """

    places: tuple[PlaceRescanResult, ...]
    seconds: float
    was_stopped: bool
    open_finding_count: int
