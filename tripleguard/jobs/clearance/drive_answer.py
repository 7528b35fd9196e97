"""The answer about a drive: which files, by file and by shoot, would fall below the rule without it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from tripleguard.catalog import shoots
from tripleguard.catalog.store import Catalog
from tripleguard.clearance_answer import Clearance
from tripleguard.model import PlaceRecord, Shoot
from tripleguard.rules import CopyStatus

ONLY_HERE = "only here"
NO_GOOD_COPY = "no good copy"
GIVEN = "yes given"
WORSE_FIRST = (NO_GOOD_COPY, ONLY_HERE, GIVEN, "one elsewhere")
WORDS_ELSEWHERE = {
    CopyStatus.MISSING: "copy missing elsewhere",
    CopyStatus.UNVERIFIED: "not proved elsewhere",
    CopyStatus.OVERDUE: "not read lately",
    CopyStatus.CACHED: "not proved elsewhere",
    CopyStatus.AWAY: "other drive away",
    CopyStatus.OUT_OF_SERVICE: "other drive out of service",
}
"""The reason word for each status of a copy on another drive."""


@dataclass(frozen=True, slots=True)
class UncoveredFile:
    """A file on the drive that would fall below the rule; `copies_elsewhere` counts drives with a valid copy."""

    path: str
    size: int
    shoot_id: int
    copies_elsewhere: int
    reason: str

    @property
    def is_sole(self) -> bool:
        """Return whether no copy is known elsewhere that could be fetched or verified."""
        return self.reason in (ONLY_HERE, NO_GOOD_COPY)


@dataclass(frozen=True, slots=True)
class ShootAtRisk:
    """The files of one shoot that would fall below the rule; `sole_files` are known on no other drive at all."""

    shoot: Shoot
    files: int
    total_bytes: int
    sole_files: int


@dataclass(frozen=True, slots=True)
class DriveClearanceResult:
    """The answer for one drive; `uncovered` lists sole copies first, then by path."""

    record: PlaceRecord
    clearance: Clearance
    uncovered: tuple[UncoveredFile, ...]
    shoots_at_risk: tuple[ShootAtRisk, ...]
    covered: tuple[tuple[str, bytes], ...]


def group_by_shoot(catalog: Catalog, uncovered: Iterable[UncoveredFile]) -> tuple[ShootAtRisk, ...]:
    """Return the shoots with files that would fall below the rule, those with the most sole copies first."""
    by_shoot: dict[int, list[UncoveredFile]] = {}
    for one in uncovered:
        by_shoot.setdefault(one.shoot_id, []).append(one)
    found = [
        ShootAtRisk(
            shoots.get_shoot(catalog, shoot_id),
            len(files),
            sum(one.size for one in files),
            sum(one.is_sole for one in files),
        )
        for shoot_id, files in by_shoot.items()
    ]
    return tuple(sorted(found, key=lambda one: (-one.sole_files, one.shoot.day)))
