"""`rescan`: read the copies again."""

from __future__ import annotations

import time
from typing import Any

import click

from tripleguard.cli.shell import finish, kit_of, say, say_json


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
    from tripleguard.config import seconds_of, size_in_bytes
    from tripleguard.errors import WrongUse
    from tripleguard.reports import objects, text
    from tripleguard.work.budget import Budget
    from tripleguard.work.offsite.third_place import offsite_record
    from tripleguard.work.rescanning.rescan import RescanResult

    try:
        budget = Budget(
            seconds=None if budget_time is None else seconds_of(budget_time),
            rate=0 if limit is None else size_in_bytes(limit.removesuffix("/s")),
        )
        if limit is not None and not budget.rate:
            raise ValueError("a limit of 0 would never read anything")
    except ValueError as error:
        raise WrongUse(
            f"{error}.", safe="Nothing was changed.", do="Correct it and run the command again."
        ) from error
    with kit_of(home) as kit:
        record = offsite_record(kit)
        drive_names = [name for name in names if record is None or name.casefold() != record.name.casefold()]
        results, cost = [], None
        troubles: list[Any] = []
        if drive_names or not names:
            result, troubles = _drives(kit, drive_names, depth, budget)
            results.append(result)
        if record is not None and len(drive_names) < len(names):
            result, cost = _offsite(kit, record, depth, budget)
            results.append(result)
        places = tuple(place for result in results for place in result.places)
        seconds = round(sum(result.seconds for result in results), 3)
        open_now = sum(result.still_open for result in results)
        whole = RescanResult(places, seconds, any(result.stopped for result in results), open_now)
        if as_json:
            say_json(objects.rescan(whole, troubles, cost))
        else:
            say(text.rescan(whole))
            say(text.rescan_cost(cost))
            say(text.troubles(troubles))
    if whole.stopped:
        return 130
    bad = whole.still_open or any(one.found or one.gone or one.trouble or one.unproved for one in places)
    return 1 if troubles or bad else 0


def _drives(kit: Any, names: list[str], depth: str, budget: Any) -> tuple[Any, list[Any]]:
    """Rescan the connected drives with these names, or all; and what keeps others from it."""
    from tripleguard.cli.shell import pausing
    from tripleguard.work.kit import drives_for_looking, opened
    from tripleguard.work.rescanning.rescan import rescan

    with opened(kit, drives_for_looking(kit, names), f"rescan {depth}") as ready:
        drives = ready.readable()
        if not drives:
            raise ready.none_left("Connect a drive, then run it again.")
        with pausing(budget.paused):
            return finish(rescan(kit, drives, depth, budget)), ready.troubles(named=bool(names))  # type: ignore[arg-type]


def _offsite(kit: Any, record: Any, depth: str, budget: Any) -> tuple[Any, Any]:
    """Rescan the offsite place, and what that cost."""
    from tripleguard.work.offsite.rescan_offsite import rescan_offsite
    from tripleguard.work.offsite.third_place import opened_offsite
    from tripleguard.work.rescanning.rescan import RescanResult, still_open

    began = time.monotonic()
    with opened_offsite(kit, record, f"rescan {depth}") as place:
        scanned, cost = finish(rescan_offsite(kit, place, depth, budget))  # type: ignore[arg-type]
    seconds = round(time.monotonic() - began, 3)
    return RescanResult((scanned,), seconds, kit.stop.is_set(), still_open(kit, {record.id})), cost
