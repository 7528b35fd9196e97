"""Files that mean something under more than one name, and what each of those names is owed.

Counting copies by content is enough for a picture. Two pictures with equal sidecars have one content and two
statements: each name wants its own copies. Only files that have such twins are looked at here, so that the rest of
the archive costs nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from tripleguard.catalog import questions
from tripleguard.catalog.lineage import newest_version
from tripleguard.catalog.places import all_places
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.store import Catalog
from tripleguard.model import Copy, CopyState, PlaceKind, PlaceRecord, PlaceState
from tripleguard.names import EXFAT_FORBIDDEN, folded

_FITTED = str.maketrans({char: "_" for char in EXFAT_FORBIDDEN if char != "/"})


@dataclass(frozen=True, slots=True)
class TwinDebt:
    """One name of a file that has fewer verified drive copies than the rule asks; copies: all of that name."""

    known: KnownFile
    copies: tuple[Copy, ...]
    good: int


def twin_ids(catalog: Catalog) -> frozenset[int]:
    """The files that are counted by name."""
    return frozenset(row[0] for row in catalog.rows("SELECT file_id FROM twins"))


def twin_debts(catalog: Catalog, drive_copies: int) -> Iterator[TwinDebt]:
    """Every name that is short of drive_copies, of every file that has more than one."""
    counting = {place.id for place in all_places(catalog) if counts_now(place)}
    for row in catalog.rows("SELECT t.file_id FROM twins t JOIN files f ON f.id = t.file_id WHERE f.wants > 0"):
        for copies in copies_by_name(catalog, row[0]):
            good = {copy.place_id for copy in copies if is_good(copy) and copy.place_id in counting}
            if len(good) < drive_copies and not is_superseded(catalog, row[0], copies):
                yield TwinDebt(questions.file_with_id(catalog, row[0]), tuple(copies), len(good))


def copies_by_name(catalog: Catalog, file_id: int) -> Iterator[list[Copy]]:
    """The copies of a file, those of each name together, without what lies aside."""
    by_name: dict[str, list[Copy]] = {}
    for copy in questions.copies_of(catalog, file_id):
        if copy.state is not CopyState.ASIDE:
            by_name.setdefault(folded(copy.path.translate(_FITTED)), []).append(copy)
    yield from by_name.values()


def counts_now(place: PlaceRecord) -> bool:
    """Whether copies on this place count as copies on a drive."""
    return place.kind is PlaceKind.DRIVE and place.state in (PlaceState.ACTIVE, PlaceState.SHELVED)


def is_good(copy: Copy) -> bool:
    """Whether a copy is where it should be and was read back."""
    return copy.state is CopyState.PRESENT and copy.evidence.verified_at is not None


def further_debts(catalog: Catalog, drive_copies: int) -> int:
    """How many names are owed beyond what counting by content says."""
    names: dict[int, int] = {}
    for debt in twin_debts(catalog, drive_copies):
        names[debt.known.id] = names.get(debt.known.id, 0) + 1
    short = {
        row[0]
        for row in catalog.rows(
            "SELECT t.file_id FROM twins t JOIN files f ON f.id = t.file_id WHERE f.drive_copies < f.wants"
        )
    }
    return sum(count - (file_id in short) for file_id, count in names.items())


def is_superseded(catalog: Catalog, file_id: int, copies: list[Copy]) -> bool:
    """Whether this name has a newer version by now, so that the older one wants nothing under it."""
    return any(newest_version(catalog, copy.path) not in (None, file_id) for copy in copies)
