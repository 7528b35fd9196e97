"""What a drive's operating system says, told so that a person can act on it."""

from __future__ import annotations

import errno
import os

from tripleguard.errors import NoRoom, PlaceFailed

_DAMAGED = {getattr(errno, name) for name in ("EBADMSG", "EUCLEAN") if hasattr(errno, name)}
"""What Linux says where a file system's own tables do not fit their checksums or each other."""

_FULL = {errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC), errno.EFBIG}


class told:  # noqa: N801 - reads as a word of the with statement
    """Turns what the system says of a drive into what a person can act on."""

    def __init__(self, place: str, doing: str) -> None:
        self._place = place
        self._doing = doing

    def __enter__(self) -> None:
        return None

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        if not isinstance(error, OSError):
            return
        reason = os.strerror(error.errno) if error.errno else str(error)
        if error.errno in _FULL:
            raise NoRoom(
                f"{self._place} is full ({self._doing}: {reason}).",
                safe="Copies that were finished stay; the unfinished one has no name.",
                do="Use another drive, then run `tripleguard topup`.",
            ) from error
        if error.errno == errno.EROFS:
            raise PlaceFailed(
                f"{self._place} is read-only ({self._doing}).",
                safe="Nothing on it was changed.",
                do="Check its lock switch and its file system, then connect it again.",
            ) from error
        if isinstance(error, PermissionError):
            raise PlaceFailed(
                f"{self._place}: you may not do that ({self._doing}: {reason}).",
                safe="Nothing was done with what stands there, and the drive is not at fault.",
                do="Look who owns it and what is allowed there, then run the command again.",
            ) from error
        if error.errno in _DAMAGED:
            raise PlaceFailed(
                f"{self._place}: its file system is damaged ({self._doing}: {reason}).",
                safe="Nothing was done with what stands there.",
                do="Unmount it and check its file system (fsck), then run the command again.",
            ) from error
        raise PlaceFailed(
            f"{self._place} stopped answering ({self._doing}: {reason}).",
            safe="Copies that were verified before are in the catalog.",
            do="Check the cable, connect it again, then run `tripleguard topup`.",
        ) from error
