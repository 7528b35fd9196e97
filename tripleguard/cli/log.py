"""`log`: what was done, when."""

from __future__ import annotations

import click

from tripleguard.cli.shell import kit_of, say, say_json


@click.command("log")
@click.option("--shoot", metavar="NAME", help="Only this shoot (a part of its day or name).")
@click.option("--last", type=click.IntRange(1, 100_000), default=50, show_default=True, help="How many events.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(home: str | None, shoot: str | None, last: int, as_json: bool) -> None:
    """What was done, when, oldest first."""
    from tripleguard.catalog import journal, shoots
    from tripleguard.errors import WrongUse
    from tripleguard.reports import objects, text

    with kit_of(home) as kit:
        meant = shoots.shoots_like(kit.catalog, shoot) if shoot else []
        if shoot and not meant:
            known = ", ".join(one.title for one in shoots.by_day(kit.catalog)[-5:]) or "none yet"
            raise WrongUse(
                f"No shoot matches {shoot!r}.", safe="Nothing was changed.", do=f"The last ones: {known}."
            )
        found = (
            sorted((e for one in meant for e in journal.events(kit.catalog, one.id, last)), key=lambda e: e.at)[
                -last:
            ]
            if meant
            else journal.events(kit.catalog, None, last)
        )
        if as_json:
            say_json(objects.log(found))
        else:
            say(text.log(found, kit.clock.zone()))
