"""`adopt`: take an archive that was made by hand into the catalog, as it lies."""

from __future__ import annotations

import click

from tripleguard.cli.shell import finish, kit_of, say, say_json


@click.command("adopt")
@click.option("--drive", "names", multiple=True, metavar="NAME", help="Only this drive; may be repeated.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(home: str | None, names: tuple[str, ...], as_json: bool) -> int:
    """Enter every file that lies on the drives and is not in the catalog yet, as it lies.

    Each file is read from its drive and hashed, all drives at once; files with the same bytes on two drives are
    paired wherever they lie. Nothing is moved, copied or renamed: `topup` makes the copies that are missing then.
    Stop it at any time and run it again: it goes on.
    """
    from tripleguard.errors import PlaceTrouble
    from tripleguard.reports import rebuilding as shows
    from tripleguard.work.kit import drives_for_writing, opened
    from tripleguard.work.years.adopting import adopt

    with kit_of(home) as kit, opened(kit, drives_for_writing(kit, names), "adopt") as ready:
        if not ready.drives:
            raise PlaceTrouble(
                "No drive is connected.", safe="Nothing was changed.", do="Connect a drive, then run it again."
            )
        result = finish(adopt(kit, ready.drives))
        short = shows.short_of(kit.catalog)
        if as_json:
            say_json(shows.adopted_object(result, short))
        else:
            say(shows.adopted(result, short))
    return (
        1 if short or result.differing or result.unlisted or any(one.left for one in result.taken.values()) else 0
    )
