"""Encrypt files for recipients whose keys the person keeps, and decrypt them with a key given for one command.

The format is age (age-encryption.org/v1), which other programs read. Encrypting needs no private key, and none is
stored. An encrypted file is made once in the home's scratch folder and kept there until it is sent: encrypting
again would give other bytes, and an upload could not be resumed. For reading, an object is decrypted into the
scratch folder and deleted when the reading is closed; its digest proves that it is the right picture.
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
    """Encrypts for these recipients; without any it passes sources on unchanged. method: 'age' or ''."""

    def __init__(self, home: Home, recipients: Sequence[str]) -> None:
        self.method = AGE if recipients else ""
        self._home = home
        self._recipients = tuple(recipients)

    def encrypt(self, plain: UploadSource) -> UploadSource:
        """Return the encrypted source, which replaces the plain one. Raises OSError, SettingsError."""
        if not self.method:
            return plain
        try:
            return self._find_existing(plain) or self._encrypt_anew(plain)
        finally:
            plain.close()

    def _find_existing(self, plain: UploadSource) -> UploadSource | None:
        """Return the encrypted file of an earlier run if it is unchanged; else None."""
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
        # Nobody here can decrypt it, so only its digest shows later that it is unchanged.
        write_scratch(prepare_scratch_path(self._home, beside), [memoryview(source.file.digest.hex().encode())])
        return source

    def forget(self, file: File) -> None:
        """Delete the encrypted file, which was sent."""
        for name in self._get_scratch_names(file) if self.method else ():
            path = find_scratch(self._home, name)
            if path is not None:
                delete_scratch(path)

    def _get_scratch_names(self, file: File) -> tuple[str, str]:
        """Return the names of the encrypted file and of its digest file."""
        from blake3 import blake3

        # Other recipients make another encrypted file.
        for_whom = blake3("\n".join(self._recipients).encode()).hexdigest(length=4)
        name = f"sealed-{file.digest.hex()}-{for_whom}{AGE_SUFFIX}"
        return name, f"{name}.b3"


def _hash_encrypted(path: Path, plain: UploadSource) -> UploadSource:
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
    return hash_source(descriptor, plain.mtime_ns, path.stat().st_size, lambda: False)


def encrypt_bytes(content: bytes, recipients: Sequence[str]) -> bytes:
    """Encrypt a small content. Raises PlaceError, SettingsError."""
    age = import_age()
    found: bytes = age.encrypt(content, _parse_recipients(recipients))
    return found


def encrypt_stream(source: object, target: object, recipients: Sequence[str]) -> None:
    """Encrypt one open file into another. Raises PlaceError, SettingsError, OSError."""
    import_age().encrypt_io(source, target, _parse_recipients(recipients))


def build_object_key(path: str, encryption: str) -> str:
    """Return the key of a file; its suffix shows how it is encrypted."""
    return f"{path}{AGE_SUFFIX}" if encryption else path


def is_encrypted(stored: StoredObject | None) -> bool:
    """Return whether the object must be decrypted with a key."""
    return stored is not None and bool(stored.encryption)


def import_age() -> Any:
    """Return the age library, which has no types. Raises PlaceError if it is not installed."""
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
    """Identities that decrypt what was encrypted for them, using home's scratch folder. Never displayed."""

    def __init__(self, home: Home, identities: list[Any]) -> None:
        self._home = home
        self._identities = identities

    def can_decrypt(self, encrypted: CopyReader) -> bool:
        """Return whether this was encrypted for the key, by its header; closes the reading. Raises OSError."""
        age = import_age()
        with contextlib.closing(encrypted):
            beginning = _ReadingAsFile(encrypted, _HEAD_BYTES)
            try:
                age.decrypt_io(beginning, _NullWriter(), self._identities)
            except age.DecryptError:
                return False
            except OSError:
                # Only the header was read, so a truncated body is no error.
                return True
            return True

    def decrypt(self, encrypted: CopyReader) -> CopyReader:
        """Decrypt a reading into a reading of its own; closes the encrypted one. Raises OSError."""
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
    """A place whose encrypted objects are decrypted for reading; others are read as they are.

    object_keys: the key of an encrypted object, by its content's name.
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
    """Read the private keys in an age identity file: one per line, # for comments. Raises UsageError."""
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
        # Never show the file's content, or the library's message about it, in a message or a traceback.
        raise _build_key_error(path, "a line of it is no private key of age") from None
    if not identities:
        raise _build_key_error(path, "there is no key in it")
    return DecryptionKey(home, identities)


def _delete_leftovers(home: Home) -> None:
    """Delete what an interrupted command had decrypted."""
    import psutil

    for left in home.scratch.glob(f"{_DECRYPTED_PREFIX}-*"):
        number = left.name.split("-")[1]
        if number.isdecimal() and not psutil.pid_exists(int(number)):
            delete_scratch(left)


class _ReadingAsFile:
    """Wraps a reading as the file object that the library wants; buffers its small reads, as requests are slow.

    max_bytes: bytes after which it ends.
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
    """A writer that discards its input."""

    def write(self, content: bytes) -> int:
        return len(content)

    def flush(self) -> None:
        """Do nothing."""


class _DecryptedReading:
    """The decrypted content in a temporary file; its medium is that of the place it came from."""

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
