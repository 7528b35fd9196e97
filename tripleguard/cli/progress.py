"""Show progress on a terminal: one line for the card, one for each drive, with rate and time left.

Elsewhere (a pipe, a log) only messages that a person must see are printed, line by line.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from tripleguard.cli.wrapping import escape_control_characters, wrap_line
from tripleguard.jobs.progress import Message, Progress, ProgressUpdate
from tripleguard.names import escape_text
from tripleguard.presentation.words import format_duration, format_network_rate, format_rate, format_size

if TYPE_CHECKING:
    from rich.live import Live


@contextlib.contextmanager
def show_progress() -> Iterator[Callable[[Progress], None]]:
    """Yield the function that shows each progress."""
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        yield _print_message
        return
    from rich.console import Console
    from rich.live import Live

    console = Console(stderr=True, highlight=False, markup=False, emoji=False)
    with Live(console=console, refresh_per_second=8, transient=True) as live:
        yield lambda progress: _update_live_display(live, progress)


def format_progress(update: ProgressUpdate, width: int) -> list[str]:
    """Return the lines of a progress update, none wider than width."""
    if update.total_bytes == 0:
        files = f" {update.files:,} of {update.total_files:,} files" if update.total_files else ""
        return [f"{update.activity} ...{files}"[:width]]
    share = min(1.0, update.bytes_done / update.total_bytes) if update.total_bytes else 1.0
    left = f"{format_duration(update.seconds_left)} left" if update.seconds_left is not None else ""
    pace = (
        (format_network_rate if update.activity == "upload" else format_rate)(update.rate)
        if update.rate >= 1
        else ""
    )
    head = (
        f"{update.activity}: {update.files:,} of {update.total_files:,} files, "
        f"{format_size(update.bytes_done)} of "
        f"{format_size(update.total_bytes)} ({share:.0%})"
    )
    tail = ", ".join(part for part in (pace, left) if part)
    lines = [head, f"  {tail}"] if tail else [head]
    for lane in update.lanes:
        if lane.is_alive:
            lines.append(
                f"  {escape_text(lane.name)}: {format_size(lane.bytes_written)} "
                f"written, {format_size(lane.bytes_verified)} read back"
            )
        else:
            lines.append(f"  {escape_text(lane.name)}: not taking part any more")
    return [line[:width] for line in lines]


def _update_live_display(live: Live, progress: Progress) -> None:
    from rich.text import Text

    if isinstance(progress, Message):
        live.console.print(Text(escape_control_characters(progress.text)))
    else:
        live.update(Text("\n".join(format_progress(progress, live.console.width))))


def _print_message(progress: Progress) -> None:
    if isinstance(progress, Message):
        print(wrap_line(progress.text, sys.stderr), file=sys.stderr)
