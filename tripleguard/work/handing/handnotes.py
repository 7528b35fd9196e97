"""What whoever hands a shoot over should know before they let the folder go.

What lies in the shoot's folders and is in no catalog yet is not in what is handed over. What is in it may be more
than was meant: pictures rated rejected, sidecars with all that an editor wrote, pictures that were damaged when
the card was read.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tripleguard.cameras.kinds import frame_key
from tripleguard.catalog import questions, selects
from tripleguard.catalog.looks import damage_of
from tripleguard.layout import shoot_folder
from tripleguard.model import CopyState, Entry, Kind, Shoot
from tripleguard.work.handing.handlist import Item
from tripleguard.work.kit import Kit, OpenDrive
from tripleguard.work.walking import Walk, is_litter


@dataclass(frozen=True, slots=True)
class Beside:
    """A file that lies in the shoot's folder on a drive, and that the catalog does not have."""

    place: str
    path: str


@dataclass(frozen=True, slots=True)
class HandNotes:
    """rejected, damaged: paths in the folder; sidecars: how many; beside: what is not in it."""

    rejected: tuple[str, ...]
    damaged: tuple[str, ...]
    sidecars: int
    beside: tuple[Beside, ...]


def notes_on(
    kit: Kit, drives: Sequence[OpenDrive], shoot: Shoot, items: Sequence[Item], *, frames_only: bool
) -> HandNotes:
    """Look at what is handed over, and at what lies beside it on these drives.

    frames_only: of what lies beside, only what belongs to a frame among the items.
    """
    rejected = [item.path for item in items if (selects.rating_of(kit.catalog, item.known.id) or 0) < 0]
    frames = {frame_key(copy.path) for item in items for copy in item.copies} if frames_only else None
    return HandNotes(
        tuple(rejected),
        tuple(item.path for item in items if damage_of(kit.catalog, item.known.id) is not None),
        sum(item.known.kind is Kind.COMPANION for item in items),
        tuple(
            Beside(drive.record.name, entry.path)
            for drive in drives
            for entry in _unknown(kit, drive, shoot, items)
            if frames is None or frame_key(entry.path) in frames
        ),
    )


def _unknown(kit: Kit, drive: OpenDrive, shoot: Shoot, items: Sequence[Item]) -> Iterator[Entry]:
    """What nobody entered, in the shoot's own folder and right in others that its files lie in."""
    own = shoot_folder(kit.settings.layout, shoot.day, shoot.name)
    lying = {
        copy.path.rpartition("/")[0] for item in items for copy in item.copies if copy.place_id == drive.record.id
    }
    walk = Walk(drive.place)
    try:
        found = [entry for folder in walk.folders(own) for entry in folder.entries]
        for path in sorted(lying):
            if path != own and not path.startswith(f"{own}/"):
                found += next(walk.folders(path)).entries
        for entry in found:
            copy = questions.copy_at(kit.catalog, drive.record.id, entry.path)
            if (copy is None or copy.state is CopyState.MISSING) and not is_litter(drive.place, entry):
                yield entry
    except OSError:
        # The drive went away: what was to come from it is told as left out.
        return
