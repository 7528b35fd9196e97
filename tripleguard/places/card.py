"""A card: what a camera wrote to. It is listed and read, and nothing else is ever done to it.

Files come in the order in which they belong together: folder by folder, frame by frame, and within a frame
the originals before what hangs on them.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from tripleguard.cameras.kinds import frame_key, is_left_by_system, kind_of
from tripleguard.errors import CardGone, WrongUse
from tripleguard.model import Entry, Kind, Odd
from tripleguard.names import shown
from tripleguard.places.changes import ChangeMonitor
from tripleguard.places.drive import held_root
from tripleguard.places.held import HeldFolder, entry_of
from tripleguard.places.insertion import folder_insertion
from tripleguard.places.media import Depth, MediumReading, depth_of
from tripleguard.places.own import OWN

_RANK = {kind: rank for rank, kind in enumerate(Kind)}
_DEEPEST = 32


@dataclass(frozen=True, slots=True)
class Left:
    """System litter that is left on the card."""

    path: str


Listed = Entry | Odd | Left


@dataclass(slots=True)
class Totals:
    """What a card holds: files and bytes to copy, litter left, odd things."""

    files: int = 0
    total_bytes: int = 0
    litter: int = 0
    odd: int = 0


class Card:
    """One card, held open by its folder. counted: whether a person counting their cards counts it."""

    counted = True

    def __init__(self, folder: HeldFolder) -> None:
        self._folder = folder
        # Caches below the card's file system are left alone: dropping them would flush its device first.
        depth = depth_of(folder.root)
        self._depth = Depth(depth.medium, depth.file_system)
        self._below = replace(depth, flush=False)

    @property
    def root(self) -> Path:
        return self._folder.root

    def close(self) -> None:
        self._folder.close()

    def listed(self) -> Iterator[Listed]:
        """Everything on the card, as it is now. Raises CardGone if the card went away."""
        self._folder.forget_folders()
        yield from self._listed("", 0)

    def insertion(self) -> str | None:
        """What tells this card in this mounting from every other one; None if the system can't say."""
        return folder_insertion(self._folder)

    def change_monitor(self) -> ChangeMonitor:
        """Begin to notice what is changed on the card; it watches nothing yet."""
        return ChangeMonitor(self._folder)

    def read(self, path: str) -> MediumReading:
        """Open a file for one pass, past the cache. Raises OSError."""
        return MediumReading(self._folder, path, self._depth)

    def read_again(self, path: str) -> MediumReading:
        """Open a file for a second pass, past the caches below the card's file system too. Raises OSError.

        They are dropped without being flushed: nothing of ours waits in them, and a card is only read.
        """
        return MediumReading(self._folder, path, self._below)

    def read_at(self, path: str, offset: int, length: int) -> bytes:
        """A piece of a file. Raises OSError."""
        descriptor = self._folder.open(path, os.O_RDONLY)
        try:
            os.lseek(descriptor, offset, os.SEEK_SET)
            pieces = []
            while length > 0 and (piece := os.read(descriptor, length)):
                pieces.append(piece)
                length -= len(piece)
            return b"".join(pieces)
        finally:
            os.close(descriptor)

    def entries_in(self, folder: str) -> list[Entry]:
        """The files right in a folder as they are now; none if it can't be listed."""
        try:
            found = self._folder.names(folder)
        except OSError:
            return []
        return [
            entry_of(f"{folder}/{name}" if folder else name, status)
            for name, status in sorted(found, key=lambda item: _order(item[0]))
            if not isinstance(status, OSError) and stat.S_ISREG(status.st_mode)
        ]

    def look(self, path: str) -> Entry | None:
        """The file as it is now, None if it is not there or can't be looked at."""
        try:
            return self._folder.look(path)
        except OSError:
            return None

    def same(self, entry: Entry) -> bool:
        """Whether the file is still as it was listed."""
        return self.look(entry.path) == entry

    def still_there(self) -> bool:
        """Whether the card still answers."""
        if not self._folder.still_there():
            return False
        try:
            self._folder.names("")
        except OSError:
            return False
        return True

    def _listed(self, folder: str, depth: int) -> Iterator[Listed]:
        try:
            found = self._folder.names(folder)
        except OSError as error:
            if not folder or not self.still_there():
                raise self._gone() from error
            yield Odd(folder, f"this folder can't be listed ({error.strerror or error})")
            return
        found.sort(key=lambda item: _order(item[0]))
        for name, status in found:
            path = f"{folder}/{name}" if folder else name
            if isinstance(status, OSError):
                yield Odd(path, f"it can't be looked at ({status.strerror})")
            elif stat.S_ISDIR(status.st_mode):
                if depth >= _DEEPEST:
                    yield Odd(path, f"folders are nested more than {_DEEPEST} deep")
                else:
                    yield from self._listed(path, depth + 1)
            elif stat.S_ISREG(status.st_mode):
                yield self._sorted_out(entry_of(path, status))
            else:
                yield Odd(path, f"it is {_what(status.st_mode)}, not a file that a camera writes")

    def _sorted_out(self, entry: Entry) -> Listed:
        left = is_left_by_system(entry.path, entry.size, lambda: self.read_at(entry.path, 0, 8))
        return Left(entry.path) if left else entry

    def _gone(self) -> CardGone:
        return CardGone(
            f"The card at {shown(str(self.root))} is not there any more.",
            safe="Copies that were finished stay, and the card was only read.",
            do="Put it in again and run the same command: it goes on where it stopped. Do not reformat it.",
        )


def open_card(root: Path, drives: list[Path]) -> Card:
    """The card at root. drives: where the drives are; none of them may be, hold or lie in the card.

    Raises WrongUse, PlaceTrouble.
    """
    if not root.exists():
        raise WrongUse(
            f"There is no card at {shown(str(root))}.",
            safe="Nothing was changed.",
            do="Check that the card is in the reader and mounted, then give the folder where it is.",
        )
    if not root.is_dir():
        raise WrongUse(
            f"{shown(str(root))} is not a folder, so it is no card.",
            safe="Nothing was changed.",
            do="Give the top folder of the card, not a file on it.",
        )
    real = Path(os.path.realpath(root))
    for drive in drives:
        drive_real = Path(os.path.realpath(drive))
        if drive_real == real:
            what = "is one of the drives, not a card"
        elif drive_real.is_relative_to(real):
            what = f"holds the drive {shown(str(drive))}; a drive inside a card can't be told from it"
        elif real.is_relative_to(drive_real):
            what = f"lies on the drive {shown(str(drive))}; copies beside it would not be a second drive"
        else:
            continue
        raise WrongUse(
            f"{shown(str(root))} {what}.", safe="Nothing was changed.", do="Give the folder of the card itself."
        )
    folder = held_root(root, quiet=True)
    if (real / OWN / "place.json").exists():
        folder.close()
        raise WrongUse(
            f"{shown(str(root))} carries a drive's marker: it is a drive, not a card.",
            safe="Nothing was changed.",
            do="Give the folder of the card; if this drive belongs to another catalog, see `drives`.",
        )
    return Card(folder)


def _order(name: str) -> tuple[str, int, str]:
    return frame_key(name)[1], _RANK[kind_of(name)], name


def _what(mode: int) -> str:
    for test, word in (
        (stat.S_ISLNK, "a link"),
        (stat.S_ISFIFO, "a pipe"),
        (stat.S_ISSOCK, "a socket"),
        (stat.S_ISBLK, "a device"),
        (stat.S_ISCHR, "a device"),
    ):
        if test(mode):
            return word
    return "something unknown"
