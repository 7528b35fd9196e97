"""Progress on a terminal: one line for the card, one for each drive, with rate and time left.

Elsewhere (a pipe, a log) only what a person must hear is printed, line by line.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

from tripleguard.cli.wrapping import harmless, wrapped
from tripleguard.names import shown
from tripleguard.reports.words import duration, line_rate, rate, size
from tripleguard.work.progress import Moved, Progress, Said

if TYPE_CHECKING:
    from rich.live import Live


@contextlib.contextmanager
def watcher() -> Iterator[Callable[[Progress], None]]:
    """Something to hand each progress to."""
    if not sys.stderr.isatty() or os.environ.get("TERM") == "dumb":
        yield _plain
        return
    from rich.console import Console
    from rich.live import Live

    console = Console(stderr=True, highlight=False, markup=False, emoji=False)
    with Live(console=console, refresh_per_second=8, transient=True) as live:
        yield lambda progress: _show(live, progress)


def lines_for(moved: Moved, width: int) -> list[str]:
    """The lines of one progress, none wider than width."""
    if moved.of_bytes == 0:
        files = f" {moved.files:,} of {moved.of_files:,} files" if moved.of_files else ""
        return [f"{moved.doing} ...{files}"[:width]]
    share = min(1.0, moved.read / moved.of_bytes) if moved.of_bytes else 1.0
    left = f"{duration(moved.left)} left" if moved.left is not None else ""
    pace = (line_rate if moved.doing == "upload" else rate)(moved.rate) if moved.rate >= 1 else ""
    head = (
        f"{moved.doing}: {moved.files:,} of {moved.of_files:,} files, {size(moved.read)} of "
        f"{size(moved.of_bytes)} ({share:.0%})"
    )
    tail = ", ".join(part for part in (pace, left) if part)
    lines = [head, f"  {tail}"] if tail else [head]
    for lane in moved.lanes:
        if lane.alive:
            lines.append(f"  {shown(lane.name)}: {size(lane.written)} written, {size(lane.verified)} read back")
        else:
            lines.append(f"  {shown(lane.name)}: not taking part any more")
    return [line[:width] for line in lines]


def _show(live: Live, progress: Progress) -> None:
    from rich.text import Text

    if isinstance(progress, Said):
        live.console.print(Text(harmless(progress.line)))
    else:
        live.update(Text("\n".join(lines_for(progress, live.console.width))))


def _plain(progress: Progress) -> None:
    if isinstance(progress, Said):
        print(wrapped(progress.line, sys.stderr), file=sys.stderr)
