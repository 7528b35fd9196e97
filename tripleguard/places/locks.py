"""One job on a drive at a time, across processes and homes.

The lock is the operating system's own on `.tripleguard/lock`, so it ends with the process that held it, however
that ended. Who holds it is written into the file, so that the next one can say so.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import time
from collections.abc import Callable, Iterator

import msgspec

from tripleguard.errors import PlaceBusy
from tripleguard.places.telling import told

_NOTE_BYTES = 512
_LOOKS = 10
_MOMENT = 0.05
_LOCKED_BYTE = 1 << 30  # Windows locks bytes, and readers of the note must not meet the locked one


class Holder(msgspec.Struct, frozen=True):
    """Who holds a place: process, machine, what it does, since when."""

    pid: int
    host: str
    doing: str
    since: str


@contextlib.contextmanager
def held(place: str, opened: Callable[[], int], holder: Holder) -> Iterator[None]:
    """Hold a place's lock until the end of the block. place is for messages.

    opened gives a read-write descriptor on the lock file. Raises PlaceBusy naming the holder, PlaceFailed.
    """
    descriptor = opened()
    try:
        with told(place, "locking it"):
            taken = _taken(descriptor)
        if not taken:
            raise _busy(place, _noted(descriptor))
        # On a full drive the note has no room; the lock holds without it.
        with contextlib.suppress(OSError):
            _note(descriptor, holder)
        yield
    finally:
        # A drive that was pulled says so at the close as well; its lock has gone with it.
        with contextlib.suppress(OSError):
            os.close(descriptor)


@contextlib.contextmanager
def asked(opened: Callable[[], int]) -> Iterator[None]:
    """Ask for something until the end of the block; many may ask at once. opened as in `held`.

    Where asking is not possible, the block runs all the same: who is asked will not know.
    """
    descriptor = opened()
    try:
        with contextlib.suppress(OSError):
            # Whoever looks if somebody asks holds it for an instant.
            for _ in range(_LOOKS):
                if _taken(descriptor, shared=True):
                    break
                time.sleep(_MOMENT)
        yield
    finally:
        os.close(descriptor)


def holder_of(opened: Callable[[], int]) -> Holder | None:
    """Who holds or asks for the lock now: its note, or one without a name; None if nobody does. Raises OSError."""
    descriptor = opened()
    try:
        if _taken(descriptor):
            return None
        return _noted(descriptor) or Holder(0, "", "another tripleguard", "")
    finally:
        os.close(descriptor)


def is_taken(opened: Callable[[], int]) -> bool:
    """Whether somebody holds the lock or asks for it now. Raises OSError."""
    descriptor = opened()
    try:
        return not _taken(descriptor)
    finally:
        os.close(descriptor)


def _taken(descriptor: int, *, shared: bool = False) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(descriptor, _LOCKED_BYTE, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(descriptor, (fcntl.LOCK_SH if shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno not in (errno.EAGAIN, errno.EACCES, errno.EDEADLK):
            raise
        return False
    return True


def _note(descriptor: int, holder: Holder) -> None:
    os.lseek(descriptor, 0, os.SEEK_SET)
    os.write(descriptor, msgspec.json.encode(holder)[: _NOTE_BYTES - 1].ljust(_NOTE_BYTES - 1) + b"\n")


def _noted(descriptor: int) -> Holder | None:
    """Who the note says holds the place. One who has only just taken it is given a moment to write it."""
    for _ in range(_LOOKS):
        time.sleep(_MOMENT)
        try:
            os.lseek(descriptor, 0, os.SEEK_SET)
            return msgspec.json.decode(os.read(descriptor, _NOTE_BYTES), type=Holder)
        except (msgspec.MsgspecError, OSError):
            continue
    return None


def _busy(place: str, holder: Holder | None) -> PlaceBusy:
    who = (
        f"{holder.doing} (process {holder.pid} on {holder.host}, since {holder.since})"
        if holder
        else "another tripleguard"
    )
    return PlaceBusy(
        f"{place} is in use by {who}.",
        safe="Nothing was changed.",
        do="Wait until that one has finished, then run the command again.",
    )
