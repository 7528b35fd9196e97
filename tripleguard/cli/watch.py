"""`watch`: the daemon, in the foreground."""

from __future__ import annotations

import click

from tripleguard.cli.shell import open_context


@click.command("watch")
@click.option("--quiet", is_flag=True, help="Nothing on standard error; the log below the home says it all.")
@click.pass_obj
def command(home: str | None, quiet: bool) -> int:
    """Stay, and do by itself what is to be done: cards, top-ups, rescans, reports.

    A card that is plugged in is copied, proved and answered for. Ctrl-C or SIGTERM ends it within two seconds;
    nothing is lost by that, nor by a power cut. `tripleguard status` in another terminal shows what it does.
    """
    from tripleguard.watch.daemon import run_watch

    with open_context(home, is_watch=True) as ctx:
        run_watch(ctx, to_stderr=not quiet)
    return 0
