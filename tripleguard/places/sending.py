"""Sending to an offsite place, whatever it is.

S3 takes files in parts, and proves each as it arrives (`bucket`). The other clouds and a plain folder take a file
as a whole here, and are read back before anything is believed of it. A folder is written like a drive: unfinished
under a name of the tool's own, flushed, then named where the name is free.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Protocol

from tripleguard.errors import CopyTrouble, LineTrouble, NameTaken, NoAccess
from tripleguard.names import shown
from tripleguard.places.drive import Drive
from tripleguard.places.offsite import in_words
from tripleguard.places.wire import PIECE, Pace

if TYPE_CHECKING:
    from obstore.store import ObjectStore

LARGEST_WHOLE = 2 * 1024**3
"""Bytes that are held in memory at most to be put in one piece."""


class PartSender(Protocol):
    """Sends in parts, each proved as it arrives; for one thread. See `bucket.Bucket`."""

    @property
    def sent(self) -> int: ...
    def put(
        self, key: str, body: memoryview | bytes, about: Mapping[str, str], *, pace: Pace | None = None
    ) -> str: ...
    def begin(self, key: str, about: Mapping[str, str]) -> str: ...
    def put_part(self, key: str, upload: str, number: int, body: memoryview | bytes, pace: Pace | None) -> str: ...
    def parts(self, key: str, upload: str) -> dict[int, tuple[str, int]]: ...
    def finish(self, key: str, upload: str, parts: Mapping[int, tuple[str, bytes]]) -> str: ...
    def forget(self, key: str, upload: str) -> None: ...
    def head(self, key: str) -> Mapping[str, str] | None: ...
    def close(self) -> None: ...


class WholeSender(Protocol):
    """Sends a file as a whole, under a key that is free; for one thread. It has to be read back."""

    @property
    def sent(self) -> int: ...
    def send(self, key: str, pieces: Iterator[bytes], size: int, mtime_ns: int, about: Mapping[str, str]) -> None:
        """Raises NameTaken, NoRoom, LineTrouble, NoAccess, PlaceFailed."""

    def close(self) -> None: ...


class StoreSender:
    """To a store that is no S3."""

    def __init__(self, store: ObjectStore) -> None:
        self._store = store
        self.sent = 0

    def send(self, key: str, pieces: Iterator[bytes], size: int, mtime_ns: int, about: Mapping[str, str]) -> None:
        import obstore
        from obstore.exceptions import AlreadyExistsError, BaseError, PermissionDeniedError, UnauthenticatedError

        if size > LARGEST_WHOLE:
            raise CopyTrouble(
                f"{shown(key)} is larger than {LARGEST_WHOLE:,} bytes: too much for one piece.",
                do="Send it by other means, or use a place that speaks S3.",
            )
        body = b"".join(pieces)
        try:
            obstore.put(self._store, key, body, attributes=dict(about), mode="create", use_multipart=False)
        except AlreadyExistsError as error:
            raise NameTaken(f"The key {shown(key)} is taken.") from error
        except (PermissionDeniedError, UnauthenticatedError) as error:
            raise NoAccess("The offsite place does not allow sending.", do="Check the credentials.") from error
        except BaseError as error:
            raise LineTrouble(f"The offsite place failed ({in_words(error)}).") from error
        self.sent += len(body)

    def close(self) -> None:
        """Nothing is held open."""


class FolderSender:
    """To a plain folder, such as a store at home that is mounted here."""

    def __init__(self, drive: Drive) -> None:
        self._drive = drive
        self.sent = 0

    def send(self, key: str, pieces: Iterator[bytes], size: int, mtime_ns: int, about: Mapping[str, str]) -> None:
        incoming = self._drive.begin(size)
        try:
            for piece in pieces:
                incoming.write(memoryview(piece))
                self.sent += len(piece)
            incoming.flush(mtime_ns)
            entry = incoming.publish(key)
        except BaseException:
            incoming.discard()
            raise
        self._drive.settle([entry.folder])

    def close(self) -> None:
        """The folder is held open by whoever opened it."""


def in_pieces(body: bytes) -> Iterator[bytes]:
    """A body in the pieces that are paced."""
    return (body[start : start + PIECE] for start in range(0, len(body), PIECE))
