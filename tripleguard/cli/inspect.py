"""`inspect`: decode pictures from their copies, to find damage that reading their structure can't."""

from __future__ import annotations

import click

from tripleguard.cli.shell import open_context, pause_signals, print_json, print_lines, run_job


@click.command("inspect")
@click.option("--for", "budget_time", metavar="TIME", help="Stop after this time, such as 2h or 45min.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(home: str | None, budget_time: str | None, as_json: bool) -> int:
    """Decode pictures from their verified copies: were they damaged before they were copied?

    Each picture is decoded once, the newest first, in a process of its own that gives way to everything else. Stop
    it at any time: the next one goes on. Needs tripleguard[decode]. SIGUSR1 pauses it, SIGUSR2 lets it go on.
    """
    from tripleguard.config import parse_duration
    from tripleguard.errors import UsageError
    from tripleguard.jobs.background import Budget
    from tripleguard.jobs.commands import run_inspect
    from tripleguard.presentation import integrity, json_output
    from tripleguard.presentation import text as lines

    try:
        budget = Budget(seconds=parse_duration(budget_time) if budget_time else None)
    except ValueError as error:
        raise UsageError(
            f"{error}.", safe="Nothing was changed.", do="Correct it and run the command again."
        ) from error
    with open_context(home) as ctx, pause_signals(budget.paused):
        report = run_job(run_inspect(ctx, budget, purpose="inspect"))
        if as_json:
            print_json(json_output.build_inspect_object(report.result, report.errors))
        else:
            print_lines(integrity.format_inspection(report.result))
            print_lines(lines.format_errors(report.errors))
    if report.result.was_stopped:
        return 130
    return 1 if report.errors or report.result.damaged else 0
