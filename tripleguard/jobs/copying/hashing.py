"""Hash a stream with several digests in parallel, and check a copy against its recorded content."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor, wait
from types import TracebackType

from tripleguard.catalog.rows import KnownFile
from tripleguard.digest import RunningChecksum
from tripleguard.errors import CopyError
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.stored_content import file_at
from tripleguard.model import Copy

_MIN_PARALLEL_BYTES = 256 * 1024
"""Below this many bytes, passing a piece to a thread costs more than hashing it."""


class ParallelHasher:
    """The threads for one stream of files, one file after another."""

    def __init__(self) -> None:
        self._threads = ThreadPoolExecutor(max_workers=3, thread_name_prefix="sum")

    def __enter__(self) -> ParallelHasher:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the threads."""
        self._threads.shutdown()

    def update(
        self,
        hashes: Mapping[str, RunningChecksum],
        piece: memoryview,
        also: Callable[[memoryview], None] | None = None,
    ) -> None:
        """Update every hash with a piece; none of them uses the piece after this returns.

        Args:
            also: Called with the piece in this thread meanwhile; its errors are raised.
        """
        if len(piece) < _MIN_PARALLEL_BYTES:
            for one in hashes.values():
                one.update(piece)
            if also is not None:
                also(piece)
            return
        first, *others = hashes.values()
        under_way = [
            self._threads.submit(one.update, piece) for one in (others if also is None else hashes.values())
        ]
        try:
            if also is None:
                first.update(piece)
            else:
                also(piece)
        finally:
            wait(under_way)
        for done in under_way:
            done.result()


def has_recorded_content(drive: OpenDrive, copy: Copy, known: KnownFile) -> bool:
    """Return whether the copy holds this file now; False if it can't be read."""
    try:
        return file_at(drive, copy.path, most=known.file.size) == known.file
    except (OSError, CopyError):
        return False
