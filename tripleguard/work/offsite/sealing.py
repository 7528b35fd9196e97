"""Encrypting for the way and the stay offsite, for recipients whose keys the person keeps.

The format is age (age-encryption.org/v1), which other programs read. Sealing needs no private key, and none is
kept: what was sealed is opened only by a command that is given one (`opening`), and by nobody once it is lost. A
sealed file is made once in the home's scratch folder and kept there until it is sent: sealing it again would give
other bytes, and an upload could not be gone on with.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from tripleguard.catalog.offsite import Stored
from tripleguard.errors import PlaceTrouble, WrongSettings
from tripleguard.home import Home, forget_scratch, kept_scratch, new_scratch, scratch_file, write_scratch
from tripleguard.model import File
from tripleguard.work.offsite.parcels import Source, summed

HOW = "age"
ENDING = ".age"


class Sealer:
    """Seals for these recipients; with none it hands everything on as it is. how: 'age' or ''."""

    def __init__(self, home: Home, recipients: Sequence[str]) -> None:
        self.how = HOW if recipients else ""
        self._home = home
        self._recipients = tuple(recipients)

    def sealed(self, plain: Source) -> Source:
        """The source to send instead, which takes the plain one's place. Raises OSError, WrongSettings."""
        if not self.how:
            return plain
        try:
            return self._kept(plain) or self._fresh(plain)
        finally:
            plain.close()

    def _kept(self, plain: Source) -> Source | None:
        """What an earlier run sealed of it, if that is as it was then; None: it has to be sealed anew."""
        path, noted = (kept_scratch(self._home, name) for name in self._names(plain.file))
        if path is None or noted is None:
            return None
        source = _summed(path, plain)
        if source.file.digest.hex().encode() == noted.read_bytes():
            return source
        source.close()
        return None

    def _fresh(self, plain: Source) -> Source:
        name, beside = self._names(plain.file)
        self.forget(plain.file)
        with new_scratch(self._home, name) as target:
            os.lseek(plain.descriptor, 0, os.SEEK_SET)
            with os.fdopen(plain.descriptor, "rb", closefd=False) as opened:
                encrypt(opened, target, self._recipients)
        path = kept_scratch(self._home, name)
        assert path is not None
        source = _summed(path, plain)
        # Nobody here can open it, so only this tells later whether it is what was sealed.
        write_scratch(scratch_file(self._home, beside), [memoryview(source.file.digest.hex().encode())])
        return source

    def forget(self, file: File) -> None:
        """What was sealed of this file was sent."""
        for name in self._names(file) if self.how else ():
            path = kept_scratch(self._home, name)
            if path is not None:
                forget_scratch(path)

    def _names(self, file: File) -> tuple[str, str]:
        """Of what was sealed, and of its digest."""
        from blake3 import blake3

        # For other recipients it is another parcel.
        for_whom = blake3("\n".join(self._recipients).encode()).hexdigest(length=4)
        name = f"sealed-{file.digest.hex()}-{for_whom}{ENDING}"
        return name, f"{name}.b3"


def _summed(path: Path, plain: Source) -> Source:
    descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
    return summed(descriptor, plain.mtime_ns, path.stat().st_size, lambda: False)


def sealed_bytes(content: bytes, recipients: Sequence[str]) -> bytes:
    """Something small, sealed. Raises PlaceTrouble, WrongSettings."""
    age = age_library()
    found: bytes = age.encrypt(content, _keys(recipients))
    return found


def encrypt(source: object, target: object, recipients: Sequence[str]) -> None:
    """Seal one open file into another. Raises PlaceTrouble, WrongSettings, OSError."""
    age_library().encrypt_io(source, target, _keys(recipients))


def key_for(path: str, sealed: str) -> str:
    """The key of a file whose name says how it is sealed."""
    return f"{path}{ENDING}" if sealed else path


def is_sealed(stored: Stored | None) -> bool:
    """Whether what lies there has to be opened with a key before it is the picture."""
    return stored is not None and bool(stored.sealed)


def age_library() -> Any:
    """The library, which has no types. Raises PlaceTrouble where it is not installed."""
    try:
        import pyrage
    except ImportError as error:
        raise PlaceTrouble(
            "What seals files and opens them is not installed.",
            safe="Nothing was sent: nothing goes unsealed while the settings name recipients.",
            do="Install it: pip install 'tripleguard[seal]', or empty offsite.seal_for in the settings.",
        ) from error
    return pyrage


def _keys(recipients: Sequence[str]) -> list[Any]:
    age = age_library()
    try:
        return [age.x25519.Recipient.from_str(text.strip()) for text in recipients]
    except age.RecipientError as error:
        raise WrongSettings(
            f"offsite.seal_for in the settings holds something that is no age recipient ({error}).",
            safe="Nothing was sent.",
            do="A recipient begins with age1; it is the public half of a key. See docs/offsite.md.",
        ) from error
