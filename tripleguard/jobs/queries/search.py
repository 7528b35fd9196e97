"""Search for pictures: every copy of each match, which one to fetch first, and which drives to connect."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from tripleguard.catalog import file_queries, shoots
from tripleguard.catalog.places import list_places
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.search import SearchQuery, search_files
from tripleguard.catalog.selects import find_rating
from tripleguard.errors import PlaceError
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import locate_drives
from tripleguard.model import Copy, PlaceKind, PlaceRecord, Shoot
from tripleguard.rules import rank_fetch_source


@dataclass(frozen=True, slots=True)
class CopyLocation:
    """One copy and its place.

    Attributes:
        path: the place's current path; None while it is away.
        fetch_order: 1 is the first to fetch; None if the copy is not good or its place is out of service.
    """

    copy: Copy
    place: PlaceRecord
    path: Path | None
    fetch_order: int | None


@dataclass(frozen=True, slots=True)
class FileMatch:
    """One matching file. copies: in the order in which to fetch them. rating: None if none was read."""

    known_file: KnownFile
    shoot: Shoot
    body: str | None
    rating: float | None
    copies: tuple[CopyLocation, ...]


@dataclass(frozen=True, slots=True)
class FetchStop:
    """One place to take files from. files: the number that no earlier stop has."""

    place: PlaceRecord
    path: Path | None
    files: int


@dataclass(frozen=True, slots=True)
class SearchResult:
    """The result of a search.

    Attributes:
        has_more: there are more matches than returned.
        stops: the fewest places that have all files.
        unavailable_files: files without an available good copy.
    """

    files: tuple[FileMatch, ...]
    has_more: bool
    stops: tuple[FetchStop, ...]
    unavailable_files: int


def search(ctx: JobContext, query: SearchQuery, limit: int) -> SearchResult:
    """Return at most `limit` matching files, with all their copies. Raises CatalogError."""
    known = search_files(ctx.catalog, query, limit + 1)
    places = {place.id: place for place in list_places(ctx.catalog)}
    here = _connected_drives(ctx)
    bodies = dict(shoots.list_bodies(ctx.catalog).values())
    files = tuple(_make_match(ctx, one, places, here, bodies) for one in known[:limit])
    stops = tuple(_plan_stops(files))
    return SearchResult(
        files, len(known) > limit, stops, sum(all(c.fetch_order is None for c in one.copies) for one in files)
    )


def _make_match(
    ctx: JobContext,
    known: KnownFile,
    places: Mapping[int, PlaceRecord],
    connected: Mapping[int, Path],
    bodies: Mapping[int, str],
) -> FileMatch:
    ranked = [
        (rank_fetch_source(copy, places[copy.place_id], is_connected=copy.place_id in connected), copy)
        for copy in file_queries.list_copies(ctx.catalog, known.id)
    ]
    order = sorted((pair for pair in ranked if pair[0] is not None), key=lambda pair: pair[0] or ())
    rest = [pair for pair in ranked if pair[0] is None]
    copies = [
        CopyLocation(
            copy, places[copy.place_id], connected.get(copy.place_id), number if rank is not None else None
        )
        for number, (rank, copy) in enumerate([*order, *rest], start=1)
    ]
    return FileMatch(
        known,
        shoots.get_shoot(ctx.catalog, known.shoot_id),
        bodies.get(file_queries.find_body_id(ctx.catalog, known.id) or 0),
        find_rating(ctx.catalog, known.id),
        tuple(copies),
    )


def _plan_stops(files: Sequence[FileMatch]) -> Sequence[FetchStop]:
    """Return the places to visit until every file is found.

    Connected places come first, then always the one with most of the rest.
    """
    wanted = [{copy.place.id: copy for copy in one.copies if copy.fetch_order is not None} for one in files]
    wanted = [one for one in wanted if one]
    stops: list[FetchStop] = []
    while wanted:
        counts: dict[int, int] = {}
        for one in wanted:
            for place_id in one:
                counts[place_id] = counts.get(place_id, 0) + 1
        best = min(counts, key=lambda place_id: (*_distance(wanted, place_id), -counts[place_id], place_id))
        copy = next(one[best] for one in wanted if best in one)
        stops.append(FetchStop(copy.place, copy.path, counts[best]))
        wanted = [one for one in wanted if best not in one]
    return stops


def _distance(pending: Sequence[Mapping[int, CopyLocation]], place_id: int) -> tuple[bool, bool]:
    """Return a sort key: connected places first, then drives that are away, offsite last."""
    copy = next(one[place_id] for one in pending if place_id in one)
    return copy.place.kind is PlaceKind.OFFSITE, copy.path is None


def _connected_drives(ctx: JobContext) -> dict[int, Path]:
    """Return the connected drives. Two with the same id are omitted, since they can't be told apart."""
    try:
        return {record.id: path for record, path in locate_drives(ctx) if path is not None}
    except PlaceError:
        return {}
