"""Connect the commands to the terminal: open the home, run jobs with progress, print errors in three lines.

Answers go to standard output. Progress goes to standard error, and only to a terminal.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import traceback
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any, TypeVar

import click

from tripleguard.errors import StoppedError, TripleguardError
from tripleguard.names import escape_text

if TYPE_CHECKING:
    from threading import Event

    from tripleguard.jobs.context import JobContext
    from tripleguard.jobs.progress import Job

Result = TypeVar("Result")

EXIT_STOPPED = 130
_LOCK_TIMEOUT_S = 5.0
"""Seconds that a watch has to interrupt its rescan for a typed command."""


def run_command_line(root: click.Group) -> None:
    """Run the command line and end the process with its exit status."""
    try:
        status = root.main(standalone_mode=False)
    except TripleguardError as error:
        _print_error(error)
        sys.exit(error.exit_status)
    except click.ClickException as error:
        error.show()
        sys.exit(2)
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped.", err=True)
        sys.exit(EXIT_STOPPED)
    except BrokenPipeError:
        # The reader of the output is gone, so there is nobody to report to.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except OSError as error:
        if os.environ.get("TRIPLEGUARD_TRACE"):
            traceback.print_exc()
        _print_error(_explain_os_error(error))
        sys.exit(3)
    except Exception as error:  # noqa: BLE001 - the outermost edge; unexpected errors are reported like all others
        if os.environ.get("TRIPLEGUARD_TRACE"):
            traceback.print_exc()
        _print_error(_wrap_unexpected_error(error))
        sys.exit(3)
    sys.exit(status if isinstance(status, int) else 0)


@contextlib.contextmanager
def open_context(home: str | None, *, is_watch: bool = False) -> Iterator[JobContext]:
    """Open the context of a home. The first Ctrl-C or SIGTERM asks the job to end cleanly.

    is_watch: the context is the watch's own, which never waits for a watch.
    """
    from tripleguard.catalog.file_updates import apply_drive_copies_rule
    from tripleguard.catalog.store import open_catalog
    from tripleguard.clock import SystemClock
    from tripleguard.config import read_settings
    from tripleguard.home import open_home_lock, resolve_home
    from tripleguard.jobs.context import WATCH_LOCK, JobContext
    from tripleguard.jobs.drive_records import decisions_saved
    from tripleguard.places.local import LocalPlaces
    from tripleguard.places.locks import is_locked

    place = resolve_home(home)
    settings = read_settings(place.settings)
    catalog = open_catalog(place.catalog)
    watched = False
    with contextlib.suppress(OSError):
        watched = not is_watch and is_locked(lambda: open_home_lock(place, WATCH_LOCK))
    ctx = JobContext(
        place,
        catalog,
        settings,
        SystemClock(),
        LocalPlaces(),
        lock_timeout_s=_LOCK_TIMEOUT_S if watched else 0.0,
        notify=_print_note,
    )
    try:
        apply_drive_copies_rule(catalog, settings.rule.drive_copies)
        # The watch saves decisions after each task.
        with graceful_stop(ctx.stop.set), contextlib.nullcontext() if is_watch else decisions_saved(ctx):
            yield ctx
    finally:
        catalog.close()


@contextlib.contextmanager
def graceful_stop(stop: Callable[[], object]) -> Iterator[None]:
    """Call stop at the first SIGINT or SIGTERM inside the block; a second one ends the process at once."""

    def asked(number: int, frame: FrameType | None) -> None:
        stop()
        # Use write(2): a handler may interrupt a print that holds the stream's lock.
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
def pause_signals(pause_event: Event) -> Iterator[None]:
    """Set the event at SIGUSR1 and clear it at SIGUSR2 inside the block, on systems with these signals."""
    if sys.platform == "win32":
        yield
        return
    before = {number: signal.getsignal(number) for number in (signal.SIGUSR1, signal.SIGUSR2)}
    signal.signal(signal.SIGUSR1, lambda number, frame: pause_event.set())
    signal.signal(signal.SIGUSR2, lambda number, frame: pause_event.clear())
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def run_job(job: Job[Result]) -> Result:
    """Run a job to its end, with progress on a terminal, and return its result."""
    from tripleguard.cli.progress import show_progress

    with show_progress() as watch:
        try:
            while True:
                watch(next(job))
        except StopIteration as end:
            result: Result = end.value
            return result
        except KeyboardInterrupt:
            job.close()
            raise StoppedError(
                "Stopped at once.",
                safe="Copies that were finished stay. Do not reformat the card.",
                do="Run the same command again: it goes on where it stopped.",
            ) from None


def parse_named_paths(texts: Iterable[str], option: str) -> list[tuple[str, Path]]:
    """Return each NAME=PATH as a name and a path. Raises click.BadParameter."""
    found: list[tuple[str, Path]] = []
    for text in texts:
        name, equals, path = text.partition("=")
        if not equals or not name or not path:
            raise click.BadParameter(f"{text!r} is not NAME=PATH, such as A=/media/drive-a", param_hint=option)
        found.append((name, Path(path)))
    return found


def print_lines(lines: Iterable[str]) -> None:
    """Print an answer, wrapped to the terminal."""
    from tripleguard.cli.wrapping import wrap_line

    for line in lines:
        click.echo(wrap_line(line))


def print_json(answer: dict[str, Any]) -> None:
    """Print an answer as one JSON object in ASCII, so that no raw name reaches the terminal."""
    import json

    click.echo(json.dumps(answer, indent=2, ensure_ascii=True))


def _print_note(line: str) -> None:
    """Print a line for the person to standard error; standard output belongs to the answer."""
    from tripleguard.cli.wrapping import wrap_line

    click.echo(wrap_line(line, sys.stderr), err=True)


def _print_error(error: TripleguardError) -> None:
    from tripleguard.cli.wrapping import wrap_line

    for word, sentence in (
        ("What happened", error.what),
        ("What is safe", error.safe),
        ("What to do", error.do),
    ):
        if sentence:
            click.echo(wrap_line(f"{word}: {sentence}", sys.stderr), err=True)


def _explain_os_error(error: OSError) -> TripleguardError:
    """Return what to say where the system refused a call on the home, or on anything else that is no drive."""
    name = escape_text(os.fsdecode(error.filename)) if isinstance(error.filename, str | bytes) else ""
    return TripleguardError(
        f"The system reports an error{f' at {name}' if name else ''}: {error.strerror or error}.",
        safe="Cards are only read, and copies are never replaced. Do not reformat a card now.",
        do="Check the disk that it is on, its free space and its permissions, then run the command again.",
    )


def _wrap_unexpected_error(error: Exception) -> TripleguardError:
    where = traceback.extract_tb(error.__traceback__)[-1]
    return TripleguardError(
        f"Something happened that tripleguard did not foresee: {type(error).__name__}: {error} "
        f"({os.path.basename(where.filename)}, line {where.lineno}).",
        safe="Cards are only read, and copies are never replaced. Do not reformat a card now.",
        do="Run the command again; if it stays so, set TRIPLEGUARD_TRACE=1 and report what it prints.",
    )
