"""An offsite place that is a plain folder, such as a mounted store at home."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from tripleguard.model import Entry
from tripleguard.names import fit_to_limits
from tripleguard.places.base import CopyReader, Place
from tripleguard.places.offsite_store import ObjectEntry
from tripleguard.places.reserved import is_reserved


class OffsiteFolder:
    """A folder with a marker that serves as an offsite place; an `offsite_store.OffsiteStore`."""

    def __init__(self, place: Place) -> None:
        self._place = place

    @property
    def uid(self) -> str:
        return self._place.uid

    @property
    def name(self) -> str:
        return self._place.name

    def is_connected(self) -> bool:
        return self._place.is_connected()

    def list_objects(self) -> Iterator[ObjectEntry]:
        return (_to_object_entry(entry) for entry in self._place.walk("") if not is_reserved(entry.path))

    def head(self, key: str) -> ObjectEntry | None:
        entry = self._place.stat(key)
        return _to_object_entry(entry) if entry else None

    def stat(self, path: str) -> Entry | None:
        return self._place.stat(path)

    def exists(self, key: str) -> bool:
        return self._place.exists(key)

    def fit_key(self, key: str) -> str:
        return fit_to_limits(key, self._place.fs_limits)

    def fit_folder(self, folder: str) -> str:
        return fit_to_limits(folder, self._place.fs_limits)

    def open_reader(self, path: str) -> CopyReader:
        return self._place.open_reader(path)

    def read_own(self, path: str, limit: int) -> bytes | None:
        return self._place.read_own(path, limit)

    def list_own_names(self, folder: str) -> list[str]:
        return [entry.name for entry in self._place.list_own_files(folder)]

    def write_own(self, path: str, content: Iterable[bytes]) -> None:
        self._place.write_own(path, content)

    def update_own(self, path: str, update: Callable[[bytes | None], bytes | None], limit: int) -> None:
        content = update(self._place.read_own(path, limit))
        if content is not None:
            self._place.write_own(path, [content])

    def delete_own(self, path: str) -> None:
        self._place.delete_own(path)


def _to_object_entry(entry: Entry) -> ObjectEntry:
    # A folder has no version tags: size and time serve as one.
    return ObjectEntry(entry.path, entry.size, entry.mtime_ns, f"{entry.size}-{entry.mtime_ns}")
