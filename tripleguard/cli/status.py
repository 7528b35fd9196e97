"""`status`: what the watch does, from another terminal."""

from __future__ import annotations

import click

from tripleguard.cli.shell import say, say_json


@click.command("status")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(home: str | None, as_json: bool) -> int:
    """What the watch is doing, what it waits for, what it did last. Exit status 1: no watch runs."""
    from tripleguard.clock import SystemClock
    from tripleguard.home import home_at
    from tripleguard.watch import status

    place = home_at(home)
    holder = status.watcher_of(place)
    running, found = holder is not None, status.kept_status(place)
    if holder is not None and found is not None and found.pid != holder.pid:
        found = None  # written by an earlier watch; the new one has not said anything yet
    if as_json:
        say_json(status.as_object(found, running=running))
    else:
        clock = SystemClock()
        say(status.as_text(found, clock.now(), clock.zone(), running=running))
    return 0 if running else 1
