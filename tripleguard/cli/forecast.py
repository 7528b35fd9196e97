"""`forecast`: when drives fill, whether the nightly time is enough, and the chance of losing a file."""

from __future__ import annotations

from datetime import datetime

import click

from tripleguard.cli.shell import open_context, print_json, print_lines


@click.command("forecast")
@click.option(
    "--until", type=click.DateTime(["%Y-%m-%d"]), metavar="DAY", help="The day the tour ends, such as 2026-08-15."
)
@click.option(
    "--play", "trials", type=click.IntRange(100, 1_000_000), metavar="N", help="Also play N years by lot."
)
@click.option("--seed", type=int, default=1, show_default=True, help="Repeat what was played.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(home: str | None, until: datetime | None, trials: int | None, seed: int, as_json: bool) -> int:
    """Are the nights long enough, when are the drives full, and how likely is it that a file is lost?

    It asks the catalog: no drive has to be connected, and no copy is read.
    """
    from tripleguard.jobs.queries.forecast_query import make_forecast
    from tripleguard.presentation.forecast import build_forecast_object, format_forecast

    with open_context(home) as ctx:
        found = make_forecast(ctx, end_date=until.date() if until else None, trials=trials or 0, seed=seed)
        if as_json:
            print_json(build_forecast_object(found))
        else:
            print_lines(format_forecast(found, ctx.clock.zone()))
    return 0 if found.is_clear else 1
