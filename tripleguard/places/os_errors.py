"""Translate operating system errors on a drive into errors that a person can act on."""

from __future__ import annotations

import errno
import os

from tripleguard.errors import NoSpaceError, PlaceFailedError

_DAMAGED_ERRNOS = {getattr(errno, name) for name in ("EBADMSG", "EUCLEAN") if hasattr(errno, name)}
"""What Linux says where a file system's own tables do not fit their checksums or each other."""

_FULL_ERRNOS = {errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC), errno.EFBIG}


class os_errors_explained:  # noqa: N801 - reads as a word of the with statement
    """Turns what the system says of a drive into what a person can act on."""

    def __init__(self, place_name: str, action: str) -> None:
        self._place_name = place_name
        self._action = action

    def __enter__(self) -> None:
        return None

    def __exit__(self, _kind: object, error: BaseException | None, _trace: object) -> None:
        if not isinstance(error, OSError):
            return
        reason = os.strerror(error.errno) if error.errno else str(error)
        if error.errno in _FULL_ERRNOS:
            raise NoSpaceError(
                f"{self._place_name} is full ({self._action}: {reason}).",
                safe="Copies that were finished stay; the unfinished one has no name.",
                do="Use another drive, then run `tripleguard topup`.",
            ) from error
        if error.errno == errno.EROFS:
            raise PlaceFailedError(
                f"{self._place_name} is read-only ({self._action}).",
                safe="Nothing on it was changed.",
                do="Check its lock switch and its file system, then connect it again.",
            ) from error
        if isinstance(error, PermissionError):
            raise PlaceFailedError(
                f"{self._place_name}: you may not do that ({self._action}: {reason}).",
                safe="Nothing was done with what stands there, and the drive is not at fault.",
                do="Look who owns it and what is allowed there, then run the command again.",
            ) from error
        if error.errno in _DAMAGED_ERRNOS:
            raise PlaceFailedError(
                f"{self._place_name}: its file system is damaged ({self._action}: {reason}).",
                safe="Nothing was done with what stands there.",
                do="Unmount it and check its file system (fsck), then run the command again.",
            ) from error
        raise PlaceFailedError(
            f"{self._place_name} stopped answering ({self._action}: {reason}).",
            safe="Copies that were verified before are in the catalog.",
            do="Check the cable, connect it again, then run `tripleguard topup`.",
        ) from error
