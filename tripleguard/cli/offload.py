"""`offload`: card to drives."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tripleguard.cli.shell import finish, kit_of, say, say_json

if TYPE_CHECKING:
    from tripleguard.work.kit import Kit


@click.command("offload")
@click.argument("card", type=click.Path(path_type=Path))
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
    from tripleguard.cli.asking import how_many_cards
    from tripleguard.errors import WrongUse
    from tripleguard.names import shown, trouble_with_title
    from tripleguard.places.card import open_card
    from tripleguard.reports import objects, text
    from tripleguard.work.cards.naming_bodies import check_name
    from tripleguard.work.cards.offload import offload
    from tripleguard.work.kit import drives_for_writing, opened, where_drives_are

    why = trouble_with_title(shoot) if shoot is not None else None
    if why is not None:
        raise WrongUse(
            f"The shoot can't be called {shown(str(shoot))!r}: {why}.",
            safe="Nothing was changed.",
            do="Choose another --shoot name.",
        )
    if body is not None:
        check_name(body)
    with kit_of(home) as kit:
        known = [path for _, path in where_drives_are(kit) if path]
        opened_card = open_card(card.expanduser().absolute(), known)
        try:
            told = how_many_cards(kit, cards, asking=not as_json)
            drives = drives_for_writing(kit, names)
            with opened(kit, drives, f"offload of {shown(str(card))}") as ready:
                if not ready.drives:
                    raise _none_here(kit, ready.refused)
                job = offload(
                    kit,
                    opened_card,
                    ready.drives,
                    shoot,
                    ready.refused,
                    accept_damaged=accept_damaged,
                    read_twice=read_twice,
                    body=body,
                    told=told,
                )
                result = finish(job)
        finally:
            opened_card.close()
        if as_json:
            say_json(objects.offload(result))
        else:
            say(text.offload(result))
            if result.clearance.answer:
                say([text.caution()])
    return 0 if result.clearance.answer else 1


def _none_here(kit: Kit, refused: object) -> Exception:
    from tripleguard.errors import PlaceTrouble, TripleguardError
    from tripleguard.work.kit import where_drives_are

    assert isinstance(refused, list)
    for _, error in refused:
        assert isinstance(error, TripleguardError)
        return PlaceTrouble(error.what, safe=error.safe, do=error.do)
    names = ", ".join(record.name for record, _ in where_drives_are(kit)) or "none known yet"
    return PlaceTrouble(
        f"No drive is connected (known: {names}).",
        safe="Nothing was changed; the card was not read.",
        do="Connect at least one drive, then run the command again.",
    )
