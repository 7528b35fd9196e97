"""`drill`: restore a random sample and compare."""

from __future__ import annotations

import secrets
from pathlib import Path
from typing import Any

import click

from tripleguard.cli.shell import finish, kit_of, say, say_json


@click.command("drill")
@click.option(
    "--files", type=click.IntRange(1, 100_000), default=20, show_default=True, help="Copies from each place."
)
@click.option("--seed", type=int, help="Repeat the sample of an earlier drill.")
@click.option("--offsite", is_flag=True, help="Also from the offsite place: that is fetched, and may cost.")
@click.option("--most", metavar="SIZE", help="Fetch at most so much from there; offsite.read_back without it.")
@click.option(
    "--key",
    "key_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The private key that opens what lies sealed offsite. It is not kept.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(
    home: str | None,
    files: int,
    seed: int | None,
    offsite: bool,
    most: str | None,
    key_file: Path | None,
    as_json: bool,
) -> int:
    """Restore a random sample from every connected drive into a scratch folder and compare.

    The scratch folder is in the home, and emptied again. The offsite place is sampled when --offsite is given,
    within a budget of bytes. Exit status 1: a copy could not be restored.
    """
    from tripleguard.reports import objects, text
    from tripleguard.work.kit import drives_for_looking, opened
    from tripleguard.work.offsite.third_place import needed_offsite, offsite_record
    from tripleguard.work.rescanning.drill import drill

    number = secrets.randbelow(10**9) if seed is None else seed
    with kit_of(home) as kit:
        if offsite:
            needed_offsite(kit)
        with opened(kit, drives_for_looking(kit), "drill") as ready:
            drives = ready.readable()
            if not drives and not offsite:
                raise ready.none_left("Connect a drive, then run it again.")
            troubles = ready.troubles()
            result = finish(drill(kit, drives, files, number))
        there = None
        if offsite:
            there, trouble = _offsite(kit, files, number, most, key_file)
            troubles = [*troubles, *trouble]
        if as_json:
            say_json(objects.drill(result, troubles, there))
        else:
            say(text.drill(result))
            if there is not None:
                say(text.drill_offsite(there))
            elif not offsite and offsite_record(kit) is not None:
                say(["The offsite place was not sampled: `drill --offsite` does it."])
            say(text.troubles(troubles))
    drilled = [*result.places, *([there.place] if there else [])]
    return 1 if troubles or any(one.failed for one in drilled) else 0


def _offsite(kit: Any, files: int, seed: int, most: str | None, key_file: Path | None) -> tuple[Any, list[Any]]:
    """The drill of the offsite place; a line that is down is trouble, and the drives' drill still counts."""
    from tripleguard.config import size_in_bytes
    from tripleguard.errors import CopyTrouble, PlaceTrouble, WrongUse
    from tripleguard.work.offsite.drill_offsite import drill_offsite
    from tripleguard.work.offsite.opening import read_key
    from tripleguard.work.offsite.third_place import needed_offsite, opened_offsite

    try:
        most_bytes = kit.settings.offsite.read_back_bytes if most is None else size_in_bytes(most)
    except ValueError as error:
        raise WrongUse(f"{error}.", safe="Nothing was changed.", do="Correct it and run it again.") from error
    key = read_key(kit.home, key_file) if key_file else None
    try:
        with opened_offsite(kit, needed_offsite(kit), "drill") as place:
            return finish(drill_offsite(kit, place, files, seed, most_bytes, key)), []
    except (CopyTrouble, PlaceTrouble) as error:
        return None, [error]
