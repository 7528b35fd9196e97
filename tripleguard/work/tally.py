"""Reasons and notes while they are counted: how many of each, and a few examples."""

from __future__ import annotations

from collections.abc import Sequence

from tripleguard.answers import Reason
from tripleguard.work.findwords import said

_EXAMPLES = 5


class Tally:
    """Counts words. first: words that are told before all others, in this order; else the most frequent first."""

    def __init__(self, first: Sequence[str] = ()) -> None:
        self._first = tuple(first)
        self._counts: dict[str, int] = {}
        self._examples: dict[str, list[str]] = {}

    def add(self, word: str, path: str | None = None) -> None:
        """One more of this word, with the path it is about."""
        self._counts[word] = self._counts.get(word, 0) + 1
        if path is not None and len(self._examples.setdefault(word, [])) < _EXAMPLES:
            self._examples[word].append(path)

    def reasons(self) -> tuple[Reason, ...]:
        """What was counted, as sentences."""
        return tuple(
            Reason(word, count, said(word, count), tuple(self._examples.get(word, ())))
            for word, count in sorted(self._counts.items(), key=self._rank)
        )

    def _rank(self, pair: tuple[str, int]) -> tuple[int, int]:
        word, count = pair
        return self._first.index(word) if word in self._first else len(self._first), -count
