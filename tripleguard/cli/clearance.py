"""`clearance`: the question that costs sleep."""

from __future__ import annotations

from pathlib import Path

import click

from tripleguard.cli.shell import finish, kit_of, say, say_json


@click.group("clearance")
def command() -> None:
    """May this card or drive be reformatted? It looks again, and in doubt the answer is no."""


@command.command("card")
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--fast", is_flag=True, help="Compare size, time and both ends of each file, not its whole content.")
@click.option(
    "--accept-damaged",
    is_flag=True,
    help="Live with files that were broken or suspicious already on the card; it is recorded.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def card(home: str | None, path: Path, fast: bool, accept_damaged: bool, as_json: bool) -> int:
    """May the card at PATH be reformatted?

    Every file on it is read now and looked up by its content; every copy that is to count must be on its drive
    now and must have been read back. This program never formats anything: that stays in your hands.
    """
    from tripleguard.names import shown
    from tripleguard.places.card import open_card
    from tripleguard.reports import objects, text
    from tripleguard.work.cards.clearance import CardQuestion, answer_for_card
    from tripleguard.work.kit import opened, where_drives_are

    with kit_of(home) as kit:
        drives = where_drives_are(kit)
        opened_card = open_card(path.expanduser().absolute(), [at for _, at in drives if at])
        try:
            with opened(kit, drives, f"clearance of {shown(str(path))}") as ready:
                question = CardQuestion(opened_card, check_content=not fast, accept_damaged=accept_damaged)
                answer = finish(answer_for_card(kit, question, ready.looked_at))
        finally:
            opened_card.close()
        if as_json:
            say_json(objects.clearance(answer.clearance))
        else:
            say(text.clearance(answer.clearance))
            if answer.clearance.answer:
                say([*(f"Record on drive {record}" for record in answer.records), text.caution()])
    return 0 if answer.clearance.answer else 1


@command.command("drive")
@click.argument("name")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def drive(home: str | None, name: str, as_json: bool) -> int:
    """May drive NAME be taken out of service and reformatted?

    The drive is listed now. Every file on it must have the copies that the rule asks for on other drives, which
    are here now and were read back lately. This only answers: `retire` acts on it.
    """
    from tripleguard.reports import retiring as shows
    from tripleguard.work.kit import opened, where_drives_are
    from tripleguard.work.years import retiring

    with kit_of(home) as kit:
        record = retiring.drive_to_retire(kit, name)
        doing = f"clearance of drive {record.name}"
        with opened(kit, where_drives_are(kit), doing, writing=False, leaving=record.id) as ready:
            answer = finish(retiring.ask_and_keep(kit, record, ready.looked_at))
        if as_json:
            say_json(shows.answer_object(answer))
        else:
            say(shows.answer(answer))
    return 0 if answer.clearance.answer else 1
