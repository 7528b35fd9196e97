"""A card: what a camera wrote to. It is listed and read, never changed.

Files are listed in the order in which they belong together: folder by folder, frame by frame, and within a frame
the originals before their companions.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from tripleguard.cameras.kinds import LITTER_HEAD, get_frame_key, is_system_litter, kind_of
from tripleguard.errors import CardGoneError, PlaceUnreadableError, UsageError
from tripleguard.model import Entry, FileKind, UncopyableEntry
from tripleguard.names import escape_text
from tripleguard.places.base import CardItem, IgnoredEntry
from tripleguard.places.cache_bypass import CacheBypass, MediumReader, detect_cache_bypass
from tripleguard.places.changes import ChangeMonitor
from tripleguard.places.dir_handle import DirHandle, open_root, to_entry
from tripleguard.places.enclosing import (
    find_enclosing_card,
    find_enclosing_drive,
    find_whole_volume,
    list_mounts_below,
)
from tripleguard.places.insertion import read_folder_insertion
from tripleguard.places.probe import hangs
from tripleguard.places.reserved import RESERVED_DIR

_KIND_RANK = {kind: rank for rank, kind in enumerate(FileKind)}
_MAX_DEPTH = 32


class Card:
    """One card, held open by its folder; a `base.SourceFolder`."""

    is_physical_card = True

    def __init__(self, folder: DirHandle) -> None:
        self._folder = folder
        # Leave the caches below the card's file system alone: dropping them would first flush its device.
        depth = detect_cache_bypass(folder.root)
        self._cache_bypass = CacheBypass(depth.medium, depth.file_system)
        self._device_cache_bypass = replace(depth, should_flush=False)

    @property
    def root(self) -> Path:
        return self._folder.root

    def close(self) -> None:
        self._folder.close()

    def entries(self) -> Iterator[CardItem]:
        """Yield everything on the card as it is now. Raises CardGoneError."""
        self._folder.clear_checked_dirs()
        yield from self._entries_below("", 0, list_mounts_below(self.root))

    def read_insertion(self) -> str | None:
        """Return an id of this card in this mount; None if the system can't tell."""
        return read_folder_insertion(self._folder)

    def start_change_monitor(self) -> ChangeMonitor:
        """Return a monitor for changes on the card; it watches no folder yet."""
        return ChangeMonitor(self._folder)

    def open_reader(self, path: str) -> MediumReader:
        """Open a file for one pass, past the cache. Raises OSError."""
        return MediumReader(self._folder, path, self._cache_bypass)

    def open_second_reader(self, path: str) -> MediumReader:
        """Open a file for a second pass, past the caches below the card's file system too. Raises OSError.

        They are dropped without a flush: a card is only read, so nothing of ours is in them.
        """
        return MediumReader(self._folder, path, self._device_cache_bypass)

    def read_at(self, path: str, offset: int, length: int) -> bytes:
        """Return a piece of a file. Raises OSError."""
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
        """Return the files directly in a folder as they are now; empty if it can't be listed."""
        try:
            found = self._folder.list_dir(folder)
        except OSError:
            return []
        return [
            to_entry(f"{folder}/{name}" if folder else name, status)
            for name, status in sorted(found, key=lambda item: _sort_key(item[0]))
            if not isinstance(status, OSError) and stat.S_ISREG(status.st_mode)
        ]

    def stat(self, path: str) -> Entry | None:
        """Return the file as it is now; None if it is missing or can't be read."""
        try:
            return self._folder.stat(path)
        except OSError:
            return None

    def is_unchanged(self, entry: Entry) -> bool:
        """Return whether the file is still as it was listed."""
        return self.stat(entry.path) == entry

    def is_connected(self) -> bool:
        """Return whether the card still responds."""
        if not self._folder.is_still_at_root():
            return False
        try:
            self._folder.list_dir("")
        except OSError:
            return False
        return True

    def _entries_below(self, folder: str, depth: int, mounts: frozenset[str]) -> Iterator[CardItem]:
        try:
            found = self._folder.list_dir(folder)
        except OSError as error:
            if not folder or not self.is_connected():
                raise self._gone_error() from error
            yield UncopyableEntry(folder, f"this folder can't be listed ({error.strerror or error})")
            return
        found.sort(key=lambda item: _sort_key(item[0]))
        for name, status in found:
            path = f"{folder}/{name}" if folder else name
            if path in mounts:
                yield UncopyableEntry(path, "another volume is mounted on it, and hides what the card has there")
            elif isinstance(status, OSError):
                yield UncopyableEntry(path, f"it can't be looked at ({status.strerror})")
            elif stat.S_ISDIR(status.st_mode):
                if depth >= _MAX_DEPTH:
                    yield UncopyableEntry(path, f"folders are nested more than {_MAX_DEPTH} deep")
                else:
                    yield from self._entries_below(path, depth + 1, mounts)
            elif stat.S_ISREG(status.st_mode):
                yield self._classify(to_entry(path, status))
            else:
                yield UncopyableEntry(
                    path, f"it is {_describe_file_type(status.st_mode)}, not a file that a camera writes"
                )

    def _classify(self, entry: Entry) -> CardItem:
        left = is_system_litter(entry.path, entry.size, lambda: self.read_at(entry.path, 0, LITTER_HEAD))
        return IgnoredEntry(entry.path) if left else entry

    def _gone_error(self) -> CardGoneError:
        return CardGoneError(
            f"The card at {escape_text(str(self.root))} is not there any more.",
            safe="Copies that were finished stay, and the card was only read.",
            do="Put it in again and run the same command: it goes on where it stopped. Do not reformat it.",
        )


def open_card(root: Path, drives: Sequence[Path], card_folders: Sequence[str]) -> Card:
    """Return the card at root, which must be all of the card. card_folders: what makes a folder a card.

    drives: the drives' roots; none of them may be, contain or be in the card. Raises UsageError, PlaceError.
    """
    folder = open_source_folder(root, drives)
    try:
        _check_is_whole_card(root, card_folders)
    except BaseException:
        folder.close()
        raise
    return Card(folder)


def _check_is_whole_card(root: Path, card_folders: Sequence[str]) -> None:
    above = Path(os.path.realpath(root)).parent
    card = find_enclosing_card(above, card_folders) if above != root else None
    drive = find_enclosing_drive(root)
    volume = find_whole_volume(root)
    here = escape_text(str(root))
    if drive is not None:
        what = f"{here} lies on a drive of this or another catalog, {escape_text(str(drive))}"
        do = "Give the top folder of a card. What lies on a drive is answered by `clearance drive NAME`."
    elif card is not None:
        top = escape_text(str(card[0]))
        what = f"{here} is only a part of the card {top}"
        do = f"Give the whole card: {top}. (A folder {card[1]} makes {top} a card.)"
    elif volume == root:
        what = f"{here} shows only a part of its volume"
        do = "Mount the whole card, and give its top folder."
    elif volume is not None:
        top = escape_text(str(volume))
        what = f"{here} is only a part of the volume {top}"
        do = f"Give the whole card: {top}."
    else:
        return
    raise UsageError(
        f"{what}: an answer about it would not be one about the whole card.", safe="Nothing was changed.", do=do
    )


def open_source_folder(root: Path, drives: Sequence[Path]) -> DirHandle:
    """Return the opened folder at root, which pictures are read from and never written to.

    drives: the drives' roots; none of them may be, contain or be in the folder. Raises UsageError, PlaceError.
    """
    if hangs(root):
        raise PlaceUnreadableError(
            f"The card at {escape_text(str(root))} does not answer.",
            safe="It was only read.",
            do="Unplug its reader, plug it in again, and run the same command. Do not reformat the card.",
        )
    if not root.exists():
        raise UsageError(
            f"There is no card at {escape_text(str(root))}.",
            safe="Nothing was changed.",
            do="Check that the card is in the reader and mounted, then give the folder where it is.",
        )
    if not root.is_dir():
        raise UsageError(
            f"{escape_text(str(root))} is not a folder, so it is no card.",
            safe="Nothing was changed.",
            do="Give the top folder of the card, not a file on it.",
        )
    real = Path(os.path.realpath(root))
    for drive in drives:
        if hangs(drive):
            continue
        drive_real = Path(os.path.realpath(drive))
        if drive_real == real:
            what = "is one of the drives, not a card"
        elif drive_real.is_relative_to(real):
            what = f"holds the drive {escape_text(str(drive))}; a drive inside a card can't be told from it"
        elif real.is_relative_to(drive_real):
            what = f"lies on the drive {escape_text(str(drive))}; copies beside it would not be a second drive"
        else:
            continue
        raise UsageError(
            f"{escape_text(str(root))} {what}.",
            safe="Nothing was changed.",
            do="Give the folder of the card itself.",
        )
    folder = open_root(root, no_atime=True)
    if (real / RESERVED_DIR / "place.json").exists():
        folder.close()
        raise UsageError(
            f"{escape_text(str(root))} carries a drive's marker: it is a drive, not a card.",
            safe="Nothing was changed.",
            do="Give the folder of the card; if this drive belongs to another catalog, see `drives`.",
        )
    return folder


def _sort_key(name: str) -> tuple[str, int, str]:
    return get_frame_key(name)[1], _KIND_RANK[kind_of(name)], name


def _describe_file_type(mode: int) -> str:
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
