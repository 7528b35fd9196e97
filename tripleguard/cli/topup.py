"""`topup`: pay what is owed."""

from __future__ import annotations

import click

from tripleguard.cli.shell import finish, kit_of, say, say_json


@click.command("topup")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(home: str | None, as_json: bool) -> int:
    """Make the copies that are still owed, from a good copy on another connected drive.

    Drives on the shelf and drives that are leaving are read from too; nothing is written to them.
    """
    from tripleguard.errors import PlaceTrouble
    from tripleguard.reports import objects, text
    from tripleguard.work.kit import drives_for_writing, only_to_read_from, opened
    from tripleguard.work.topup import topup

    with (
        kit_of(home) as kit,
        opened(kit, drives_for_writing(kit, ()), "topup") as ready,
        opened(kit, only_to_read_from(kit), "topup", writing=False) as besides,
    ):
        if not ready.drives:
            raise PlaceTrouble(
                "No drive is connected.", safe="Nothing was changed.", do="Connect the drives, then run it again."
            )
        result = finish(topup(kit, ready.drives, [error for _, error in ready.refused], besides.drives))
        if as_json:
            say_json(objects.topup(result))
        else:
            say(text.topup(result))
    return 1 if result.still_short or result.troubles else 0
