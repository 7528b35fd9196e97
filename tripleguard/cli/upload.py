"""`upload`: send what is owed offsite."""

from __future__ import annotations

import click

from tripleguard.cli.shell import finish, kit_of, say, say_json


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
    from tripleguard.config import rate_in_bytes, seconds_of
    from tripleguard.errors import WrongUse
    from tripleguard.reports import upload as shown
    from tripleguard.work.budget import Budget
    from tripleguard.work.kit import drives_for_writing, opened
    from tripleguard.work.offsite.third_place import needed_offsite, opened_offsite
    from tripleguard.work.offsite.upload import upload

    try:
        budget = Budget(
            seconds=seconds_of(budget_time) if budget_time else None, rate=rate_in_bytes(limit) if limit else 0
        )
    except ValueError as error:
        raise WrongUse(
            f"{error}.", safe="Nothing was sent.", do="Correct it and run the command again."
        ) from error
    with kit_of(home) as kit:
        record = needed_offsite(kit)
        with (
            opened(kit, drives_for_writing(kit, ()), "upload", writing=False) as ready,
            opened_offsite(kit, record, "upload") as offsite,
        ):
            result = finish(upload(kit, ready.looked_at, offsite, budget, even_metered=even_metered))
            if as_json:
                say_json(shown.upload_object(result))
            else:
                say(shown.upload_text(result))
            stopped = kit.stop.is_set()
    if stopped:
        return 130
    return 1 if result.still_owed or result.troubles else 0
