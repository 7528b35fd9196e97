"""`log`: what was done, when."""

from __future__ import annotations

import click

from tripleguard.cli.shell import open_context, print_json, print_lines


@click.command("log")
@click.option("--shoot", metavar="NAME", help="Only this shoot (a part of its day or name).")
@click.option("--last", type=click.IntRange(1, 100_000), default=50, show_default=True, help="How many events.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(home: str | None, shoot: str | None, last: int, as_json: bool) -> None:
    """What was done, when, oldest first."""
    from tripleguard.catalog import event_log, shoots
    from tripleguard.errors import UsageError
    from tripleguard.presentation import json_output, text

    with open_context(home) as ctx:
        meant = shoots.search_shoots(ctx.catalog, shoot) if shoot else []
        if shoot and not meant:
            known = ", ".join(one.title for one in shoots.list_shoots(ctx.catalog)[-5:]) or "none yet"
            raise UsageError(
                f"No shoot matches {shoot!r}.", safe="Nothing was changed.", do=f"The last ones: {known}."
            )
        found = (
            sorted(
                (e for one in meant for e in event_log.list_events(ctx.catalog, one.id, last)), key=lambda e: e.at
            )[-last:]
            if meant
            else event_log.list_events(ctx.catalog, None, last)
        )
        if as_json:
            print_json(json_output.build_log_object(found))
        else:
            print_lines(text.format_log(found, ctx.clock.zone()))
