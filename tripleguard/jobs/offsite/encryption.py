"""Encrypt files for recipients whose keys the person keeps, and decrypt them with a key given for one command.

The format is age (age-encryption.org/v1), which other programs read. Encrypting needs no private key, and none is
kept anywhere. An encrypted file is made once in the home's scratch folder and kept there until it is sent:
encrypting again would give other bytes, and an upload could not be resumed. An encrypted object is decrypted into
the scratch folder while it is read, and gone when the reading is closed; its digest says whether it is the right
picture.
"""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

from tripleguard.catalog.offsite import StoredObject
from tripleguard.errors import PlaceError, SettingsError, UsageError
from tripleguard.home import (
    Home,
    delete_scratch,
    find_scratch,
    open_new_scratch,
    prepare_scratch_path,
    write_scratch,
)
from tripleguard.jobs.offsite.upload_item import UploadSource, hash_source
from tripleguard.model import File, Medium
from tripleguard.names import escape_text
from tripleguard.places.base import CopyReader, Readable
from tripleguard.places.cache_bypass import allocate_aligned

AGE = "age"
AGE_SUFFIX = ".age"


class Encryptor:
    """Seals for these recipients; with none it hands everything on as it is. how: 'age' or ''."""

    def __init__(self, home: Home, recipients: Sequence[str]) -> None:
        self.method = AGE if recipients else ""
        self._home = home
        self._recipients = tuple(recipients)

    def encrypt(self, plain: UploadSource) -> UploadSource:
        """Return the source to send instead, which takes the plain one's place. Raises OSError, WrongSettings."""
        if not self.method:
            return plain
        try:
            return self._find_existing(plain) or self._encrypt_anew(plain)
        finally:
            plain.close()

    def _find_existing(self, plain: UploadSource) -> UploadSource | None:
        """Return what an earlier run sealed of it, if that is as it was then; None: it has to be sealed anew."""
        path, noted = (find_scratch(self._home, name) for name in self._get_scratch_names(plain.file))
        if path is None or noted is None:
            return None
        source = _hash_encrypted(path, plain)
        if source.file.digest.hex().encode() == noted.read_bytes():
            return source
        source.close()
        return None

    def _encrypt_anew(self, plain: UploadSource) -> UploadSource:
        name, beside = self._get_scratch_names(plain.file)
        self.forget(plain.file)
        with open_new_scratch(self._home, name) as target:
            os.lseek(plain.descriptor, 0, os.SEEK_SET)
            with os.fdopen(plain.descriptor, "rb", closefd=False) as opened:
                encrypt_stream(opened, target, self._recipients)
        path = find_scratch(self._home, name)
        assert path is not None
        source = _hash_encrypted(path, plain)
        # Nobody here can open it, so only this tells later whether it is what was sealed.
        write_scratch(prepare_scratch_path(self._home, beside), [memoryview(source.file.digest.hex().encode())])
        return source

    def forget(self, file: File) -> None:
        """What was sealed of this file was sent."""
        for name in self._get_scratch_names(file) if self.method else ():
            path = find_scratch(self._home, name)
            if path is not None:
                delete_scratch(path)

    def _get_scratch_names(self, file: File) -> tuple[str, str]:
        """Of what was sealed, and of its digest."""
        from blake3 import blake3

        # For other recipients it is another parcel.
        for_whom = blake3("\n".join(self._recipients).encode()).hexdigest(length=4)
        name = f"sealed-{file.digest.hex()}-{for_whom}{AGE_SUFFIX}"
        return name, f"{name}.b3"


def _hash_encrypted(path: Path, plain: UploadSource) -> UploadSource:
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
    return hash_source(descriptor, plain.mtime_ns, path.stat().st_size, lambda: False)


def encrypt_bytes(content: bytes, recipients: Sequence[str]) -> bytes:
    """Something small, sealed. Raises PlaceError, WrongSettings."""
    age = import_age()
    found: bytes = age.encrypt(content, _parse_recipients(recipients))
    return found


def encrypt_stream(source: object, target: object, recipients: Sequence[str]) -> None:
    """Seal one open file into another. Raises PlaceError, WrongSettings, OSError."""
    import_age().encrypt_io(source, target, _parse_recipients(recipients))


def build_object_key(path: str, encryption: str) -> str:
    """Return the key of a file whose name says how it is sealed."""
    return f"{path}{AGE_SUFFIX}" if encryption else path


def is_encrypted(stored: StoredObject | None) -> bool:
    """Return whether what lies there has to be opened with a key before it is the picture."""
    return stored is not None and bool(stored.encryption)


def import_age() -> Any:
    """Return the library, which has no types. Raises PlaceError where it is not installed."""
    try:
        import pyrage
    except ImportError as error:
        raise PlaceError(
            "What seals files and opens them is not installed.",
            safe="Nothing was sent: nothing goes unsealed while the settings name recipients.",
            do="Install it: pip install 'tripleguard[seal]', or empty offsite.seal_for in the settings.",
        ) from error
    return pyrage


def _parse_recipients(recipients: Sequence[str]) -> list[Any]:
    age = import_age()
    try:
        return [age.x25519.Recipient.from_str(text.strip()) for text in recipients]
    except age.RecipientError as error:
        raise SettingsError(
            f"offsite.seal_for in the settings holds something that is no age recipient ({error}).",
            safe="Nothing was sent.",
            do="A recipient begins with age1; it is the public half of a key. See docs/offsite.md.",
        ) from error


_DECRYPTED_PREFIX = "opened"
_MAX_KEY_FILE_BYTES = 64 * 1024
_CHUNK_BYTES = 1024 * 1024
_HEAD_BYTES = 64 * 1024


class DecryptionKey:
    """Identities that open what was sealed for them; home: whose scratch folder is used. Never shown."""

    def __init__(self, home: Home, identities: list[Any]) -> None:
        self._home = home
        self._identities = identities

    def can_decrypt(self, encrypted: CopyReader) -> bool:
        """Return whether this was sealed for the key, by its beginning; the reading is closed. Raises OSError."""
        age = import_age()
        with contextlib.closing(encrypted):
            beginning = _ReadingAsFile(encrypted, _HEAD_BYTES)
            try:
                age.decrypt_io(beginning, _NullWriter(), self._identities)
            except age.DecryptError:
                return False
            except OSError:
                # The beginning of something larger ends too soon, and that is all that is wrong.
                return True
            return True

    def decrypt(self, encrypted: CopyReader) -> CopyReader:
        """What is sealed in a reading, as a reading of its own; the sealed one is closed. Raises OSError."""
        name = f"{_DECRYPTED_PREFIX}-{os.getpid()}-{secrets.token_hex(8)}"
        age = import_age()
        try:
            with open_new_scratch(self._home, name) as target:
                age.decrypt_io(_ReadingAsFile(encrypted), target, self._identities)
        except age.DecryptError as error:
            delete_scratch(prepare_scratch_path(self._home, f"{name}.part"))
            raise OSError(5, f"the key does not open it ({error})") from error
        except BaseException:
            delete_scratch(prepare_scratch_path(self._home, f"{name}.part"))
            raise
        finally:
            encrypted.close()
        return _DecryptedReading(self._home.scratch / name)


@dataclass(frozen=True, slots=True)
class DecryptingPlace:
    """A place whose sealed objects are read as what is in them. Others are read as they are.

    keys: by the name of what is in it, the key of a sealed object.
    """

    place: Readable
    key: DecryptionKey
    object_keys: Mapping[str, str]

    def open_reader(self, path: str) -> CopyReader:
        path = self.object_keys.get(path, path)
        reading = self.place.open_reader(path)
        return self.key.decrypt(reading) if path.endswith(AGE_SUFFIX) else reading

    def is_connected(self) -> bool:
        return self.place.is_connected()


def read_key_file(home: Home, path: Path) -> DecryptionKey:
    """The private keys in a file as programs for age write it: one a line, # for remarks. Raises WrongUse."""
    age = import_age()
    _delete_leftovers(home)
    try:
        with path.open("rb") as file:
            content = file.read(_MAX_KEY_FILE_BYTES)
        lines = [line.strip() for line in content.decode("ascii").splitlines()]
        identities = [age.x25519.Identity.from_str(line) for line in lines if line and not line.startswith("#")]
    except OSError as error:
        raise _build_key_error(path, error.strerror or "it can't be read") from error
    except (UnicodeDecodeError, age.IdentityError):
        # What it holds, and what the library says of it, belongs in no message and no trace.
        raise _build_key_error(path, "a line of it is no private key of age") from None
    if not identities:
        raise _build_key_error(path, "there is no key in it")
    return DecryptionKey(home, identities)


def _delete_leftovers(home: Home) -> None:
    """Remove what a killed command had opened: it was sealed for a reason."""
    import psutil

    for left in home.scratch.glob(f"{_DECRYPTED_PREFIX}-*"):
        number = left.name.split("-")[1]
        if number.isdecimal() and not psutil.pid_exists(int(number)):
            delete_scratch(left)


class _ReadingAsFile:
    """A reading as the library wants a file. It asks for little at a time, and each request costs a round trip.

    most: bytes after which it ends.
    """

    def __init__(self, reading: CopyReader, max_bytes: int | None = None) -> None:
        self._reading = reading
        self._buffer = allocate_aligned(_CHUNK_BYTES if max_bytes is None else max_bytes)
        self._left = b""
        self._once = max_bytes is not None

    def read(self, size: int = -1) -> bytes:
        if not self._left:
            count = self._reading.readinto(self._buffer) if self._buffer else 0
            self._left = bytes(self._buffer[:count])
            if self._once:
                self._buffer = self._buffer[:0]
        length = size if size and size > 0 else len(self._left)
        piece, self._left = self._left[:length], self._left[length:]
        return piece


class _NullWriter:
    """Takes what is written and keeps nothing."""

    def write(self, content: bytes) -> int:
        return len(content)

    def flush(self) -> None:
        """There is nothing to flush."""


class _DecryptedReading:
    """What was sealed, in a passing file. Its medium is the place that it came from."""

    medium = Medium.DIRECT

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file: BinaryIO = path.open("rb")

    def readinto(self, buffer: memoryview) -> int:
        return self._file.readinto(buffer)  # type: ignore[attr-defined, no-any-return]

    def close(self) -> None:
        self._file.close()
        delete_scratch(self._path)


def _build_key_error(path: Path, reason: str) -> UsageError:
    return UsageError(
        f"{escape_text(str(path))} gives no key: {reason}.",
        safe="Nothing was changed.",
        do="Give the file that holds the line AGE-SECRET-KEY-1..., as your program for age wrote it.",
    )
