"""`status`: what the watch is doing, shown from another terminal."""

from __future__ import annotations

import click

from tripleguard.cli.shell import print_json, print_lines


@click.command("status")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(home: str | None, as_json: bool) -> int:
    """What the watch is doing, what it waits for, what it did last. Exit status 1: no watch runs."""
    from tripleguard.clock import SystemClock
    from tripleguard.home import resolve_home
    from tripleguard.watch import status

    place = resolve_home(home)
    holder = status.find_running_watch(place)
    running, found = holder is not None, status.read_status(place)
    if holder is not None and found is not None and found.pid != holder.pid:
        found = None  # written by an earlier watch; the new one has written none yet
    if as_json:
        print_json(status.to_json_object(found, is_running=running))
    else:
        clock = SystemClock()
        print_lines(status.format_status(found, clock.now(), clock.zone(), is_running=running))
    return 0 if running else 1
