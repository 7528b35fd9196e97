"""When is a new file whole? Pure: looks and the time go in, what has settled comes out.

A file has settled when its size and time were the same for a while. One that its writer has closed needs only a
moment more. What was handed over and could not be used is tried a few times, and then only if it changes.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from tripleguard.model import Entry

_CLOSED = 2.0
"""Seconds after its writer has closed a file: some open it again for its times."""
_TRIES = 5


@dataclass(slots=True)
class _New:
    entry: Entry
    since: float
    closed: bool = False
    tries: int = 0


class Settling:
    """The new files of one folder tree. quiet: seconds that a file must stay as it is."""

    def __init__(self, quiet: float) -> None:
        self._quiet = quiet
        self._new: dict[str, _New] = {}

    def __len__(self) -> int:
        return len(self._new)

    def paths(self) -> list[str]:
        """What is new, settled or not."""
        return list(self._new)

    def seen(self, entry: Entry, now: float) -> None:
        """A new file lies there like this. now: seconds that only grow."""
        known = self._new.get(entry.path)
        if known is None or known.entry != entry:
            self._new[entry.path] = _New(entry, now)

    def closed(self, path: str) -> None:
        """Whoever wrote it has closed it."""
        if path in self._new:
            self._new[path].closed = True

    def forget(self, paths: Iterable[str]) -> None:
        """These are gone, or in the catalog."""
        for path in paths:
            self._new.pop(path, None)

    def try_again(self, paths: Iterable[str], now: float) -> None:
        """These were handed over and did not hold still, or could not be read."""
        for path in paths:
            if path in self._new:
                new = self._new[path]
                new.since, new.closed, new.tries = now, False, new.tries + 1

    def settled(self, now: float) -> list[Entry]:
        """What is whole, as it was seen."""
        return [new.entry for new in self._new.values() if new.tries < _TRIES and self._at(new) <= now]

    def unsettled(self, now: float) -> list[str]:
        """What has to stay as it is for a while yet."""
        return [path for path, new in self._new.items() if new.tries < _TRIES and self._at(new) > now]

    def given_up(self, paths: Iterable[str]) -> list[str]:
        """Those of these that are tried again only if they change."""
        return sorted(path for path in paths if path in self._new and self._new[path].tries >= _TRIES)

    def _at(self, new: _New) -> float:
        return new.since + (min(_CLOSED, self._quiet) if new.closed else self._quiet)
