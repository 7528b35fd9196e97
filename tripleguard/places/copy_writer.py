"""Write one copy to a drive: past the cache where that is possible, flush it, then publish it under its name.

`place_writer` creates, names and removes the file; this module writes its bytes through the descriptor that
`place_writer` opened.
"""

from __future__ import annotations

import contextlib
import errno
import os
import sys

from tripleguard.errors import CopyError, PlaceFailedError
from tripleguard.model import Entry
from tripleguard.names import escape_text
from tripleguard.places.cache_bypass import BLOCK_BYTES, flush_to_medium
from tripleguard.places.os_errors import os_errors_explained
from tripleguard.places.place_writer import PlaceWriter

_MAX_NAME_BYTES = 200  # bytes
_O_DIRECT: int = getattr(os, "O_DIRECT", 0)


class DriveCopyWriter:
    """One unfinished copy on a drive; a `base.CopyWriter`. Creating it raises NoSpaceError, PlaceFailedError."""

    def __init__(self, writer: PlaceWriter) -> None:
        self._writer = writer
        self._path = writer.new_incoming_path()
        self._size = 0
        self._is_direct = False
        self._is_flushed = False
        self._fd = -1
        with os_errors_explained(writer.place_name, "starting a copy"):
            self._fd = self._create()

    @property
    def path(self) -> str:
        """Return the path of the unfinished copy."""
        return self._path

    def write(self, buffer: memoryview) -> None:
        if self._is_flushed:
            raise AssertionError("a flushed copy is never written to")
        with os_errors_explained(self._writer.place_name, "writing a copy"):
            whole = (
                len(buffer) - len(buffer) % BLOCK_BYTES if self._is_direct and self._size % BLOCK_BYTES == 0 else 0
            )
            if whole:
                self._write_all(buffer[:whole])
            if whole < len(buffer):
                self._disable_direct()
                self._write_all(buffer[whole:])

    def flush(self, mtime_ns: int) -> None:
        with os_errors_explained(self._writer.place_name, "flushing a copy"):
            self._set_time(mtime_ns)
            # Never repeat a failed flush: the kernel may have dropped the pages, and would then report success.
            flush_to_medium(self._fd)
            status = os.fstat(self._fd)
        if status.st_size != self._size:
            raise PlaceFailedError(
                f"{self._writer.place_name}: a copy of {self._size} bytes came out as {status.st_size}.",
                safe="It was not given a name.",
                do="Check the drive's cable and its file system.",
            )
        self._is_flushed = True

    def publish(self, path: str) -> Entry:
        if not self._is_flushed:
            raise AssertionError("only a flushed copy may be named")
        with os_errors_explained(self._writer.place_name, "closing a copy"):
            self._close()
        self._writer.publish(self._path, path)
        with os_errors_explained(self._writer.place_name, f"looking at {escape_text(path)}"):
            entry = self._writer.dir_handle.stat(path)
        if entry is None or entry.size != self._size:
            raise PlaceFailedError(
                f"{self._writer.place_name}: {escape_text(path)} is not there after it was named.",
                safe="The card's file is untouched.",
                do="Check the drive, then run the command again.",
            )
        return entry

    def discard(self) -> None:
        # A failed driver fails at every close too; there is nothing left to lose.
        with contextlib.suppress(OSError):
            self._close()
        self._writer.delete_incoming(self._path)

    def quarantine_partial(self, name: str, reason: str) -> None:
        with contextlib.suppress(OSError):
            self._close()
        if self._size == 0:
            self.discard()
            return
        with contextlib.suppress(CopyError):
            # Trim the front of the name: the end (number, extension) identifies it, and `.part` must fit.
            while len(os.fsencode(name)) > _MAX_NAME_BYTES:
                name = name[1:]
            self._writer.quarantine(self._path, reason, f"{name}.part")

    def _create(self) -> int:
        if _O_DIRECT:
            try:
                descriptor = self._writer.open_incoming(self._path, _O_DIRECT)
            except OSError as error:
                if error.errno != errno.EINVAL:
                    raise
                # Some kernels create the file before they reject the flag.
                self._writer.delete_incoming(self._path)
            else:
                self._is_direct = True
                return descriptor
        descriptor = self._writer.open_incoming(self._path)
        if sys.platform == "darwin":
            import fcntl

            fcntl.fcntl(descriptor, fcntl.F_NOCACHE, 1)
        return descriptor

    def _write_all(self, view: memoryview) -> None:
        while view:
            try:
                count = os.write(self._fd, view)
            except OSError as error:
                if error.errno != errno.EINVAL or not self._is_direct:
                    raise
                self._disable_direct()
                continue
            self._size += count
            view = view[count:]
            if self._is_direct and count % BLOCK_BYTES:
                self._disable_direct()

    def _disable_direct(self) -> None:
        if self._is_direct and sys.platform != "win32":
            import fcntl

            flags = fcntl.fcntl(self._fd, fcntl.F_GETFL)
            fcntl.fcntl(self._fd, fcntl.F_SETFL, flags & ~_O_DIRECT)
            self._is_direct = False

    def _set_time(self, mtime_ns: int) -> None:
        target: int | str = self._fd
        if os.utime not in os.supports_fd:
            target = self._writer.dir_handle.syscall_path(self._path)
        try:
            os.utime(target, ns=(mtime_ns, mtime_ns))
        except OSError as error:
            if error.errno not in (errno.EPERM, errno.ENOSYS, errno.ENOTSUP, errno.EINVAL, errno.ERANGE):
                raise

    def _close(self) -> None:
        descriptor, self._fd = self._fd, -1
        if descriptor >= 0:
            os.close(descriptor)
