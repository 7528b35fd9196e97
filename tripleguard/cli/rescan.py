"""`rescan`: read the copies again."""

from __future__ import annotations

import click

from tripleguard.cli.shell import finish, kit_of, say, say_json


@click.command("rescan")
@click.option("--place", "names", multiple=True, metavar="NAME", help="Only this drive; may be repeated.")
@click.option(
    "--quick", "depth", flag_value="quick", help="Only list: what vanished, moved or changed its size or time."
)
@click.option("--due", "depth", flag_value="due", default="due", help="List, then read what is due (the default).")
@click.option("--all", "depth", flag_value="all", help="List, then read everything.")
@click.option("--for", "budget_time", metavar="TIME", help="Stop after this time, such as 2h or 45min.")
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

    It yields to everything else on the machine. Stop it at any time: the next rescan goes on with what was not
    read for longest. SIGUSR1 pauses it, SIGUSR2 lets it go on.
    """
    from tripleguard.cli.shell import pausing
    from tripleguard.config import seconds_of, size_in_bytes
    from tripleguard.errors import WrongUse
    from tripleguard.reports import objects, text
    from tripleguard.work.budget import Budget
    from tripleguard.work.kit import drives_for_looking, opened
    from tripleguard.work.rescan import rescan

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
    with kit_of(home) as kit, opened(kit, drives_for_looking(kit, names), f"rescan {depth}") as ready:
        drives = ready.readable()
        if not drives:
            raise ready.none_left("Connect a drive, then run it again.")
        troubles = ready.troubles(named=bool(names))
        with pausing(budget.paused):
            result = finish(rescan(kit, drives, depth, budget))  # type: ignore[arg-type]
        if as_json:
            say_json(objects.rescan(result, troubles))
        else:
            say(text.rescan(result))
            say(text.troubles(troubles))
    if result.stopped:
        return 130
    return 1 if troubles or any(one.found or one.gone or one.trouble for one in result.places) else 0
