"""`drill`: restore a random sample and compare."""

from __future__ import annotations

import secrets

import click

from tripleguard.cli.shell import finish, kit_of, say, say_json


@click.command("drill")
@click.option(
    "--files", type=click.IntRange(1, 100_000), default=20, show_default=True, help="Copies from each drive."
)
@click.option("--seed", type=int, help="Repeat the sample of an earlier drill.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(home: str | None, files: int, seed: int | None, as_json: bool) -> int:
    """Restore a random sample from every connected drive into a scratch folder and compare.

    The scratch folder is in the home, and emptied again. Exit status 1: a copy could not be restored.
    """
    from tripleguard.reports import objects, text
    from tripleguard.work.drill import drill
    from tripleguard.work.kit import drives_for_looking, opened

    with kit_of(home) as kit, opened(kit, drives_for_looking(kit), "drill") as ready:
        drives = ready.readable()
        if not drives:
            raise ready.none_left("Connect a drive, then run it again.")
        troubles = ready.troubles()
        result = finish(drill(kit, drives, files, secrets.randbelow(10**9) if seed is None else seed))
        if as_json:
            say_json(objects.drill(result, troubles))
        else:
            say(text.drill(result))
            say(text.troubles(troubles))
    return 1 if troubles or any(one.failed for one in result.places) else 0
