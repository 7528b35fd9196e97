"""What the question about a drive is answered with: what would fall below the rule, by file and by shoot."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from tripleguard.answers import Clearance
from tripleguard.catalog import shoots
from tripleguard.catalog.store import Catalog
from tripleguard.model import PlaceRecord, Shoot

SOLE = "only here"
LOST = "no good copy"


@dataclass(frozen=True, slots=True)
class Uncovered:
    """A file on the drive that would fall below the rule. elsewhere: drives on which it counts."""

    path: str
    size: int
    shoot_id: int
    elsewhere: int
    word: str

    @property
    def is_sole(self) -> bool:
        """Whether nothing is known of a copy elsewhere that could be fetched or proved."""
        return self.word in (SOLE, LOST)


@dataclass(frozen=True, slots=True)
class ShootAtRisk:
    """What of one shoot would fall below the rule. sole: files with no copy elsewhere, not even one away."""

    shoot: Shoot
    files: int
    total_bytes: int
    sole: int


@dataclass(frozen=True, slots=True)
class DriveAnswer:
    """The answer for one drive. uncovered: sole copies first, then by path."""

    record: PlaceRecord
    clearance: Clearance
    uncovered: tuple[Uncovered, ...]
    at_risk: tuple[ShootAtRisk, ...]
    covered: tuple[tuple[str, bytes], ...]


def shoots_at_risk(catalog: Catalog, uncovered: Iterable[Uncovered]) -> tuple[ShootAtRisk, ...]:
    """Return what of each shoot would fall below the rule, those with the most sole copies first."""
    by_shoot: dict[int, list[Uncovered]] = {}
    for one in uncovered:
        by_shoot.setdefault(one.shoot_id, []).append(one)
    found = [
        ShootAtRisk(
            shoots.shoot_with_id(catalog, shoot_id),
            len(files),
            sum(one.size for one in files),
            sum(one.is_sole for one in files),
        )
        for shoot_id, files in by_shoot.items()
    ]
    return tuple(sorted(found, key=lambda one: (-one.sole, one.shoot.day)))
