"""Group files by frame: a raw, its camera JPEG and its sidecars, wherever they are.

A frame is identified by its main file: the raw if there is one, else the picture, the film, the sound.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable
from dataclasses import dataclass

from tripleguard.cameras.kinds import get_frame_key
from tripleguard.catalog import file_queries
from tripleguard.catalog.companions import find_newest_version
from tripleguard.catalog.selects import (
    OffsiteRequirement,
    list_frame_copies,
    list_selects,
    set_offsite_requirements,
)
from tripleguard.catalog.store import Catalog
from tripleguard.clock import SECOND
from tripleguard.model import Copy, CopyState, FileKind

_SAME_MOMENT_NS = 2 * SECOND
"""A camera writes the same time into both files of a frame; some round it (common practice, no source)."""

_MAIN_KIND_ORDER = (FileKind.RAW, FileKind.PICTURE, FileKind.VIDEO, FileKind.SOUND)


@dataclass(frozen=True, slots=True)
class FrameFile:
    """One file of a frame, and the path by which it is known."""

    file_id: int
    path: str
    kind: FileKind


def files_of_frame_at(catalog: Catalog, path: str, place_ids: Collection[int] = ()) -> list[FrameFile]:
    """Return the files of the frame that a path belongs to, the main one first; empty if there is none.

    place_ids: where that path is meant; others count if they have the same picture there, as one path can hold two
    pictures on two drives. Empty: any place. Of a raw and a picture that two cameras took at different times under
    one name, only the frame of the path is returned.
    """
    frame, (folder, _, name) = get_frame_key(path), path.rpartition("/")
    stem = name[: len(frame[1])]
    copies = [pair for pair in list_frame_copies(catalog, folder, stem) if get_frame_key(pair[0].path) == frame]
    copies = _copies_of_one_picture(copies, place_ids)
    originals = _list_originals(copies)
    if not originals:
        return []
    strangers = _files_of_another_moment(catalog, originals, path)
    kept = [member for member in originals if member not in strangers]
    theirs = tuple(f"{member.path}.".casefold() for member in strangers)
    return kept + [
        one for one in _list_newest_companions(catalog, copies) if not one.path.casefold().startswith(theirs)
    ]


def _copies_of_one_picture(
    copies: list[tuple[Copy, FileKind]], place_ids: Collection[int]
) -> list[tuple[Copy, FileKind]]:
    """Return the copies on these places, and on those that share an original of the frame with them."""
    holds: dict[int, set[int]] = {}
    for copy, kind in copies:
        if kind.is_original:
            holds.setdefault(copy.place_id, set()).add(copy.file_id)
    wanted = set().union(*(holds.get(place, set()) for place in place_ids))
    if not wanted:
        return copies
    alike = set(place_ids)
    while more := {place for place, held in holds.items() if place not in alike and held & wanted}:
        alike |= more
        wanted.update(*(holds[place] for place in more))
    # A companion without its picture on that place can't be assigned to another place's picture.
    return [pair for pair in copies if pair[0].place_id in alike or pair[0].place_id not in holds]


def _files_of_another_moment(catalog: Catalog, originals: list[FrameFile], path: str) -> list[FrameFile]:
    """Return the raws and pictures with another capture time than the one at path, or than the main one."""
    still = [member for member in originals if member.kind in (FileKind.RAW, FileKind.PICTURE)]
    if len(still) < 2:
        return []
    moments = {one.file_id: file_queries.get_file(catalog, one.file_id).wall_ns for one in still}
    at = moments[next((one for one in still if one.path == path), still[0]).file_id]
    if at is None:
        return []
    return [one for one in still if (its := moments[one.file_id]) is not None and abs(its - at) > _SAME_MOMENT_NS]


def files_of_frame(catalog: Catalog, file_id: int) -> list[FrameFile]:
    """Return the files of the frame of an original, where most of its copies are; the main one first."""
    copies = [
        copy for copy in file_queries.list_copies(catalog, file_id) if copy.state is not CopyState.QUARANTINED
    ]
    if not copies:
        return []
    usual = Counter(copy.path for copy in copies).most_common(1)[0][0]
    return files_of_frame_at(catalog, usual, {copy.place_id for copy in copies if copy.path == usual})


def update_wanted_offsite(catalog: Catalog) -> None:
    """Update the offsite requirements from the selects. Call inside `Catalog.transaction`."""
    set_offsite_requirements(catalog, list(_list_wanted(catalog)))


def _list_wanted(catalog: Catalog) -> Iterable[OffsiteRequirement]:
    for select in list_selects(catalog):
        for member in files_of_frame(catalog, select.known_file.id):
            rating = max(0.0, select.rating or 0.0)
            yield OffsiteRequirement(member.file_id, member.path, select.known_file.shoot_id, rating, select.since)


def _list_originals(copies: list[tuple[Copy, FileKind]]) -> list[FrameFile]:
    """Return each original once, under the path of most of its copies."""
    paths: dict[int, Counter[str]] = {}
    kinds: dict[int, FileKind] = {}
    for copy, kind in copies:
        if kind.is_original:
            paths.setdefault(copy.file_id, Counter())[copy.path] += 1
            kinds[copy.file_id] = kind
    members = [FrameFile(file_id, found.most_common(1)[0][0], kinds[file_id]) for file_id, found in paths.items()]
    return sorted(members, key=lambda member: (_MAIN_KIND_ORDER.index(member.kind), member.path))


def _list_newest_companions(catalog: Catalog, copies: list[tuple[Copy, FileKind]]) -> list[FrameFile]:
    """Return each sidecar's newest version: by its lineage, else by the time of its copies."""
    newest: dict[str, Copy] = {}
    for copy, kind in copies:
        if kind is FileKind.COMPANION:
            other = newest.get(copy.path)
            if other is None or copy.mtime_ns > other.mtime_ns:
                newest[copy.path] = copy
    return [
        FrameFile(find_newest_version(catalog, path, copy.place_id) or copy.file_id, path, FileKind.COMPANION)
        for path, copy in sorted(newest.items())
    ]
