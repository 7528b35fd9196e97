"""Collect what a person should know before they give a handover away.

Files in the shoot's folders that no catalog has are not handed over. What is handed over may be more than
intended: pictures rated as rejected, sidecars with an editor's full content, pictures that were damaged on the
card.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tripleguard.cameras.kinds import get_frame_key
from tripleguard.catalog import file_queries, selects
from tripleguard.catalog.integrity import find_damage
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drive_walk import DriveWalk, is_litter
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.handover.selection import HandoverItem
from tripleguard.layout import build_shoot_folder
from tripleguard.model import CopyState, Entry, FileKind, Shoot


@dataclass(frozen=True, slots=True)
class UncatalogedFile:
    """A file in the shoot's folder on a drive that the catalog does not have."""

    place: str
    path: str


@dataclass(frozen=True, slots=True)
class HandoverWarnings:
    """Warnings about a handover: paths of rejected and damaged pictures, and the number of sidecars."""

    rejected: tuple[str, ...]
    damaged: tuple[str, ...]
    sidecars: int
    uncataloged: tuple[UncatalogedFile, ...]


def collect_warnings(
    ctx: JobContext, drives: Sequence[OpenDrive], shoot: Shoot, items: Sequence[HandoverItem], *, frames_only: bool
) -> HandoverWarnings:
    """Check the files to hand over, and the uncataloged files beside them on these drives.

    frames_only: report only uncataloged files that belong to a frame among the items.
    """
    rejected = [item.path for item in items if (selects.find_rating(ctx.catalog, item.known_file.id) or 0) < 0]
    frames = {get_frame_key(copy.path) for item in items for copy in item.copies} if frames_only else None
    return HandoverWarnings(
        tuple(rejected),
        tuple(item.path for item in items if find_damage(ctx.catalog, item.known_file.id) is not None),
        sum(item.known_file.kind is FileKind.COMPANION for item in items),
        tuple(
            UncatalogedFile(drive.record.name, entry.path)
            for drive in drives
            for entry in _find_uncataloged_files(ctx, drive, shoot, items)
            if frames is None or get_frame_key(entry.path) in frames
        ),
    )


def _find_uncataloged_files(
    ctx: JobContext, drive: OpenDrive, shoot: Shoot, items: Sequence[HandoverItem]
) -> Iterator[Entry]:
    """Yield the uncataloged files in the shoot's folder, and directly in other folders of its files."""
    own = build_shoot_folder(ctx.settings.layout, shoot.day, shoot.name)
    folders = {
        copy.path.rpartition("/")[0] for item in items for copy in item.copies if copy.place_id == drive.record.id
    }
    walk = DriveWalk(drive.place)
    try:
        found = [entry for folder in walk.folders(own) for entry in folder.entries]
        for path in sorted(folders):
            if path != own and not path.startswith(f"{own}/"):
                found += next(walk.folders(path)).entries
        for entry in found:
            copy = file_queries.find_copy_at(ctx.catalog, drive.record.id, entry.path)
            if (copy is None or copy.state is CopyState.MISSING) and not is_litter(drive.place, entry):
                yield entry
    except OSError:
        # The drive went away; its files are reported as left out.
        return
