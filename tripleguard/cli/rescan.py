"""`rescan`: read the copies again."""

from __future__ import annotations

import time
from typing import Any

import click

from tripleguard.cli.shell import open_context, print_json, print_lines, run_job


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
    depth: str,
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
    from tripleguard.jobs.offsite.offsite_place import get_offsite_place
    from tripleguard.jobs.rescan.rescan import RescanResult
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
    with open_context(home) as ctx:
        record = get_offsite_place(ctx)
        drive_names = [name for name in names if record is None or name.casefold() != record.name.casefold()]
        results, cost = [], None
        troubles: list[Any] = []
        if drive_names or not names:
            result, troubles = _rescan_drives(ctx, drive_names, depth, budget)
            results.append(result)
        if record is not None and len(drive_names) < len(names):
            result, cost = _rescan_offsite(ctx, record, depth, budget)
            results.append(result)
        places = tuple(place for result in results for place in result.places)
        seconds = round(sum(result.seconds for result in results), 3)
        open_now = sum(result.open_finding_count for result in results)
        whole = RescanResult(places, seconds, any(result.was_stopped for result in results), open_now)
        if as_json:
            print_json(json_output.build_rescan_object(whole, troubles, cost))
        else:
            print_lines(text.format_rescan(whole))
            print_lines(text.format_rescan_cost(cost))
            print_lines(text.format_errors(troubles))
    if whole.was_stopped:
        return 130
    bad = whole.open_finding_count or any(
        one.new_findings or one.is_disconnected or one.error_message or one.cached for one in places
    )
    return 1 if troubles or bad else 0


def _rescan_drives(ctx: Any, names: list[str], depth: str, budget: Any) -> tuple[Any, list[Any]]:
    """Rescan the connected drives with these names, or all; and what keeps others from it."""
    from tripleguard.cli.shell import pause_signals
    from tripleguard.jobs.drives import open_drives, select_maintained_drives
    from tripleguard.jobs.rescan.rescan import rescan

    with open_drives(ctx, select_maintained_drives(ctx, names), f"rescan {depth}") as ready:
        drives = ready.readable()
        if not drives:
            raise ready.no_drive_error("Connect a drive, then run it again.")
        with pause_signals(budget.paused):
            return run_job(rescan(ctx, drives, depth, budget)), ready.errors(include_away=bool(names))  # type: ignore[arg-type]


def _rescan_offsite(ctx: Any, record: Any, depth: str, budget: Any) -> tuple[Any, Any]:
    """Rescan the offsite place, and what that cost."""
    from tripleguard.jobs.offsite.offsite_place import open_locked_offsite
    from tripleguard.jobs.offsite.rescan_offsite import rescan_offsite
    from tripleguard.jobs.rescan.rescan import RescanResult, count_open_findings

    began = time.monotonic()
    with open_locked_offsite(ctx, record, f"rescan {depth}") as place:
        scanned, cost = run_job(rescan_offsite(ctx, place, depth, budget))  # type: ignore[arg-type]
    seconds = round(time.monotonic() - began, 3)
    return RescanResult((scanned,), seconds, ctx.stop.is_set(), count_open_findings(ctx, {record.id})), cost
