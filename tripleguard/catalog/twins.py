"""Files that mean something under more than one name or beside more than one picture, and what each is owed.

Counting copies by content is enough for a picture. Two pictures with equal sidecars have one content and two
statements: each wants its own copies. Only files that have such twins are looked at here, so that the rest of the
archive costs nothing.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from tripleguard.catalog import questions
from tripleguard.catalog.lineage import newest_version
from tripleguard.catalog.pairing import pictures_beside
from tripleguard.catalog.places import all_places
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.store import Catalog
from tripleguard.model import Copy, CopyState, PlaceKind, PlaceRecord, PlaceState
from tripleguard.names import EXFAT_FORBIDDEN, folded, split_suffix

_FITTED = str.maketrans({char: "_" for char in EXFAT_FORBIDDEN if char != "/"})


@dataclass(frozen=True, slots=True)
class TwinDebt:
    """One statement of a file that has fewer verified copies than the rule asks; copies: all that make it."""

    known: KnownFile
    copies: tuple[Copy, ...]
    good: int


def twin_ids(catalog: Catalog) -> frozenset[int]:
    """The files that are counted by name."""
    return frozenset(row[0] for row in catalog.rows("SELECT file_id FROM twins"))


def twin_debts(catalog: Catalog, drive_copies: int) -> Iterator[TwinDebt]:
    """Every statement that is short of drive_copies, of every file that makes more than one."""
    counting = {place.id for place in all_places(catalog) if counts_now(place)}
    for row in catalog.rows("SELECT t.file_id FROM twins t JOIN files f ON f.id = t.file_id WHERE f.wants > 0"):
        for copies in statements(catalog, row[0]):
            good = {copy.place_id for copy in copies if is_good(copy) and copy.place_id in counting}
            if len(good) < drive_copies and not is_superseded(catalog, row[0], copies):
                yield TwinDebt(questions.file_with_id(catalog, row[0]), tuple(copies), len(good))


def has_twin(catalog: Catalog, file_id: int) -> None:
    """Enter that a file lies beside two pictures, though under one path. Call inside `Catalog.writing`."""
    catalog.run("INSERT OR IGNORE INTO twins (file_id) VALUES (?)", file_id)


def statements(catalog: Catalog, file_id: int) -> Iterator[list[Copy]]:
    """The copies of a file, those of each statement together, without what lies aside.

    What lies beside the same picture is the same, however it is called on each drive; what lies beside none is
    known by its path.
    """
    same: dict[str, str] = {}
    marked: list[tuple[Copy, str]] = []
    for copy in questions.copies_of(catalog, file_id):
        if copy.state is not CopyState.ASIDE:
            first, *others = _marks(catalog, copy)
            for other in others:
                same[_first_of(same, other)] = _first_of(same, first)
            marked.append((copy, first))
    groups: dict[str, list[Copy]] = {}
    for copy, mark in marked:
        groups.setdefault(_first_of(same, mark), []).append(copy)
    yield from groups.values()


def _marks(catalog: Catalog, copy: Copy) -> list[str]:
    """What makes a copy the same statement as another: each picture beside it; of what lies alone, its path."""
    pictures = pictures_beside(catalog, copy.place_id, copy.path)
    end = split_suffix(copy.path.rpartition("/")[2])[1]
    marks = [f"{digest.hex()} {end}" for digest in sorted(pictures)] or [copy.path]
    return [folded(mark.translate(_FITTED)) for mark in marks]


def _first_of(same: dict[str, str], mark: str) -> str:
    """The one mark that stands for all that were found to be the same as this one."""
    while (other := same.get(mark, mark)) != mark:
        mark = other
    return mark


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
    return any(newest_version(catalog, copy.path, copy.place_id) not in (None, file_id) for copy in copies)
