"""`topup`: pay what is owed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from tripleguard.cli.shell import finish, kit_of, say, say_json


@click.command("topup")
@click.option(
    "--key",
    "key_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The private key that opens what lies sealed offsite. It is not kept.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(home: str | None, key_file: Path | None, as_json: bool) -> int:
    """Make the copies that are still owed, from a good copy on another connected drive.

    Drives on the shelf and drives that are leaving are read from too; nothing is written to them. What no drive
    has any more is fetched from the offsite place.
    """
    from tripleguard.errors import PlaceTrouble
    from tripleguard.reports import objects, text
    from tripleguard.work.cards.topup import topup
    from tripleguard.work.kit import drives_for_writing, only_to_read_from, opened
    from tripleguard.work.offsite.mend_offsite import owed_and_offsite
    from tripleguard.work.offsite.opening import read_key

    with (
        kit_of(home) as kit,
        opened(kit, drives_for_writing(kit, ()), "topup") as ready,
        opened(kit, only_to_read_from(kit), "topup", writing=False) as besides,
    ):
        if not ready.drives:
            raise PlaceTrouble(
                "No drive is connected.", safe="Nothing was changed.", do="Connect the drives, then run it again."
            )
        key = read_key(kit.home, key_file) if key_file else None
        result = finish(topup(kit, ready.drives, [error for _, error in ready.refused], besides.drives))
        if result.no_source and owed_and_offsite(kit):
            result = _from_offsite(kit, ready.drives, besides.drives, key, result)
        if as_json:
            say_json(objects.topup(result))
        else:
            say(text.topup(result))
    return 1 if result.still_short or result.troubles or result.unproved else 0


def _from_offsite(kit: Any, drives: Any, besides: Any, key: Any, first: Any) -> Any:
    """Fetch what no drive has from offsite. A line that is down is trouble, and the rest still counts."""
    from dataclasses import replace

    from tripleguard.errors import TripleguardError
    from tripleguard.work.cards.topup import topup
    from tripleguard.work.offsite.mend_offsite import OffsiteSource, sealed_help
    from tripleguard.work.offsite.third_place import needed_offsite, opened_offsite

    try:
        with opened_offsite(kit, needed_offsite(kit), "topup") as offsite:
            more = finish(topup(kit, drives, (), [*besides, OffsiteSource(kit, offsite, key)]))
    except TripleguardError as error:
        return replace(first, troubles=(*first.troubles, error))
    return replace(
        more,
        made={name: count + first.made.get(name, 0) for name, count in more.made.items()},
        proved={name: count + first.proved.get(name, 0) for name, count in more.proved.items()},
        total_bytes=more.total_bytes + first.total_bytes,
        troubles=(*first.troubles, *more.troubles, *(sealed_help(kit, key) if more.no_source else ())),
        seconds=round(first.seconds + more.seconds, 3),
    )
