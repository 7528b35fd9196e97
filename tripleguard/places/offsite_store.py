"""The interface between the jobs and an offsite place, either an object store or a plain folder."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import Protocol

from tripleguard.model import Entry
from tripleguard.places.base import Readable


@dataclass(frozen=True, slots=True)
class ObjectEntry:
    """One object offsite, as the server lists it.

    Attributes:
        key: below the prefix, any text.
        size: in bytes.
        mtime_ns: UTC, in nanoseconds.
        tag: the server's mark of this version, compared only with itself.
    """

    key: str
    size: int
    mtime_ns: int
    tag: str


class OffsiteStore(Readable, Protocol):
    """An offsite place. Every method may raise NetworkError, AccessDeniedError, PlaceFailedError."""

    @property
    def uid(self) -> str:
        """Return the id in its marker."""

    @property
    def name(self) -> str:
        """Return the name to show to the user."""

    def list_objects(self) -> Iterator[ObjectEntry]:
        """Yield every object but the tool's own, in the server's order."""

    def head(self, key: str) -> ObjectEntry | None:
        """Return the object at a key now, None if there is none."""

    def stat(self, path: str) -> Entry | None:
        """Return the object at path as an entry."""

    def exists(self, key: str) -> bool:
        """Return whether anything at all has this key."""

    def fit_key(self, key: str) -> str:
        """Return the nearest key that the place can hold."""

    def fit_folder(self, folder: str) -> str:
        """Return the nearest folder that the place can hold."""

    def read_own(self, path: str, limit: int) -> bytes | None:
        """Return one of the tool's own objects, None if there is none."""

    def list_own_names(self, folder: str) -> list[str]:
        """Return the names of the tool's own objects right in one of its folders."""

    def write_own(self, path: str, content: Iterable[bytes]) -> None:
        """Put one of the tool's own small objects, in place of an earlier one of its own only."""

    def update_own(self, path: str, update: Callable[[bytes | None], bytes | None], limit: int) -> None:
        """Replace one of the tool's own small objects, unless someone else changes it meanwhile.

        Args:
            path: one of the names that the tool keeps for itself.
            update: from what is there (None: nothing) to what is to be there (None: leave it).
            limit: bytes to read at most.

        Raises NameTakenError where something larger is there, or others go on changing it.
        """

    def delete_own(self, path: str) -> None:
        """Remove a superseded object of the tool's own, where the credentials allow that."""
