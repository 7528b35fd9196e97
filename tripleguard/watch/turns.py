"""How often something was mounted anew at a place: a volume that left and came back between two looks.

The kernel uses the numbers of mounts and of devices again, so the one that is back looks like the one that left,
and nothing tells of what is written to it from then on; another card at the same place looks like the one before.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable
from pathlib import Path

from tripleguard.places.mounts import Mount
from tripleguard.watch.volumes import NOT_OURS, is_within


class Turns:
    """Counts for each mount point how often what was there left. May be used by several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._before: frozenset[tuple[str, int, str]] | None = None
        self._turns: dict[str, int] = {}

    def note(self, table: Iterable[Mount], *, unchanged: bool) -> None:
        """The kernel says that the table of mounts changed, and it is this one now.

        unchanged: it reads as before, so something left and came back meanwhile, and nobody knows what.
        """
        now = frozenset((one.point, one.number, one.source) for one in table if one.kind not in NOT_OURS)
        with self._lock:
            before, self._before = self._before, now
            if before is None:
                return
            for point, _, _ in before if unchanged else before - now:
                self._turns[point] = self._turns.get(point, 0) + 1

    def of(self, path: Path) -> int:
        """A number that grows whenever a volume on the way to this path left."""
        with self._lock:
            return sum(turn for point, turn in self._turns.items() if is_within(str(path), point))
