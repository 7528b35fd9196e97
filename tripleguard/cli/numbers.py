"""`numbers`: what the frame numbers of a night say, explaining what is no fault, and how many cards there were."""

from __future__ import annotations

import click

from tripleguard.cli.shell import kit_of, say, say_json


@click.group("numbers", invoke_without_command=True)
@click.option("--night", metavar="DAY", help="The shooting day, such as 2026-06-13 (default: the latest).")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_context
def command(ctx: click.Context, night: str | None, as_json: bool) -> int:
    """Is a card missing? What the frame numbers of a night say, body by body."""
    if ctx.invoked_subcommand is not None:
        return 0
    from tripleguard.reports import numbers
    from tripleguard.work.numbering import night_told

    with kit_of(ctx.obj) as kit:
        told = night_told(kit, night)
        if as_json:
            say_json(numbers.night_object(told))
        else:
            say(numbers.night(told))
    return 1 if any(one.sure for one in (*told.open, *told.elsewhere)) else 0


@command.command("close")
@click.argument("number", type=int)
@click.option("--because", "why", required=True, metavar="REASON", help="Why nothing is missing; it is kept.")
@click.pass_obj
def close(home: str | None, number: int, why: str) -> None:
    """Explain NUMBER: no card is missing there. It is not asked again, and habits are learnt from it."""
    from tripleguard.work.numbering import close_doubt

    with kit_of(home) as kit:
        one = close_doubt(kit, number, why)
        say([f"Closed: {one.message}. It is kept in the log with the reason."])


@command.command("cards")
@click.argument("cards", type=click.IntRange(1, 999))
@click.option("--night", metavar="DAY", help="The shooting day, such as 2026-06-13 (default: the latest).")
@click.pass_obj
def cards(home: str | None, cards: int, night: str | None) -> int:
    """Say how many CARDS the night had: all that were filled, with different pictures on each."""
    from tripleguard.reports import numbers
    from tripleguard.work.numbering import night_told, tell_cards

    with kit_of(home) as kit:
        told = night_told(kit, tell_cards(kit, cards, night))
        say(numbers.night(told))
    return 1 if any(one.sure for one in told.open) else 0
