"""Which files belong together: a frame is a raw, its camera JPEG and its sidecars, wherever it lies.

A frame is known by one of its files, its main one: the raw if there is one, else the picture, the film, the sound.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from tripleguard.cameras.kinds import frame_key
from tripleguard.catalog import questions
from tripleguard.catalog.lineage import newest_version
from tripleguard.catalog.selects import Wanted, all_selects, frame_copies, want
from tripleguard.catalog.store import Catalog
from tripleguard.clock import SECOND
from tripleguard.model import Copy, CopyState, Kind

_ONE_MOMENT = 2 * SECOND
"""A camera writes one moment into both files of a frame; some round it (common practice, no source)."""

_ORDER = (Kind.RAW, Kind.PICTURE, Kind.VIDEO, Kind.SOUND)


@dataclass(frozen=True, slots=True)
class Member:
    """One file of a frame, and the path by which it is known."""

    file_id: int
    path: str
    kind: Kind


def frame_at(catalog: Catalog, path: str, places: Collection[int] = ()) -> list[Member]:
    """The files of the frame that a path belongs to; the main one first. Empty: there is none.

    places: where that path is meant; others count where the same picture lies there, as one path can hold two
    pictures on two drives. None named: any. Of a raw and a picture that two cameras took at two moments under
    one name, only the one that path is.
    """
    frame, (folder, _, name) = frame_key(path), path.rpartition("/")
    stem = name[: len(frame[1])]
    copies = [pair for pair in frame_copies(catalog, folder, stem) if frame_key(pair[0].path) == frame]
    copies = _of_one_picture(copies, places)
    originals = _originals(copies)
    if not originals:
        return []
    strangers = _strangers(catalog, originals, path)
    kept = [member for member in originals if member not in strangers]
    theirs = tuple(f"{member.path}.".casefold() for member in strangers)
    return kept + [one for one in _companions(catalog, copies) if not one.path.casefold().startswith(theirs)]


def _of_one_picture(copies: list[tuple[Copy, Kind]], places: Collection[int]) -> list[tuple[Copy, Kind]]:
    """The copies on these places, and on those that share an original of the frame with them."""
    holds: dict[int, set[int]] = {}
    for copy, kind in copies:
        if kind.is_original:
            holds.setdefault(copy.place_id, set()).add(copy.file_id)
    wanted = set().union(*(holds.get(place, set()) for place in places))
    if not wanted:
        return copies
    alike = set(places)
    while more := {place for place, held in holds.items() if place not in alike and held & wanted}:
        alike |= more
        wanted.update(*(holds[place] for place in more))
    # What lies on a place without its picture says nothing of another one's.
    return [pair for pair in copies if pair[0].place_id in alike or pair[0].place_id not in holds]


def _strangers(catalog: Catalog, originals: list[Member], path: str) -> list[Member]:
    """Raws and pictures that were taken at another moment than the one at path, or else the main one."""
    still = [member for member in originals if member.kind in (Kind.RAW, Kind.PICTURE)]
    if len(still) < 2:
        return []
    moments = {one.file_id: questions.file_with_id(catalog, one.file_id).wall_ns for one in still}
    at = moments[next((one for one in still if one.path == path), still[0]).file_id]
    if at is None:
        return []
    return [one for one in still if (its := moments[one.file_id]) is not None and abs(its - at) > _ONE_MOMENT]


def frame_of(catalog: Catalog, file_id: int) -> list[Member]:
    """The files of the frame that an original belongs to, where most of its copies lie; the main one first."""
    copies = [copy for copy in questions.copies_of(catalog, file_id) if copy.state is not CopyState.ASIDE]
    if not copies:
        return []
    usual = Counter(copy.path for copy in copies).most_common(1)[0][0]
    return frame_at(catalog, usual, {copy.place_id for copy in copies if copy.path == usual})


def follow_selects(catalog: Catalog) -> None:
    """Bring what is wanted offsite up to date with the selects. Call inside `Catalog.writing`."""
    want(catalog, list(_wanted(catalog)))


def _wanted(catalog: Catalog) -> Iterable[Wanted]:
    for select in all_selects(catalog):
        for member in frame_of(catalog, select.known.id):
            rating = max(0.0, select.rating or 0.0)
            yield Wanted(member.file_id, member.path, select.known.shoot_id, rating, select.since)


def _originals(copies: list[tuple[Copy, Kind]]) -> list[Member]:
    """Each original once, under the path where most of its copies lie."""
    paths: dict[int, Counter[str]] = {}
    kinds: dict[int, Kind] = {}
    for copy, kind in copies:
        if kind.is_original:
            paths.setdefault(copy.file_id, Counter())[copy.path] += 1
            kinds[copy.file_id] = kind
    members = [Member(file_id, found.most_common(1)[0][0], kinds[file_id]) for file_id, found in paths.items()]
    return sorted(members, key=lambda member: (_ORDER.index(member.kind), member.path))


def _companions(catalog: Catalog, copies: list[tuple[Copy, Kind]]) -> list[Member]:
    """Each sidecar's newest version: by its lineage, else by the time of its copies."""
    newest: dict[str, Copy] = {}
    for copy, kind in copies:
        if kind is Kind.COMPANION:
            other = newest.get(copy.path)
            if other is None or copy.mtime_ns > other.mtime_ns:
                newest[copy.path] = copy
    return [
        Member(newest_version(catalog, path, copy.place_id) or copy.file_id, path, Kind.COMPANION)
        for path, copy in sorted(newest.items())
    ]
