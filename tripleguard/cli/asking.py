"""A question to whoever sits at the terminal that nothing waits for.

The cards of a night can be counted only by a person, and at one in the morning nobody should find that the copying
stood still all the while for want of an answer. So the question is written, the work begins, and what was typed by
the time the answer is needed counts.
"""

from __future__ import annotations

import os
import select
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from tripleguard.work.kit import Kit
    from tripleguard.work.numbering import Told

_QUESTION = (
    "How many cards did you fill today, this one and all others? Type the number and Enter while it copies; only "
    "Enter if you don't know."
)


def how_many_cards(kit: Kit, given: int | None, *, asking: bool) -> Callable[[], Told | None]:
    """Something to call when the number of cards is needed: the one that was given, or typed since now.

    asking: whether to ask at a terminal, once an evening. What is no number counts as not answered.
    """
    from tripleguard.cli.wrapping import wrapped
    from tripleguard.work.numbering import Told, was_asked

    if given is not None:
        return lambda: Told(given)
    if sys.platform == "win32" or not asking or not (sys.stdin.isatty() and sys.stderr.isatty()) or was_asked(kit):
        return lambda: None
    click.echo(wrapped(_QUESTION, sys.stderr), err=True)
    return _typed_so_far


def _typed_so_far() -> Told | None:
    from tripleguard.work.numbering import Told

    typed, _, _ = select.select([sys.stdin.fileno()], [], [], 0)
    # A terminal hands over one line at a time; nobody else reads from it here.
    line = os.read(sys.stdin.fileno(), 100).decode("ascii", "replace").strip() if typed else None
    if line == "":
        return Told(None)
    return Told(int(line)) if line and line.isdecimal() and len(line) <= 3 and int(line) > 0 else None
