"""`forecast`: what lies ahead."""

from __future__ import annotations

from datetime import datetime

import click

from tripleguard.cli.shell import kit_of, say, say_json


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
    from tripleguard.reports.forecast import as_object, lines
    from tripleguard.work.answers.foreseeing import foresee

    with kit_of(home) as kit:
        found = foresee(kit, until=until.date() if until else None, trials=trials or 0, seed=seed)
        if as_json:
            say_json(as_object(found))
        else:
            say(lines(found, kit.clock.zone()))
    return 0 if found.clear else 1
