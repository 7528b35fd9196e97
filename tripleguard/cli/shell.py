"""Between the commands and the terminal: opening the home, running jobs with progress, errors in three lines.

Answers go to standard output. Progress goes to standard error, and only to a terminal.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import traceback
from collections.abc import Iterable, Iterator
from pathlib import Path
from types import FrameType
from typing import Any, TypeVar

import click

from tripleguard.errors import Stopped, TripleguardError

Result = TypeVar("Result")

STOPPED = 130
_PATIENCE = 5.0
"""Seconds in which a watch gives its rescan up for a typed command."""


def run(root: click.Group) -> None:
    """Run the command line and end the process with its exit status."""
    try:
        status = root.main(standalone_mode=False)
    except TripleguardError as error:
        _show_error(error)
        sys.exit(error.exit_status)
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped.", err=True)
        sys.exit(STOPPED)
    except BrokenPipeError:
        # Whoever read the answer has left; there is nobody to tell.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except Exception as error:  # noqa: BLE001 - the outermost edge; what nobody foresaw is told like the rest
        if os.environ.get("TRIPLEGUARD_TRACE"):
            traceback.print_exc()
        _show_error(_unforeseen(error))
        sys.exit(3)
    sys.exit(status if isinstance(status, int) else 0)


@contextlib.contextmanager
def kit_of(home: str | None, *, ours: bool = False) -> Iterator[Any]:
    """The kit for the home that was asked for. The first Ctrl-C or SIGTERM asks the job to end in good order.

    ours: it is for the watch itself, which never waits for a watch.
    """
    from tripleguard.catalog.store import open_catalog
    from tripleguard.catalog.writing import follow_rule
    from tripleguard.clock import SystemClock
    from tripleguard.config import read_settings
    from tripleguard.home import home_at, open_home_lock
    from tripleguard.places.locks import is_taken
    from tripleguard.work.kit import WATCH_LOCK, Kit

    place = home_at(home)
    settings = read_settings(place.settings)
    catalog = open_catalog(place.catalog)
    watched = False
    with contextlib.suppress(OSError):
        watched = not ours and is_taken(lambda: open_home_lock(place, WATCH_LOCK))
    kit = Kit(place, catalog, settings, SystemClock(), patience=_PATIENCE if watched else 0.0)
    try:
        follow_rule(catalog, settings.rule.drive_copies)
        with stopping_in_order(kit.stop.set):
            yield kit
    finally:
        for notice in kit.notices:
            _say_notice(notice)
        catalog.close()


@contextlib.contextmanager
def stopping_in_order(stop: Any) -> Iterator[None]:
    """While this lasts, the first SIGINT or SIGTERM calls stop; a second one ends at once."""

    def asked(number: int, frame: FrameType | None) -> None:
        stop()
        # Plain write(2): a handler may interrupt a print that holds the stream.
        os.write(2, b"\nStopping: what is being written is finished first. Once more to stop at once.\n")
        for one in before:
            signal.signal(one, before[one])

    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    for number in before:
        signal.signal(number, asked)
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


@contextlib.contextmanager
def pausing(paused: Any) -> Iterator[None]:
    """While this lasts, SIGUSR1 sets the event and SIGUSR2 clears it; where there are such signals."""
    if sys.platform == "win32":
        yield
        return
    before = {number: signal.getsignal(number) for number in (signal.SIGUSR1, signal.SIGUSR2)}
    signal.signal(signal.SIGUSR1, lambda number, frame: paused.set())
    signal.signal(signal.SIGUSR2, lambda number, frame: paused.clear())
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def finish(job: Any) -> Any:
    """Run a job to its end, showing progress where there is a terminal; its result."""
    from tripleguard.cli.progress import watcher

    with watcher() as watch:
        try:
            while True:
                watch(next(job))
        except StopIteration as end:
            return end.value
        except KeyboardInterrupt:
            job.close()
            raise Stopped(
                "Stopped at once.",
                safe="Copies that were finished stay. Do not reformat the card.",
                do="Run the same command again: it goes on where it stopped.",
            ) from None


def named_paths(given: Iterable[str], option: str) -> list[tuple[str, Path]]:
    """Each NAME=PATH as a name and a path. Raises click.BadParameter."""
    found: list[tuple[str, Path]] = []
    for text in given:
        name, equals, path = text.partition("=")
        if not equals or not name or not path:
            raise click.BadParameter(f"{text!r} is not NAME=PATH, such as A=/media/drive-a", param_hint=option)
        found.append((name, Path(path)))
    return found


def say(lines: Iterable[str]) -> None:
    """Print an answer, wrapped to the terminal."""
    from tripleguard.cli.wrapping import wrapped

    for line in lines:
        click.echo(wrapped(line))


def say_json(answer: dict[str, Any]) -> None:
    """Print an answer as one JSON object, in ASCII: what a name holds can't reach the terminal as it is."""
    import json

    click.echo(json.dumps(answer, indent=2, ensure_ascii=True))


def _say_notice(notice: TripleguardError) -> None:
    from tripleguard.cli.wrapping import wrapped

    click.echo(wrapped(f"Caution: {notice}"), err=True)


def _show_error(error: TripleguardError) -> None:
    from tripleguard.cli.wrapping import wrapped

    for word, sentence in (
        ("What happened", error.what),
        ("What is safe", error.safe),
        ("What to do", error.do),
    ):
        if sentence:
            click.echo(wrapped(f"{word}: {sentence}", sys.stderr), err=True)


def _unforeseen(error: Exception) -> TripleguardError:
    where = traceback.extract_tb(error.__traceback__)[-1]
    return TripleguardError(
        f"Something happened that tripleguard did not foresee: {type(error).__name__}: {error} "
        f"({os.path.basename(where.filename)}, line {where.lineno}).",
        safe="Cards are only read, and copies are never replaced. Do not reformat a card now.",
        do="Run the command again; if it stays so, set TRIPLEGUARD_TRACE=1 and report what it prints.",
    )
