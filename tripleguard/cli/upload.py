"""`upload`: send what is owed offsite."""

from __future__ import annotations

import click

from tripleguard.cli.shell import open_context, print_json, print_lines, run_job


@click.command("upload")
@click.option("--for", "budget_time", metavar="TIME", help="Stop after this time, such as 1h or 45min.")
@click.option("--limit", metavar="RATE", help="Take at most so much of the line, such as 500kB/s or 1Mbit/s.")
@click.option("--even-metered", is_flag=True, help="Also while the settings say that this connection is metered.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(
    home: str | None, budget_time: str | None, limit: str | None, even_metered: bool, as_json: bool
) -> int:
    """Send the selects that are owed offsite, and prove them there.

    The oldest day's debt goes first, in it the highest rating. Stop it at any time, or lose the line: the next
    upload goes on, and sends at most one part again.
    """
    from tripleguard.config import parse_duration, parse_rate
    from tripleguard.errors import UsageError
    from tripleguard.jobs.background import Budget
    from tripleguard.jobs.commands import run_upload
    from tripleguard.presentation import upload as shown

    try:
        budget = Budget(
            seconds=parse_duration(budget_time) if budget_time else None, rate=parse_rate(limit) if limit else 0
        )
    except ValueError as error:
        raise UsageError(
            f"{error}.", safe="Nothing was sent.", do="Correct it and run the command again."
        ) from error
    with open_context(home) as ctx:
        result = run_job(run_upload(ctx, budget, purpose="upload", allow_metered=even_metered))
        if as_json:
            print_json(shown.build_upload_object(result))
        else:
            print_lines(shown.format_upload(result))
        stopped = ctx.stop.is_set()
    if stopped:
        return 130
    return 1 if result.missing or result.errors else 0
