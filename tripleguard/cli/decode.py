"""`decode`: decode pictures from their copies, to see what a look in passing can't."""

from __future__ import annotations

import click

from tripleguard.cli.shell import finish, kit_of, say, say_json


@click.command("decode")
@click.option("--for", "budget_time", metavar="TIME", help="Stop after this time, such as 2h or 45min.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(home: str | None, budget_time: str | None, as_json: bool) -> int:
    """Decode pictures from their verified copies: were they damaged before they were copied?

    Each picture is decoded once, the newest first, in a process of its own that gives way to everything else. Stop
    it at any time: the next one goes on. Needs tripleguard[decode]. SIGUSR1 pauses it, SIGUSR2 lets it go on.
    """
    from tripleguard.cli.shell import pausing
    from tripleguard.config import seconds_of
    from tripleguard.errors import WrongUse
    from tripleguard.reports import objects, whole
    from tripleguard.reports import text as lines
    from tripleguard.work.budget import Budget
    from tripleguard.work.decoding.decode import decode
    from tripleguard.work.decoding.decoder import Decoder
    from tripleguard.work.kit import drives_for_looking, opened

    try:
        budget = Budget(seconds=seconds_of(budget_time) if budget_time else None)
    except ValueError as error:
        raise WrongUse(
            f"{error}.", safe="Nothing was changed.", do="Correct it and run the command again."
        ) from error
    with kit_of(home) as kit, opened(kit, drives_for_looking(kit), "decode") as ready:
        drives = ready.readable()
        if not drives:
            raise ready.none_left("Connect a drive, then run it again.")
        troubles = ready.troubles()
        with pausing(budget.paused), Decoder() as decoder:
            result = finish(decode(kit, drives, budget, decoder))
        if as_json:
            say_json(objects.decode(result, troubles))
        else:
            say(whole.decoded(result))
            say(lines.troubles(troubles))
    if result.stopped:
        return 130
    return 1 if troubles or result.damaged else 0
