"""Upload to an offsite place of any kind: in verified parts, or whole files.

S3 takes files in parts, and verifies each as it arrives (`s3/bucket`). Other clouds and a plain folder take whole
files, which are read back before the copy counts. A folder is written like a drive: under a reserved name,
flushed, then published under a free name.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from tripleguard.errors import AccessDeniedError, CopyError, NameTakenError, NetworkError
from tripleguard.names import escape_text
from tripleguard.places.base import Place
from tripleguard.places.object_store import describe_store_error
from tripleguard.places.s3.connection import PIECE_BYTES

if TYPE_CHECKING:
    from obstore.store import ObjectStore

MAX_WHOLE_BYTES = 2 * 1024**3
"""The maximum bytes held in memory for one request."""


class StoreUploader:
    """Uploads to a store other than S3."""

    def __init__(self, store: ObjectStore) -> None:
        self._store = store
        self.bytes_sent = 0

    def send(
        self, key: str, pieces: Iterator[bytes], size: int, mtime_ns: int, metadata: Mapping[str, str]
    ) -> None:
        import obstore
        from obstore.exceptions import AlreadyExistsError, BaseError, PermissionDeniedError, UnauthenticatedError

        if size > MAX_WHOLE_BYTES:
            raise CopyError(
                f"{escape_text(key)} is larger than {MAX_WHOLE_BYTES:,} bytes: too much for one piece.",
                do="Send it by other means, or use a place that speaks S3.",
            )
        body = b"".join(pieces)
        try:
            obstore.put(self._store, key, body, attributes=dict(metadata), mode="create", use_multipart=False)
        except AlreadyExistsError as error:
            raise NameTakenError(f"The key {escape_text(key)} is taken.") from error
        except (PermissionDeniedError, UnauthenticatedError) as error:
            raise AccessDeniedError(
                "The offsite place does not allow sending.", do="Check the credentials."
            ) from error
        except BaseError as error:
            raise NetworkError(f"The offsite place failed ({describe_store_error(error)}).") from error
        self.bytes_sent += len(body)

    def close(self) -> None:
        """Do nothing; nothing is open."""


class FolderUploader:
    """Uploads to a plain folder, such as a mounted store at home."""

    def __init__(self, drive: Place) -> None:
        self._drive = drive
        self.bytes_sent = 0

    def send(
        self, key: str, pieces: Iterator[bytes], size: int, mtime_ns: int, metadata: Mapping[str, str]
    ) -> None:
        incoming = self._drive.begin_copy(size)
        try:
            for piece in pieces:
                incoming.write(memoryview(piece))
                self.bytes_sent += len(piece)
            incoming.flush(mtime_ns)
            entry = incoming.publish(key)
        except BaseException:
            incoming.discard()
            raise
        self._drive.fsync_dirs([entry.folder])

    def close(self) -> None:
        """Do nothing; the caller closes the folder."""


def split_into_pieces(body: bytes) -> Iterator[bytes]:
    """Yield a body in pieces for throttling."""
    return (body[start : start + PIECE_BYTES] for start in range(0, len(body), PIECE_BYTES))
