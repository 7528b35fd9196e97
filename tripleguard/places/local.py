"""Find and open the places of this machine: folders on mounted drives and cards."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from tripleguard.errors import TripleguardError
from tripleguard.model import FreeSpace, Medium, PlaceRecord
from tripleguard.places import discovery, drive, enclosing
from tripleguard.places.base import Place
from tripleguard.places.cache_bypass import detect_cache_bypass
from tripleguard.places.card import Card
from tripleguard.places.dir_handle import open_root, read_free_space
from tripleguard.places.fs_identity import FileSystemIdentity, read_identity
from tripleguard.places.insertion import read_drive_insertion
from tripleguard.places.marker import MARKER_PATH, Marker, encode_marker, read_marker
from tripleguard.places.reserved import RESERVED_DIR


class LocalPlaces:
    """The `PlaceAccess` of this machine."""

    def find_connected(self, records: Iterable[PlaceRecord], extra_roots: Iterable[Path] = ()) -> dict[str, Path]:
        return discovery.find_connected_drives(records, extra_roots)

    def open_drive(self, root: Path, *, reserve_bytes: int = 0, no_atime: bool = False) -> drive.Drive:
        reserve = effective_reserve(root, reserve_bytes) if reserve_bytes else 0
        return drive.open_drive(root, reserve, no_atime=no_atime)

    def open_unmarked_drive(self, root: Path, marker: Marker) -> drive.Drive:
        return drive.open_unmarked_drive(root, marker)

    def open_source(self, root: Path) -> Card:
        return Card(open_root(root, no_atime=True))

    def check_not_on_card(self, root: Path, card_folders: Sequence[str]) -> None:
        enclosing.check_not_on_card(root, card_folders)

    def find_enclosing_drive(self, root: Path) -> Path | None:
        return enclosing.find_enclosing_drive(root)

    def read_marker(self, root: Path) -> Marker | None:
        folder = open_root(root)
        try:
            return read_marker(folder)
        finally:
            folder.close()

    def write_new_marker(self, root: Path, marker: Marker) -> None:
        drive.write_new_marker(root, marker)

    def rewrite_marker(self, place: Place, marker: Marker) -> None:
        place.write_own(MARKER_PATH, [encode_marker(marker)])
        place.fsync_dirs(["", RESERVED_DIR])

    def read_identity(self, root: Path) -> FileSystemIdentity | None:
        try:
            folder = open_root(root)
        except TripleguardError:
            return None
        try:
            return read_identity(folder)
        finally:
            folder.close()

    def read_free_space(self, root: Path, reserve_bytes: int) -> FreeSpace | None:
        try:
            folder = open_root(root)
        except TripleguardError:
            return None
        try:
            return read_free_space(folder, reserve_bytes)
        except OSError:
            return None
        finally:
            folder.close()

    def read_evidence_reach(self, root: Path) -> tuple[Medium, str | None]:
        return detect_cache_bypass(root).medium, read_drive_insertion(root)


def effective_reserve(root: Path, reserve_bytes: int) -> int:
    """Return the bytes to keep free on a drive: the requested ones, at most a twentieth of the drive."""
    folder = open_root(root)
    try:
        total = read_free_space(folder, 0).total
    except OSError:
        return reserve_bytes
    finally:
        folder.close()
    return min(reserve_bytes, total // 20)
