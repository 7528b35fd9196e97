"""`offload`: copy a card to the drives."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tripleguard.cli.shell import open_context, print_json, print_lines, run_job

if TYPE_CHECKING:
    from tripleguard.jobs.context import JobContext


@click.command("offload")
@click.argument("card", type=Path)
@click.option(
    "--shoot", metavar="NAME", help="The shoot's name (default: the day's known shoot, else the settings)."
)
@click.option("--drive", "names", multiple=True, metavar="NAME", help="Copy to this drive only; may be repeated.")
@click.option(
    "--accept-damaged",
    is_flag=True,
    help="Live with files that were broken or suspicious already on the card; it is recorded.",
)
@click.option(
    "--read-twice/--read-once",
    default=None,
    help="Read the card a second time and compare (default: only if the first time had an error).",
)
@click.option(
    "--cards",
    type=click.IntRange(1, 999),
    metavar="N",
    help="How many cards the night had in all, with different pictures on each.",
)
@click.option("--body", metavar="NAME", help="Which body filled the card, where its files carry no serial.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(
    home: str | None,
    card: Path,
    shoot: str | None,
    names: tuple[str, ...],
    accept_damaged: bool,
    read_twice: bool | None,
    cards: int | None,
    body: str | None,
    as_json: bool,
) -> int:
    """Copy a card to the drives, read every copy back, and say if the card may be reformatted.

    The card is only read. Stop it at any time and run it again: it goes on where it stopped.
    """
    from tripleguard.cli.card_count_prompt import create_card_count_prompt
    from tripleguard.errors import UsageError
    from tripleguard.jobs.cards.name_bodies import check_body_name
    from tripleguard.jobs.cards.offload import offload
    from tripleguard.jobs.drives import locate_drives, open_drives, select_writable_drives
    from tripleguard.names import escape_text, find_title_problem
    from tripleguard.places.card import open_card
    from tripleguard.presentation import json_output, text

    why = find_title_problem(shoot) if shoot is not None else None
    if why is not None:
        raise UsageError(
            f"The shoot can't be called {escape_text(str(shoot))!r}: {why}.",
            safe="Nothing was changed.",
            do="Choose another --shoot name.",
        )
    if body is not None:
        check_body_name(body)
    with open_context(home) as ctx:
        known = [path for _, path in locate_drives(ctx) if path]
        opened_card = open_card(card.expanduser().absolute(), known, ctx.settings.watch.card_folders)
        try:
            ask_card_count = create_card_count_prompt(ctx, cards, can_ask=not as_json)
            drives = select_writable_drives(ctx, names)
            with open_drives(ctx, drives, f"offload of {escape_text(str(card))}") as ready:
                if not ready.writable:
                    raise _build_no_drive_error(ctx, ready.unavailable)
                job = offload(
                    ctx,
                    opened_card,
                    ready.writable,
                    shoot,
                    ready.unavailable,
                    accept_damaged=accept_damaged,
                    read_twice=read_twice,
                    body=body,
                    ask_card_count=ask_card_count,
                )
                result = run_job(job)
        finally:
            opened_card.close()
        if as_json:
            print_json(json_output.build_offload_object(result))
        else:
            print_lines(text.format_offload(result))
            if result.clearance.is_yes:
                print_lines([text.get_caution()])
    return 0 if result.clearance.is_yes else 1


def _build_no_drive_error(ctx: JobContext, unavailable: object) -> Exception:
    from tripleguard.errors import PlaceError, TripleguardError
    from tripleguard.jobs.drives import locate_drives

    assert isinstance(unavailable, list)
    for _, error in unavailable:
        assert isinstance(error, TripleguardError)
        return PlaceError(error.what, safe=error.safe, do=error.do)
    names = ", ".join(record.name for record, _ in locate_drives(ctx)) or "none known yet"
    return PlaceError(
        f"No drive is connected (known: {names}).",
        safe="Nothing was changed; the card was not read.",
        do="Connect at least one drive, then run the command again.",
    )
