"""Which files belong together: a frame is a raw, its camera JPEG and its sidecars, wherever it lies.

A frame is known by one of its files, its main one: the raw if there is one, else the picture, the film, the sound.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from tripleguard.cameras.kinds import frame_key
from tripleguard.catalog import questions
from tripleguard.catalog.lineage import newest_version
from tripleguard.catalog.selects import Wanted, all_selects, frame_copies, want
from tripleguard.catalog.store import Catalog
from tripleguard.model import Copy, CopyState, Kind

_ORDER = (Kind.RAW, Kind.PICTURE, Kind.VIDEO, Kind.SOUND)


@dataclass(frozen=True, slots=True)
class Member:
    """One file of a frame, and the path by which it is known."""

    file_id: int
    path: str
    kind: Kind


def frame_at(catalog: Catalog, path: str) -> list[Member]:
    """The files of the frame that a path belongs to, on any place; the main one first. Empty: there is none."""
    frame, (folder, _, name) = frame_key(path), path.rpartition("/")
    stem = name[: len(frame[1])]
    copies = [pair for pair in frame_copies(catalog, folder, stem) if frame_key(pair[0].path) == frame]
    originals = _originals(copies)
    if not originals:
        return []
    return originals + _companions(catalog, copies)


def frame_of(catalog: Catalog, file_id: int) -> list[Member]:
    """The files of the frame that an original belongs to, where most of its copies lie; the main one first."""
    copies = [copy for copy in questions.copies_of(catalog, file_id) if copy.state is not CopyState.ASIDE]
    if not copies:
        return []
    usual = Counter(copy.path for copy in copies).most_common(1)[0][0]
    return frame_at(catalog, usual)


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
        Member(newest_version(catalog, path) or copy.file_id, path, Kind.COMPANION)
        for path, copy in sorted(newest.items())
    ]
