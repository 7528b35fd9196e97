"""`drill`: restore a random sample and compare."""

from __future__ import annotations

import secrets
from pathlib import Path
from typing import Any

import click

from tripleguard.cli.shell import open_context, print_json, print_lines, run_job


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
    from tripleguard.jobs.drives import open_drives, select_maintained_drives
    from tripleguard.jobs.offsite.offsite_place import get_offsite_place, require_offsite
    from tripleguard.jobs.rescan.drill import drill
    from tripleguard.presentation import json_output, text

    number = secrets.randbelow(10**9) if seed is None else seed
    with open_context(home) as ctx:
        if offsite:
            require_offsite(ctx)
        with open_drives(ctx, select_maintained_drives(ctx), "drill") as ready:
            drives = ready.readable()
            if not drives and not offsite:
                raise ready.no_drive_error("Connect a drive, then run it again.")
            troubles = ready.errors()
            result = run_job(drill(ctx, drives, files, number))
        there = None
        if offsite:
            there, trouble = _drill_offsite(ctx, files, number, most, key_file)
            troubles = [*troubles, *trouble]
        if as_json:
            print_json(json_output.build_drill_object(result, troubles, there))
        else:
            print_lines(text.format_drill(result))
            if there is not None:
                print_lines(text.format_offsite_drill(there))
            elif not offsite and get_offsite_place(ctx) is not None:
                print_lines(["The offsite place was not sampled: `drill --offsite` does it."])
            print_lines(text.format_errors(troubles))
    drilled = [*result.places, *([there.place] if there else [])]
    return 1 if troubles or any(one.failed for one in drilled) else 0


def _drill_offsite(
    ctx: Any, files: int, seed: int, most: str | None, key_file: Path | None
) -> tuple[Any, list[Any]]:
    """The drill of the offsite place; a line that is down is trouble, and the drives' drill still counts."""
    from tripleguard.config import parse_size
    from tripleguard.errors import CopyError, PlaceError, UsageError
    from tripleguard.jobs.offsite.drill_offsite import drill_offsite
    from tripleguard.jobs.offsite.encryption import read_key_file
    from tripleguard.jobs.offsite.offsite_place import open_locked_offsite, require_offsite

    try:
        most_bytes = ctx.settings.offsite.read_back_bytes if most is None else parse_size(most)
    except ValueError as error:
        raise UsageError(f"{error}.", safe="Nothing was changed.", do="Correct it and run it again.") from error
    key = read_key_file(ctx.home, key_file) if key_file else None
    try:
        with open_locked_offsite(ctx, require_offsite(ctx), "drill") as place:
            return run_job(drill_offsite(ctx, place, files, seed, most_bytes, key)), []
    except (CopyError, PlaceError) as error:
        return None, [error]
