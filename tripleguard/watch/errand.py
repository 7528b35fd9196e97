"""What the watch does for the photographer, and what goes first. Pure: values and choices, no I/O.

What protects new pictures goes before what looks at old ones. Rescans and drills give way at once: they are still
due afterwards.
"""

from __future__ import annotations

import enum
from collections.abc import Iterable, Mapping
from dataclasses import dataclass


class What(enum.StrEnum):
    """The errands, in the order in which they go."""

    CARD = "card"
    IMPORT = "import"
    FRESH = "new files"
    TOPUP = "top-up"
    ANSWER = "answer"
    QUICK = "quick rescan"
    REPORT = "report"
    READ = "rescan"
    DRILL = "drill"
    UPLOAD = "upload"
    AFAR = "offsite rescan"


RANK = {what: rank for rank, what in enumerate(What)}
GIVES_WAY = frozenset({What.QUICK, What.READ, What.DRILL, What.UPLOAD, What.AFAR})
"""Errands that end at once for what protects new pictures, and for a command that is typed.

What goes over a slow line may take days, so it ends for everything.
"""


@dataclass(frozen=True, slots=True)
class Errand:
    """One thing to do. subject: the card or folder. reader: whose queue it waits in ('' for the drives' own).

    served: the occurrence that it serves, UTC ns; None for what is not done by the clock. seconds: how long it may
    take; None: as long as it takes.
    """

    what: What
    subject: str = ""
    reader: str = ""
    served: int | None = None
    seconds: float | None = None

    @property
    def key(self) -> tuple[What, str]:
        """What it is, whenever it is wanted."""
        return self.what, self.subject


class Outcome(enum.StrEnum):
    """How an errand ended, as the loop has to know it."""

    DONE = "done"
    ATTENTION = "attention"
    """It came to its end, and a person should look."""
    WAITS = "waits"
    """It can't be done now: nothing was done, it is tried again."""
    STOPPED = "stopped"
    """It gave way or the watch ended: it goes on where it was."""
    FAILED = "failed"
    """It broke off: it is tried again, more and more slowly."""


@dataclass(frozen=True, slots=True)
class CardAnswer:
    """How the question about a card was answered. insertion: while it stays plugged in; empty: not known."""

    insertion: str
    answer: bool
    files: int
    later: bool = False
    """Whether more copies could turn the no into a yes."""


@dataclass(frozen=True, slots=True)
class Ended:
    """The end of an errand. message: one line for status and log; tell: what a person should hear, if anything.

    made: copies that are new on a drive.
    """

    errand: Errand
    outcome: Outcome
    message: str
    tell: str = ""
    made: int = 0
    card: CardAnswer | None = None


def choose(waiting: Iterable[Errand], turns: Mapping[str, int]) -> Errand | None:
    """The errand to do next; waiting in the order in which they came.

    turns: when each reader was served last, as a growing number; the one that waits longest comes first.
    """
    return min(waiting, key=lambda one: (RANK[one.what], turns.get(one.reader, 0)), default=None)


def gives_way(doing: Errand, best: Errand | None, *, typed: bool) -> bool:
    """Whether what is being done should end for what waits, or for a command that was typed."""
    if doing.what not in GIVES_WAY:
        return False
    if typed or best is None:
        return typed
    presses = best.what not in GIVES_WAY or doing.what in (What.UPLOAD, What.AFAR)
    return presses and RANK[best.what] < RANK[doing.what]
