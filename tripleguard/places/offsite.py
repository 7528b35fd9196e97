"""An offsite place: an object store, read and listed through one library whatever the provider.

Its marker is an object like a drive's is a file. Reading goes over the network, so it comes from the server and
never from this machine's memory. Sending is in rooms of its own: `bucket` for S3, `sending` for the rest.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime
from typing import TYPE_CHECKING

import msgspec

from tripleguard.errors import LineTrouble, NameTaken, NoAccess, PlaceTrouble, TripleguardError
from tripleguard.model import Entry, Medium
from tripleguard.names import shown
from tripleguard.places.bucket import Lying
from tripleguard.places.looking import Looking
from tripleguard.places.marker import MARKER, MARKER_LIMIT, Marker, encoded
from tripleguard.places.own import OWN, is_own

if TYPE_CHECKING:
    from obstore import GetOptions, ObjectMeta, PutMode
    from obstore.store import ObjectStore

_RANGE = 1024 * 1024
_TRIES = 4


class Offsite:
    """One object store with our marker in it. Everything here may raise LineTrouble, NoAccess.

    looking: how an S3 bucket is listed; None: by the library.
    """

    def __init__(self, store: ObjectStore, marker: Marker, looking: Looking | None = None) -> None:
        self._store = store
        self._marker = marker
        self._looking = looking

    @property
    def uid(self) -> str:
        return self._marker.id

    @property
    def name(self) -> str:
        return self._marker.name

    @property
    def store(self) -> ObjectStore:
        return self._store

    def here(self) -> bool:
        """Whether this very place still answers."""
        try:
            marker = read_marker_object(self._store, self._looking)
        except TripleguardError:
            return False
        return marker is not None and marker.id == self.uid

    def listed(self) -> Iterator[Lying]:
        """Every object but the tool's own, in the server's order."""
        return (lying for lying in self._below("") if not is_own(lying.key))

    def _below(self, prefix: str) -> Iterator[Lying]:
        import obstore

        if self._looking is not None:
            yield from self._looking.listed(prefix)
            return
        with told("listing the offsite place"):
            for page in obstore.list(self._store, prefix=prefix or None, chunk_size=1000):
                yield from map(lying_of, page)

    def lying(self, key: str) -> Lying | None:
        """The object at a key now, None if there is none."""
        import obstore

        with told(f"looking at {shown(key)}"):
            try:
                return lying_of(obstore.head(self._store, key))
            except FileNotFoundError:
                return None

    def look(self, path: str) -> Entry | None:
        """The object at path as an entry."""
        found = self.lying(path)
        return Entry(path, found.size, found.mtime_ns) if found else None

    def read(self, path: str) -> ObjectReading:
        """Open an object for reading. Raises FileNotFoundError if there is none."""
        found = self.lying(path)
        if found is None:
            raise FileNotFoundError(path)
        return ObjectReading(self._store, found)

    def write_own(self, path: str, content: Iterable[bytes]) -> None:
        """Put one of the tool's own small objects; an earlier one of its own gives way, at once or not at all."""
        import obstore

        if not is_own(path):
            raise ValueError(f"{path} is not one of the tool's own")
        with told(f"writing {shown(path)}"):
            obstore.put(self._store, path, b"".join(content), use_multipart=False)

    def revise_own(self, path: str, revise: Callable[[bytes | None], bytes | None], limit: int) -> None:
        """Put one of the tool's own small objects in place of what lies there, unless that changes meanwhile.

        revise: from what lies there (None: nothing) to what is to lie there (None: leave it). Raises NameTaken
        where something larger than limit lies there, or others go on changing it.
        """
        for _ in range(_TRIES):
            before = self.lying(path)
            if before is not None and before.size > limit:
                break
            content = revise(read_object(self._store, path, before.tag) if before else None)
            if content is None or self._put_over(before, path, content):
                return
        raise NameTaken(
            f"Something else lies under {shown(path)} offsite, or somebody else goes on changing it.",
            safe="It was left as it is.",
            do="Look at that object; move it to another name if it is not this program's.",
        )

    def _put_over(self, before: Lying | None, path: str, content: bytes) -> bool:
        """Whether it lies there now; not where something else came to lie there meanwhile."""
        # One server wants the tag as it says it, with its quotes, another one without.
        tags = dict.fromkeys((before.tag, before.tag.strip('"'))) if before else {}
        modes: list[PutMode] = [{"e_tag": tag} for tag in tags if tag] if before else ["create"]
        if any(self._put_if(path, content, mode) for mode in modes):
            return True
        now = self.lying(path)
        # One that knows no such condition, or none of ours.
        return now == before and self._put_if(path, content, "overwrite")

    def _put_if(self, path: str, content: bytes, mode: PutMode) -> bool:
        import obstore
        from obstore.exceptions import AlreadyExistsError, NotSupportedError, PreconditionError

        with told(f"writing {shown(path)}"):
            try:
                obstore.put(self._store, path, content, mode=mode, use_multipart=False)
            except (AlreadyExistsError, PreconditionError, NotSupportedError, NotImplementedError):
                return False
        return True

    def read_own(self, path: str, limit: int) -> bytes | None:
        """One of the tool's own objects, None if there is none or it is larger than limit."""
        found = self.lying(path)
        if found is None or found.size > limit:
            return None
        return read_object(self._store, path, found.tag)

    def own_objects(self, folder: str) -> list[Lying]:
        """The tool's own objects below one of its folders."""
        below = f"{folder}/"
        return [lying for lying in self._below(below) if "/" not in lying.key.removeprefix(below)]

    def forget_own(self, path: str) -> None:
        """Remove a superseded object of the tool's own, where the credentials allow that."""
        import obstore

        if not path.startswith(f"{OWN}/catalog/"):
            raise ValueError(f"{path} may not be removed")
        # Credentials that may not delete are good ones.
        with contextlib.suppress(NoAccess), told(f"removing {shown(path)}"):
            obstore.delete(self._store, path)


class ObjectReading:
    """One object being read, in pieces, each of the version that was there at the beginning."""

    medium = Medium.DIRECT

    def __init__(self, store: ObjectStore, lying: Lying) -> None:
        self._store = store
        self._lying = lying
        self._at = 0

    def readinto(self, buffer: memoryview) -> int:
        """The next bytes; 0 at the end. Raises OSError where the server or the line fails for good."""
        import obstore
        from obstore.exceptions import BaseError

        length = min(len(buffer), _RANGE, self._lying.size - self._at)
        if length <= 0:
            return 0
        for attempt in range(_TRIES):
            try:
                options: GetOptions = {"range": (self._at, self._at + length)}
                if self._lying.tag:
                    options["if_match"] = self._lying.tag
                result = obstore.get(self._store, self._lying.key, options=options)
                piece = result.bytes()
            except (BaseError, ValueError) as error:
                if attempt == _TRIES - 1:
                    raise OSError(5, f"it can't be read offsite ({in_words(error)})") from error
                continue
            if len(piece) != length:
                continue
            buffer[:length] = memoryview(piece)
            self._at += length
            return length
        raise OSError(5, "the server sends less than it says it has")

    def close(self) -> None:
        """Nothing is held open."""


def open_offsite(store: ObjectStore, expected: str | None, looking: Looking | None = None) -> Offsite:
    """The offsite place of this store, by its marker. expected: the id it must have. Raises PlaceTrouble."""
    marker = read_marker_object(store, looking)
    if marker is None or (expected is not None and marker.id != expected):
        what = "has no marker" if marker is None else f"is another place, {shown(marker.name)}"
        raise PlaceTrouble(
            f"The offsite place {what}.",
            safe="Nothing was sent.",
            do="Check its address; a new one is named with `tripleguard setup --offsite URL`.",
        )
    return Offsite(store, marker, looking)


def read_marker_object(store: ObjectStore, looking: Looking | None) -> Marker | None:
    """The marker in a store, None if there is none. Raises PlaceTrouble if it is broken, LineTrouble, NoAccess."""
    content = looking.small(MARKER) if looking is not None else _small(store, MARKER)
    if content is None:
        return None
    try:
        marker = msgspec.json.decode(content[:MARKER_LIMIT], type=Marker)
    except msgspec.MsgspecError as error:
        raise PlaceTrouble(
            f"The marker of the offsite place does not parse ({error}).",
            safe="Nothing was sent.",
            do=f"Look at the object {MARKER}; somebody else may keep something under this address.",
        ) from error
    return marker


def mark_offsite(store: ObjectStore, marker: Marker) -> None:
    """Put the marker of a new place where there is none. Raises LineTrouble, NoAccess."""
    import obstore

    with told("naming the offsite place"):
        # Of two laptops that name one place at the same moment, one has to see that it was second.
        obstore.put(store, MARKER, encoded(marker), mode="create", use_multipart=False)


def _small(store: ObjectStore, key: str) -> bytes | None:
    try:
        return read_object(store, key)
    except FileNotFoundError:
        return None


def read_object(store: ObjectStore, key: str, tag: str = "") -> bytes:
    """The whole of a small object; tag: of this version. Raises FileNotFoundError, LineTrouble, NoAccess."""
    import obstore

    with told(f"reading {shown(key)}"):
        options: GetOptions = {"if_match": tag} if tag else {}
        return bytes(obstore.get(store, key, options=options).bytes())


def lying_of(meta: ObjectMeta) -> Lying:
    at: datetime = meta["last_modified"]
    return Lying(meta["path"], meta["size"], int(at.timestamp() * 1_000_000) * 1000, meta["e_tag"] or "")


@contextlib.contextmanager
def told(doing: str) -> Iterator[None]:
    """Turns what the library says into what a person can act on. FileNotFoundError passes as it is."""
    from obstore.exceptions import BaseError, PermissionDeniedError, UnauthenticatedError

    try:
        yield
    except (PermissionDeniedError, UnauthenticatedError) as error:
        raise NoAccess(
            f"The offsite place does not allow {doing}.",
            safe="Nothing is lost; what was sent before stays.",
            do="Check the credentials and what they are allowed; see docs/offsite.md.",
        ) from error
    except BaseError as error:
        raise LineTrouble(
            f"The offsite place failed while {doing} ({in_words(error)}).",
            safe="Nothing is lost; what was sent before stays.",
            do="Check the network, then run the command again.",
        ) from error


def in_words(error: Exception) -> str:
    """The first line of what the library says, as harmless text."""
    return shown((str(error).splitlines() or [type(error).__name__])[0][:200])
