"""Hash streams with several digests in parallel, and check a copy against its recorded content."""

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
"""Bytes below which handing a piece over costs more than summing it."""


class ParallelHasher:
    """The threads for one stream of files, one file after the other."""

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
        """Give a piece to every sum; when this returns none of them looks at the piece any more.

        beside: what else is done with the piece, meanwhile and in this thread. Raises what that raises.
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
    """Whether the copy at its path holds this file now. What can't be read does not."""
    try:
        return file_at(drive, copy.path, most=known.file.size) == known.file
    except (OSError, CopyError):
        return False
