"""Opening what was sealed, with a key that the person gives for one command and that is kept nowhere.

A sealed object is opened while it is read, into the home's scratch folder, and what is read from there is the
picture; it is gone again when the reading is closed. Whether it is the right picture its digest says, like that of
any other source.
"""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from tripleguard.errors import WrongUse
from tripleguard.home import Home, forget_scratch, new_scratch, scratch_file
from tripleguard.model import Medium
from tripleguard.names import shown
from tripleguard.places.base import Readable, Reading
from tripleguard.places.media import aligned_buffer
from tripleguard.work.offsite.sealing import ENDING, age_library

_OPENED = "opened"
_LONGEST_KEY = 64 * 1024
_PIECE = 1024 * 1024
_HEAD = 64 * 1024


class Key:
    """Identities that open what was sealed for them; home: whose scratch folder is used. Never shown."""

    def __init__(self, home: Home, identities: list[Any]) -> None:
        self._home = home
        self._identities = identities

    def fits(self, sealed: Reading) -> bool:
        """Whether this was sealed for the key, by its beginning; the reading is closed. Raises OSError."""
        age = age_library()
        with contextlib.closing(sealed):
            beginning = _Pieces(sealed, _HEAD)
            try:
                age.decrypt_io(beginning, _Nowhere(), self._identities)
            except age.DecryptError:
                return False
            except OSError:
                # The beginning of something larger ends too soon, and that is all that is wrong.
                return True
            return True

    def opened(self, sealed: Reading) -> Reading:
        """What is sealed in a reading, as a reading of its own; the sealed one is closed. Raises OSError."""
        name = f"{_OPENED}-{os.getpid()}-{secrets.token_hex(8)}"
        age = age_library()
        try:
            with new_scratch(self._home, name) as target:
                age.decrypt_io(_Pieces(sealed), target, self._identities)
        except age.DecryptError as error:
            forget_scratch(scratch_file(self._home, f"{name}.part"))
            raise OSError(5, f"the key does not open it ({error})") from error
        except BaseException:
            forget_scratch(scratch_file(self._home, f"{name}.part"))
            raise
        finally:
            sealed.close()
        return _Opened(self._home.scratch / name)


@dataclass(frozen=True, slots=True)
class Opening:
    """A place whose sealed objects are read as what is in them. Others are read as they are.

    keys: by the name of what is in it, the key of a sealed object.
    """

    place: Readable
    key: Key
    keys: Mapping[str, str]

    def read(self, path: str) -> Reading:
        path = self.keys.get(path, path)
        reading = self.place.read(path)
        return self.key.opened(reading) if path.endswith(ENDING) else reading

    def here(self) -> bool:
        return self.place.here()


def read_key(home: Home, path: Path) -> Key:
    """The private keys in a file as programs for age write it: one a line, # for remarks. Raises WrongUse."""
    age = age_library()
    _clear_left(home)
    try:
        with path.open("rb") as file:
            content = file.read(_LONGEST_KEY)
        lines = [line.strip() for line in content.decode("ascii").splitlines()]
        identities = [age.x25519.Identity.from_str(line) for line in lines if line and not line.startswith("#")]
    except OSError as error:
        raise _no_key(path, error.strerror or "it can't be read") from error
    except (UnicodeDecodeError, age.IdentityError):
        # What it holds, and what the library says of it, belongs in no message and no trace.
        raise _no_key(path, "a line of it is no private key of age") from None
    if not identities:
        raise _no_key(path, "there is no key in it")
    return Key(home, identities)


def _clear_left(home: Home) -> None:
    """Remove what a killed command had opened: it was sealed for a reason."""
    import psutil

    for left in home.scratch.glob(f"{_OPENED}-*"):
        number = left.name.split("-")[1]
        if number.isdecimal() and not psutil.pid_exists(int(number)):
            forget_scratch(left)


class _Pieces:
    """A reading as the library wants a file. It asks for little at a time, and each request costs a round trip.

    most: bytes after which it ends.
    """

    def __init__(self, reading: Reading, most: int | None = None) -> None:
        self._reading = reading
        self._buffer = aligned_buffer(_PIECE if most is None else most)
        self._left = b""
        self._once = most is not None

    def read(self, size: int = -1) -> bytes:
        if not self._left:
            count = self._reading.readinto(self._buffer) if self._buffer else 0
            self._left = bytes(self._buffer[:count])
            if self._once:
                self._buffer = self._buffer[:0]
        length = size if size and size > 0 else len(self._left)
        piece, self._left = self._left[:length], self._left[length:]
        return piece


class _Nowhere:
    """Takes what is written and keeps nothing."""

    def write(self, content: bytes) -> int:
        return len(content)

    def flush(self) -> None:
        """There is nothing to flush."""


class _Opened:
    """What was sealed, in a passing file. Its medium is the place that it came from."""

    medium = Medium.DIRECT

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file: BinaryIO = path.open("rb")

    def readinto(self, buffer: memoryview) -> int:
        return self._file.readinto(buffer)  # type: ignore[attr-defined, no-any-return]

    def close(self) -> None:
        self._file.close()
        forget_scratch(self._path)


def _no_key(path: Path, why: str) -> WrongUse:
    return WrongUse(
        f"{shown(str(path))} gives no key: {why}.",
        safe="Nothing was changed.",
        do="Give the file that holds the line AGE-SECRET-KEY-1..., as your program for age wrote it.",
    )
