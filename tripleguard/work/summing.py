"""Several sums over the same bytes at once: each in a thread of its own, so that the slowest sets the pace."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor, wait
from types import TracebackType

from tripleguard.digest import Sum

_WORTH_A_THREAD = 256 * 1024
"""Bytes below which handing a piece over costs more than summing it."""


class Summing:
    """The threads for one stream of files, one file after the other."""

    def __init__(self) -> None:
        self._threads = ThreadPoolExecutor(max_workers=3, thread_name_prefix="sum")

    def __enter__(self) -> Summing:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the threads."""
        self._threads.shutdown()

    def update(
        self, sums: Mapping[str, Sum], piece: memoryview, beside: Callable[[memoryview], None] | None = None
    ) -> None:
        """Give a piece to every sum; when this returns none of them looks at the piece any more.

        beside: what else is done with the piece, meanwhile and in this thread. Raises what that raises.
        """
        if len(piece) < _WORTH_A_THREAD:
            for one in sums.values():
                one.update(piece)
            if beside is not None:
                beside(piece)
            return
        first, *others = sums.values()
        under_way = [
            self._threads.submit(one.update, piece) for one in (others if beside is None else sums.values())
        ]
        try:
            if beside is None:
                first.update(piece)
            else:
                beside(piece)
        finally:
            wait(under_way)
        for done in under_way:
            done.result()
