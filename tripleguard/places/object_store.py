"""The offsite place in an object store, read and listed through one library whatever the provider.

Its marker is an object as a drive's is a file. Reads go over the network, so they come from the server and never
from this machine's cache. For uploads see `s3/bucket` for S3, `uploaders` for the others.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from typing import TYPE_CHECKING

import msgspec

from tripleguard.errors import AccessDeniedError, NameTakenError, NetworkError, PlaceError, TripleguardError
from tripleguard.model import Entry, Medium
from tripleguard.names import escape_text, is_valid_utf8
from tripleguard.places.marker import MARKER_PATH, MAX_MARKER_BYTES, Marker, encode_marker
from tripleguard.places.offsite_store import ObjectEntry
from tripleguard.places.reserved import RESERVED_DIR, is_reserved
from tripleguard.places.s3.bucket_listing import S3Listing

if TYPE_CHECKING:
    from obstore import GetOptions, ObjectMeta, PutMode
    from obstore.store import ObjectStore

_RANGE_BYTES = 1024 * 1024
_MAX_TRIES = 4


class OffsitePlace:
    """One object store with our marker in it; an `offsite_store.OffsiteStore`.

    Args:
        store: Reads and writes objects.
        marker: As read there.
        s3_listing: Lists an S3 bucket; None to list by the library.
    """

    def __init__(self, store: ObjectStore, marker: Marker, s3_listing: S3Listing | None = None) -> None:
        self._store = store
        self._marker = marker
        self._s3_listing = s3_listing

    @property
    def uid(self) -> str:
        return self._marker.id

    @property
    def name(self) -> str:
        return self._marker.name

    @property
    def store(self) -> ObjectStore:
        return self._store

    def is_connected(self) -> bool:
        try:
            marker = read_offsite_marker(self._store, self._s3_listing)
        except TripleguardError:
            return False
        return marker is not None and marker.id == self.uid

    def list_objects(self) -> Iterator[ObjectEntry]:
        return (lying for lying in self._list_below("") if not is_reserved(lying.key))

    def _list_below(self, prefix: str) -> Iterator[ObjectEntry]:
        import obstore

        if self._s3_listing is not None:
            yield from self._s3_listing.list_objects(prefix)
            return
        with store_errors_explained("listing the offsite place"):
            for page in obstore.list(self._store, prefix=prefix or None, chunk_size=1000):
                yield from map(to_object_entry, page)

    def head(self, key: str) -> ObjectEntry | None:
        import obstore

        with store_errors_explained(f"looking at {escape_text(key)}"):
            try:
                return to_object_entry(obstore.head(self._store, key))
            except FileNotFoundError:
                return None

    def stat(self, path: str) -> Entry | None:
        found = self.head(path)
        return Entry(path, found.size, found.mtime_ns) if found else None

    def open_reader(self, path: str) -> ObjectReader:
        """Open an object for reading. Raises FileNotFoundError if there is none."""
        found = self.head(path)
        if found is None:
            raise FileNotFoundError(path)
        return ObjectReader(self._store, found)

    def write_own(self, path: str, content: Iterable[bytes]) -> None:
        import obstore

        if not is_reserved(path):
            raise ValueError(f"{path} is not one of the tool's own")
        with store_errors_explained(f"writing {escape_text(path)}"):
            obstore.put(self._store, path, b"".join(content), use_multipart=False)

    def update_own(self, path: str, update: Callable[[bytes | None], bytes | None], limit: int) -> None:
        for _ in range(_MAX_TRIES):
            before = self.head(path)
            if before is not None and before.size > limit:
                break
            content = update(read_object(self._store, path, before.tag) if before else None)
            if content is None or self._replace(before, path, content):
                return
        raise NameTakenError(
            f"Something else lies under {escape_text(path)} offsite, or somebody else goes on changing it.",
            safe="It was left as it is.",
            do="Look at that object; move it to another name if it is not this program's.",
        )

    def _replace(self, before: ObjectEntry | None, path: str, content: bytes) -> bool:
        """Return whether the content was written; False if another object was written there meanwhile."""
        # Some servers want the tag with its quotes, others without.
        tags = dict.fromkeys((before.tag, before.tag.strip('"'))) if before else {}
        modes: list[PutMode] = [{"e_tag": tag} for tag in tags if tag] if before else ["create"]
        if any(self._put_conditionally(path, content, mode) for mode in modes):
            return True
        now = self.head(path)
        # The server supports no such condition, or none of ours.
        return now == before and self._put_conditionally(path, content, "overwrite")

    def _put_conditionally(self, path: str, content: bytes, mode: PutMode) -> bool:
        import obstore
        from obstore.exceptions import AlreadyExistsError, NotSupportedError, PreconditionError

        with store_errors_explained(f"writing {escape_text(path)}"):
            try:
                obstore.put(self._store, path, content, mode=mode, use_multipart=False)
            except (AlreadyExistsError, PreconditionError, NotSupportedError, NotImplementedError):
                return False
        return True

    def read_own(self, path: str, limit: int) -> bytes | None:
        found = self.head(path)
        if found is None or found.size > limit:
            return None
        return read_object(self._store, path, found.tag)

    def exists(self, key: str) -> bool:
        return self.head(key) is not None

    def list_own_names(self, folder: str) -> list[str]:
        below = f"{folder}/"
        names = (entry.key.removeprefix(below) for entry in self._list_below(below))
        return [name for name in names if "/" not in name]

    def fit_key(self, key: str) -> str:
        # Object stores want text without control characters.
        plain = key if is_valid_utf8(key) else escape_text(key).replace("\\", "_")
        return "".join(char if char.isprintable() else "_" for char in plain)

    def fit_folder(self, folder: str) -> str:
        return folder

    def delete_own(self, path: str) -> None:
        import obstore

        if not path.startswith(f"{RESERVED_DIR}/catalog/"):
            raise ValueError(f"{path} may not be removed")
        # Credentials without permission to delete are fine.
        with contextlib.suppress(AccessDeniedError), store_errors_explained(f"removing {escape_text(path)}"):
            obstore.delete(self._store, path)


class ObjectReader:
    """Reads one object in pieces, all of the version that was there at the beginning."""

    medium = Medium.DIRECT

    def __init__(self, store: ObjectStore, entry: ObjectEntry) -> None:
        self._store = store
        self._entry = entry
        self._offset = 0

    def readinto(self, buffer: memoryview) -> int:
        """Fill buffer with the next bytes and return their number, 0 at the end.

        Raises OSError on final failure.
        """
        import obstore
        from obstore.exceptions import BaseError

        length = min(len(buffer), _RANGE_BYTES, self._entry.size - self._offset)
        if length <= 0:
            return 0
        for attempt in range(_MAX_TRIES):
            try:
                options: GetOptions = {"range": (self._offset, self._offset + length)}
                if self._entry.tag:
                    options["if_match"] = self._entry.tag
                result = obstore.get(self._store, self._entry.key, options=options)
                piece = result.bytes()
            except (BaseError, ValueError) as error:
                if attempt == _MAX_TRIES - 1:
                    raise OSError(5, f"it can't be read offsite ({describe_store_error(error)})") from error
                continue
            if len(piece) != length:
                continue
            buffer[:length] = memoryview(piece)
            self._offset += length
            return length
        raise OSError(5, "the server sends less than it says it has")

    def close(self) -> None:
        """Do nothing; nothing is open."""


def open_offsite_place(
    store: ObjectStore, expected_id: str | None, s3_listing: S3Listing | None = None
) -> OffsitePlace:
    """Return the offsite place in this store by its marker. expected_id: the marker's id. Raises PlaceError."""
    marker = read_offsite_marker(store, s3_listing)
    if marker is None or (expected_id is not None and marker.id != expected_id):
        what = "has no marker" if marker is None else f"is another place, {escape_text(marker.name)}"
        raise PlaceError(
            f"The offsite place {what}.",
            safe="Nothing was sent.",
            do="Check its address; a new one is named with `tripleguard setup --offsite URL`.",
        )
    return OffsitePlace(store, marker, s3_listing)


def read_offsite_marker(store: ObjectStore, s3_listing: S3Listing | None) -> Marker | None:
    """Return the marker in a store, None if there is none.

    Raises PlaceError if it is broken, NetworkError, AccessDeniedError.
    """
    content = (
        s3_listing.read_small_object(MARKER_PATH)
        if s3_listing is not None
        else _read_small_object(store, MARKER_PATH)
    )
    if content is None:
        return None
    try:
        marker = msgspec.json.decode(content[:MAX_MARKER_BYTES], type=Marker)
    except msgspec.MsgspecError as error:
        raise PlaceError(
            f"The marker of the offsite place does not parse ({error}).",
            safe="Nothing was sent.",
            do=f"Look at the object {MARKER_PATH}; somebody else may keep something under this address.",
        ) from error
    return marker


def write_offsite_marker(store: ObjectStore, marker: Marker) -> None:
    """Write the marker of a new place unless there is one. Raises NetworkError, AccessDeniedError."""
    import obstore

    with store_errors_explained("naming the offsite place"):
        # If two laptops add one place at the same moment, the second must fail.
        obstore.put(store, MARKER_PATH, encode_marker(marker), mode="create", use_multipart=False)


def _read_small_object(store: ObjectStore, key: str) -> bytes | None:
    try:
        return read_object(store, key)
    except FileNotFoundError:
        return None


def read_object(store: ObjectStore, key: str, tag: str = "") -> bytes:
    """Return the content of a small object; tag: of this version only.

    Raises FileNotFoundError, NetworkError, AccessDeniedError.
    """
    import obstore

    with store_errors_explained(f"reading {escape_text(key)}"):
        options: GetOptions = {"if_match": tag} if tag else {}
        return bytes(obstore.get(store, key, options=options).bytes())


def to_object_entry(meta: ObjectMeta) -> ObjectEntry:
    at: datetime = meta["last_modified"]
    return ObjectEntry(meta["path"], meta["size"], int(at.timestamp() * 1_000_000) * 1000, meta["e_tag"] or "")


@contextlib.contextmanager
def store_errors_explained(action: str) -> Iterator[None]:
    """Translate the library's errors into advice for a person; FileNotFoundError passes unchanged."""
    from obstore.exceptions import BaseError, PermissionDeniedError, UnauthenticatedError

    try:
        yield
    except (PermissionDeniedError, UnauthenticatedError) as error:
        raise AccessDeniedError(
            f"The offsite place does not allow {action}.",
            safe="Nothing is lost; what was sent before stays.",
            do="Check the credentials and what they are allowed; see docs/offsite.md.",
        ) from error
    except BaseError as error:
        raise NetworkError(
            f"The offsite place failed while {action} ({describe_store_error(error)}).",
            safe="Nothing is lost; what was sent before stays.",
            do="Check the network, then run the command again.",
        ) from error


def describe_store_error(error: Exception) -> str:
    """Return the first line of the library's message, escaped."""
    return escape_text((str(error).splitlines() or [type(error).__name__])[0][:200])
