"""`rescan`: read the copies again."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from tripleguard.cli.shell import open_context, pause_signals, print_json, print_lines, run_job

if TYPE_CHECKING:
    from tripleguard.jobs.rescan.scan_lane import RescanDepth


@click.command("rescan")
@click.option(
    "--place", "names", multiple=True, metavar="NAME", help="Only this drive, or `offsite`; may be repeated."
)
@click.option(
    "--quick",
    "depth",
    flag_value="quick",
    help="Only list, and read what is new or changed. Rot changes neither size nor time: this can't find it.",
)
@click.option("--due", "depth", flag_value="due", default="due", help="List, then read what is due (the default).")
@click.option("--all", "depth", flag_value="all", help="List, then read everything.")
@click.option(
    "--for", "budget_time", metavar="TIME", help="Begin no further file after this time, such as 2h or 45min."
)
@click.option("--limit", metavar="RATE", help="Read at most so much a second, such as 40MB/s.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(
    home: str | None,
    names: tuple[str, ...],
    depth: RescanDepth,
    budget_time: str | None,
    limit: str | None,
    as_json: bool,
) -> int:
    """Read the copies again: what rotted, vanished, moved or was changed?

    Nothing on a drive is changed. It yields to everything else on the machine. Stop it at any time: the next
    rescan goes on with what was not read for longest. SIGUSR1 pauses it, SIGUSR2 lets it go on. The offsite place
    is looked at when it is named.

    Exit status 1: something was found now or is still bad from before, or a drive could not be looked at.
    """
    from tripleguard.config import parse_duration, parse_size
    from tripleguard.errors import UsageError
    from tripleguard.jobs.background import Budget
    from tripleguard.jobs.commands import run_rescan
    from tripleguard.presentation import json_output, text

    try:
        budget = Budget(
            seconds=None if budget_time is None else parse_duration(budget_time),
            rate=0 if limit is None else parse_size(limit.removesuffix("/s")),
        )
        if limit is not None and not budget.rate:
            raise ValueError("a limit of 0 would never read anything")
    except ValueError as error:
        raise UsageError(
            f"{error}.", safe="Nothing was changed.", do="Correct it and run the command again."
        ) from error
    with open_context(home) as ctx, pause_signals(budget.paused):
        report = run_job(run_rescan(ctx, depth, budget, names, purpose=f"rescan {depth}"))
        if as_json:
            print_json(json_output.build_rescan_object(report.result, report.errors, report.cost))
        else:
            print_lines(text.format_rescan(report.result))
            print_lines(text.format_rescan_cost(report.cost))
            print_lines(text.format_errors(report.errors))
    if report.result.was_stopped:
        return 130
    is_bad = report.result.open_finding_count or any(
        place.new_findings or place.is_disconnected or place.error_message or place.cached
        for place in report.result.places
    )
    return 1 if report.errors or is_bad else 0
