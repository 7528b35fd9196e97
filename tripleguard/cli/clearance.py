"""`clearance`: may this card or drive be reformatted?"""

from __future__ import annotations

from pathlib import Path

import click

from tripleguard.cli.shell import open_context, print_json, print_lines, run_job


@click.group("clearance")
def command() -> None:
    """May this card or drive be reformatted? It looks again, and in doubt the answer is no."""


@command.command("card")
@click.argument("path", type=Path)
@click.option(
    "--accept-damaged",
    is_flag=True,
    help="Live with files that were broken or suspicious already on the card; it is recorded.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def card(home: str | None, path: Path, accept_damaged: bool, as_json: bool) -> int:
    """May the card at PATH be reformatted?

    Every file on it is read now and looked up by its content; every copy that is to count must be on its drive
    now and must have been read back. This program never formats anything: that stays in your hands.
    """
    from tripleguard.jobs.clearance.card_answer import CardQuestion
    from tripleguard.jobs.clearance.card_clearance import clear_card
    from tripleguard.jobs.drives import locate_drives, open_drives
    from tripleguard.names import escape_text
    from tripleguard.places.card import open_card
    from tripleguard.presentation import json_output, text

    with open_context(home) as ctx:
        drives = locate_drives(ctx)
        opened_card = open_card(
            path.expanduser().absolute(), [at for _, at in drives if at], ctx.settings.watch.card_folders
        )
        try:
            with open_drives(ctx, drives, f"clearance of {escape_text(str(path))}") as ready:
                question = CardQuestion(opened_card, accept_damaged=accept_damaged)
                answer = run_job(clear_card(ctx, question, ready.connected))
        finally:
            opened_card.close()
        if as_json:
            print_json(json_output.build_clearance_object(answer.clearance))
        else:
            print_lines(text.format_clearance(answer.clearance))
            if answer.clearance.is_yes:
                print_lines([*(f"Record on drive {record}" for record in answer.records), text.get_caution()])
    return 0 if answer.clearance.is_yes else 1


@command.command("drive")
@click.argument("name")
@click.option("--withdraw", is_flag=True, help="Take back the yes that was given for it: the drive stays.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def drive(home: str | None, name: str, withdraw: bool, as_json: bool) -> int:
    """May drive NAME be taken out of service and reformatted?

    The drive is listed now. Every file on it must have the copies that the rule asks for on other drives, which
    are here now and were read back lately. This only answers: `retire` acts on it. After a yes the drive counts as
    gone for every later question, until --withdraw, `drives recall` or `drives add` says that it stays.
    """
    from tripleguard.jobs.drives import locate_drives, open_drives
    from tripleguard.jobs.lifecycle import retire
    from tripleguard.presentation import retire as shows

    with open_context(home) as ctx:
        record = retire.get_drive_to_retire(ctx, name)
        if withdraw:
            stood = retire.withdraw_yes(ctx, record)
            if as_json:
                print_json({"schema": 1, "drive": record.name, "withdrawn": stood})
            else:
                print_lines(
                    [f"Drive {record.name} stays: {'the yes for it was taken back' if stood else 'no yes stood'}."]
                )
            return 0
        doing = f"clearance of drive {record.name}"
        with open_drives(ctx, locate_drives(ctx), doing, for_writing=False, leaving_id=record.id) as ready:
            answer = run_job(retire.answer_and_record(ctx, record, ready.connected))
        if as_json:
            print_json(shows.build_retire_answer_object(answer))
        else:
            print_lines(shows.format_retire_answer(answer))
    return 0 if answer.clearance.is_yes else 1
