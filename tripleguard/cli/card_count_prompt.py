"""Ask the person at the terminal how many cards there were, without waiting for the answer.

Only a person knows how many cards a night had, and copying must not wait for an answer at one in the morning. So
the question is printed, the job begins, and whatever was typed by the time the answer is needed counts.
"""

from __future__ import annotations

import os
import select
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from tripleguard.jobs.context import JobContext
    from tripleguard.jobs.missing_frames import CardCount

_QUESTION = (
    "How many cards did you fill today, this one and all others? Type the number and Enter while it copies; only "
    "Enter if you don't know."
)


def create_card_count_prompt(
    ctx: JobContext, card_count: int | None, *, can_ask: bool
) -> Callable[[], CardCount | None]:
    """Return a function that returns the given number of cards, or the one typed since now.

    can_ask: ask at a terminal, once an evening. Input that is no number counts as no answer.
    """
    from tripleguard.cli.wrapping import wrap_line
    from tripleguard.jobs.missing_frames import CardCount, was_card_count_asked

    if card_count is not None:
        return lambda: CardCount(card_count)
    if (
        sys.platform == "win32"
        or not can_ask
        or not (sys.stdin.isatty() and sys.stderr.isatty())
        or was_card_count_asked(ctx)
    ):
        return lambda: None
    click.echo(wrap_line(_QUESTION, sys.stderr), err=True)
    return _read_typed_answer


def _read_typed_answer() -> CardCount | None:
    from tripleguard.jobs.missing_frames import CardCount

    typed, _, _ = select.select([sys.stdin.fileno()], [], [], 0)
    # A terminal returns one line at a time, and nothing else reads from it here.
    line = os.read(sys.stdin.fileno(), 100).decode("ascii", "replace").strip() if typed else None
    if line == "":
        return CardCount(None)
    return CardCount(int(line)) if line and line.isdecimal() and len(line) <= 3 and int(line) > 0 else None
