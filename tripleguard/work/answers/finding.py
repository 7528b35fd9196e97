"""Where is that picture? Every copy of what is meant, which to fetch first, and which drives to take along."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tripleguard.catalog import questions, shoots
from tripleguard.catalog.places import all_places
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.seeking import Sought, seek
from tripleguard.catalog.selects import rating_of
from tripleguard.errors import PlaceTrouble
from tripleguard.model import Copy, PlaceKind, PlaceRecord, Shoot
from tripleguard.rules import fetch_rank
from tripleguard.work.kit import Kit, where_drives_are


@dataclass(frozen=True, slots=True)
class FoundCopy:
    """One copy and its place. path: where the place is now, None while it is away. fetch: 1 is the first to fetch.

    fetch None: not to be had, because the copy is not good or its place is out of service.
    """

    copy: Copy
    place: PlaceRecord
    path: Path | None
    fetch: int | None


@dataclass(frozen=True, slots=True)
class FoundFile:
    """One file that is meant. copies: in the order in which to fetch them. rating: None where none was read."""

    known: KnownFile
    shoot: Shoot
    body: str | None
    rating: float | None
    copies: tuple[FoundCopy, ...]


@dataclass(frozen=True, slots=True)
class Stop:
    """One place to take files from. files: how many that no earlier stop has."""

    place: PlaceRecord
    path: Path | None
    files: int


@dataclass(frozen=True, slots=True)
class Found:
    """What was found. more: there is more than is told. stops: the fewest places that have all of it.

    without: files of which no good copy can be had.
    """

    files: tuple[FoundFile, ...]
    more: bool
    stops: tuple[Stop, ...]
    without: int


def find(kit: Kit, sought: Sought, most: int) -> Found:
    """At most so many files that are meant, with all their copies. Raises CatalogTrouble."""
    known = seek(kit.catalog, sought, most + 1)
    places = {place.id: place for place in all_places(kit.catalog)}
    here = _here(kit)
    bodies = dict(shoots.bodies(kit.catalog).values())
    files = tuple(_found(kit, one, places, here, bodies) for one in known[:most])
    stops = tuple(_stops(files))
    return Found(files, len(known) > most, stops, sum(all(c.fetch is None for c in one.copies) for one in files))


def _found(
    kit: Kit,
    known: KnownFile,
    places: Mapping[int, PlaceRecord],
    here: Mapping[int, Path],
    bodies: Mapping[int, str],
) -> FoundFile:
    ranked = [
        (fetch_rank(copy, places[copy.place_id], here=copy.place_id in here), copy)
        for copy in questions.copies_of(kit.catalog, known.id)
    ]
    order = sorted((pair for pair in ranked if pair[0] is not None), key=lambda pair: pair[0] or ())
    rest = [pair for pair in ranked if pair[0] is None]
    copies = [
        FoundCopy(copy, places[copy.place_id], here.get(copy.place_id), number if rank is not None else None)
        for number, (rank, copy) in enumerate([*order, *rest], start=1)
    ]
    return FoundFile(
        known,
        shoots.shoot_with_id(kit.catalog, known.shoot_id),
        bodies.get(questions.body_of(kit.catalog, known.id) or 0),
        rating_of(kit.catalog, known.id),
        tuple(copies),
    )


def _stops(files: Sequence[FoundFile]) -> Sequence[Stop]:
    """Places until every file is had: what is connected first, then always the one that has most of the rest."""
    wanted = [{copy.place.id: copy for copy in one.copies if copy.fetch is not None} for one in files]
    wanted = [one for one in wanted if one]
    stops: list[Stop] = []
    while wanted:
        counts: dict[int, int] = {}
        for one in wanted:
            for place_id in one:
                counts[place_id] = counts.get(place_id, 0) + 1
        best = min(counts, key=lambda place_id: (*_far(wanted, place_id), -counts[place_id], place_id))
        copy = next(one[best] for one in wanted if best in one)
        stops.append(Stop(copy.place, copy.path, counts[best]))
        wanted = [one for one in wanted if best not in one]
    return stops


def _far(wanted: Sequence[Mapping[int, FoundCopy]], place_id: int) -> tuple[bool, bool]:
    """What is not here is farther, and what is offsite farthest."""
    copy = next(one[place_id] for one in wanted if place_id in one)
    return copy.place.kind is PlaceKind.OFFSITE, copy.path is None


def _here(kit: Kit) -> dict[int, Path]:
    """The drives that are connected. Two with one id are none: which one it is can't be said."""
    try:
        return {record.id: path for record, path in where_drives_are(kit) if path is not None}
    except PlaceTrouble:
        return {}
