"""The lock on a place: one job on a drive at a time, across processes and homes.

It is the operating system's lock on `.tripleguard/lock`, so it ends with the process that holds it, however that
ends. The holder writes its identity into the file, for the messages of others.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys
import time
from collections.abc import Callable, Iterator

import msgspec

from tripleguard.errors import PlaceBusyError
from tripleguard.places.os_errors import os_errors_explained

_NOTE_BYTES = 512
_MAX_TRIES = 10
_RETRY_DELAY_S = 0.05
_LOCKED_BYTE = 1 << 30  # Windows locks byte ranges; this byte lies beyond the note, so that it stays readable


class LockHolder(msgspec.Struct, frozen=True):
    """The holder of a place's lock: process, machine, what it does, since when."""

    pid: int
    host: str
    doing: str
    since: str


@contextlib.contextmanager
def hold_lock(place_name: str, open_lock_file: Callable[[], int], holder: LockHolder) -> Iterator[None]:
    """Hold a place's lock until the end of the block.

    Args:
        place_name: For messages.
        open_lock_file: Returns a read-write descriptor of the lock file.

    Raises PlaceBusyError naming the holder, PlaceFailedError.
    """
    descriptor = open_lock_file()
    try:
        with os_errors_explained(place_name, "locking it"):
            taken = _try_lock(descriptor)
        if not taken:
            raise _busy_error(place_name, _read_note(descriptor))
        # A full drive may have no space for the note; the lock works without it.
        with contextlib.suppress(OSError):
            _write_note(descriptor, holder)
        yield
    finally:
        # An unplugged drive fails at the close too; its lock is gone with it.
        with contextlib.suppress(OSError):
            os.close(descriptor)


@contextlib.contextmanager
def request_lock(open_lock_file: Callable[[], int]) -> Iterator[None]:
    """Request a lock until the end of the block; several may request it at once.

    If a request is not possible, the block runs all the same, without the other job's knowledge.
    """
    descriptor = open_lock_file()
    try:
        with contextlib.suppress(OSError):
            # A process that checks for requests holds the lock for an instant.
            for _ in range(_MAX_TRIES):
                if _try_lock(descriptor, is_shared=True):
                    break
                time.sleep(_RETRY_DELAY_S)
        yield
    finally:
        os.close(descriptor)


def read_holder(open_lock_file: Callable[[], int]) -> LockHolder | None:
    """Return who holds or requests the lock, without a name if unknown; None if nobody. Raises OSError."""
    descriptor = open_lock_file()
    try:
        if _try_lock(descriptor):
            return None
        return _read_note(descriptor) or LockHolder(0, "", "another tripleguard", "")
    finally:
        os.close(descriptor)


def is_locked(open_lock_file: Callable[[], int]) -> bool:
    """Return whether someone holds or requests the lock now. Raises OSError."""
    descriptor = open_lock_file()
    try:
        return not _try_lock(descriptor)
    finally:
        os.close(descriptor)


def _try_lock(descriptor: int, *, is_shared: bool = False) -> bool:
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(descriptor, _LOCKED_BYTE, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(descriptor, (fcntl.LOCK_SH if is_shared else fcntl.LOCK_EX) | fcntl.LOCK_NB)
    except OSError as error:
        if error.errno not in (errno.EAGAIN, errno.EACCES, errno.EDEADLK):
            raise
        return False
    return True


def _write_note(descriptor: int, holder: LockHolder) -> None:
    os.lseek(descriptor, 0, os.SEEK_SET)
    os.write(descriptor, msgspec.json.encode(holder)[: _NOTE_BYTES - 1].ljust(_NOTE_BYTES - 1) + b"\n")


def _read_note(descriptor: int) -> LockHolder | None:
    """Return the holder in the note; wait a moment for one who is still writing it."""
    for _ in range(_MAX_TRIES):
        time.sleep(_RETRY_DELAY_S)
        try:
            os.lseek(descriptor, 0, os.SEEK_SET)
            return msgspec.json.decode(os.read(descriptor, _NOTE_BYTES), type=LockHolder)
        except (msgspec.MsgspecError, OSError):
            continue
    return None


def _busy_error(place_name: str, holder: LockHolder | None) -> PlaceBusyError:
    who = (
        f"{holder.doing} (process {holder.pid} on {holder.host}, since {holder.since})"
        if holder
        else "another tripleguard"
    )
    return PlaceBusyError(
        f"{place_name} is in use by {who}.",
        safe="Nothing was changed.",
        do="Wait until that one has finished, then run the command again.",
    )
