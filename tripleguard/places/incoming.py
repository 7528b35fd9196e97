"""One unfinished copy on a drive: written past the cache where that is possible, flushed, and then named.

The file is made, named and removed by `storing`; here its bytes go through the descriptor that `storing` opened.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys

from tripleguard.errors import CopyTrouble, PlaceFailed
from tripleguard.model import Entry
from tripleguard.names import shown
from tripleguard.places.media import BLOCK, flush_to_medium
from tripleguard.places.storing import Storing
from tripleguard.places.telling import told

_KEPT_NAME = 200  # bytes
_O_DIRECT: int = getattr(os, "O_DIRECT", 0)


class DriveIncoming:
    """One unfinished copy on a drive; see `base.Incoming`. Making one raises NoRoom, PlaceFailed."""

    def __init__(self, storing: Storing) -> None:
        self._storing = storing
        self._path = storing.new_incoming()
        self._size = 0
        self._direct = False
        self._flushed = False
        self._fd = -1
        with told(storing.place, "starting a copy"):
            self._fd = self._create()

    @property
    def path(self) -> str:
        """Where the unfinished copy lies."""
        return self._path

    def write(self, buffer: memoryview) -> None:
        if self._flushed:
            raise AssertionError("a flushed copy is never written to")
        with told(self._storing.place, "writing a copy"):
            whole = len(buffer) - len(buffer) % BLOCK if self._direct and self._size % BLOCK == 0 else 0
            if whole:
                self._write_all(buffer[:whole])
            if whole < len(buffer):
                self._leave_direct()
                self._write_all(buffer[whole:])

    def flush(self, mtime_ns: int) -> None:
        with told(self._storing.place, "flushing a copy"):
            self._set_time(mtime_ns)
            # A failed flush is never repeated: the kernel may have dropped the pages and would say yes.
            flush_to_medium(self._fd)
            status = os.fstat(self._fd)
        if status.st_size != self._size:
            raise PlaceFailed(
                f"{self._storing.place}: a copy of {self._size} bytes came out as {status.st_size}.",
                safe="It was not given a name.",
                do="Check the drive's cable and its file system.",
            )
        self._flushed = True

    def publish(self, path: str) -> Entry:
        if not self._flushed:
            raise AssertionError("only a flushed copy may be named")
        with told(self._storing.place, "closing a copy"):
            self._close()
        self._storing.publish(self._path, path)
        with told(self._storing.place, f"looking at {shown(path)}"):
            entry = self._storing.folder.look(path)
        if entry is None or entry.size != self._size:
            raise PlaceFailed(
                f"{self._storing.place}: {shown(path)} is not there after it was named.",
                safe="The card's file is untouched.",
                do="Check the drive, then run the command again.",
            )
        return entry

    def discard(self) -> None:
        # A driver that has died says so at every close as well; there is nothing left to lose here.
        with contextlib.suppress(OSError):
            self._close()
        self._storing.unlink_incoming(self._path)

    def keep(self, name: str, why: str) -> None:
        with contextlib.suppress(OSError):
            self._close()
        if self._size == 0:
            self.discard()
            return
        with contextlib.suppress(CopyTrouble):
            # Its end tells more than its beginning, and with `.part` it must still fit.
            while len(os.fsencode(name)) > _KEPT_NAME:
                name = name[1:]
            self._storing.set_aside(self._path, why, f"{name}.part")

    def _create(self) -> int:
        if _O_DIRECT:
            try:
                descriptor = self._storing.open_incoming(self._path, _O_DIRECT)
            except OSError as error:
                if error.errno != errno.EINVAL:
                    raise
                # Some kernels make the file before they refuse the flag.
                self._storing.unlink_incoming(self._path)
            else:
                self._direct = True
                return descriptor
        descriptor = self._storing.open_incoming(self._path)
        if sys.platform == "darwin":
            import fcntl

            fcntl.fcntl(descriptor, fcntl.F_NOCACHE, 1)
        return descriptor

    def _write_all(self, view: memoryview) -> None:
        while view:
            try:
                count = os.write(self._fd, view)
            except OSError as error:
                if error.errno != errno.EINVAL or not self._direct:
                    raise
                self._leave_direct()
                continue
            self._size += count
            view = view[count:]
            if self._direct and count % BLOCK:
                self._leave_direct()

    def _leave_direct(self) -> None:
        if self._direct and sys.platform != "win32":
            import fcntl

            flags = fcntl.fcntl(self._fd, fcntl.F_GETFL)
            fcntl.fcntl(self._fd, fcntl.F_SETFL, flags & ~_O_DIRECT)
            self._direct = False

    def _set_time(self, mtime_ns: int) -> None:
        target: int | str = self._fd
        if os.utime not in os.supports_fd:
            target = self._storing.folder.where(self._path)
        try:
            os.utime(target, ns=(mtime_ns, mtime_ns))
        except OSError as error:
            if error.errno not in (errno.EPERM, errno.ENOSYS, errno.ENOTSUP, errno.EINVAL, errno.ERANGE):
                raise

    def _close(self) -> None:
        descriptor, self._fd = self._fd, -1
        if descriptor >= 0:
            os.close(descriptor)
