"""`drill`: restore a random sample and compare."""

from __future__ import annotations

import secrets
from pathlib import Path

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
    from tripleguard.config import parse_size
    from tripleguard.errors import UsageError
    from tripleguard.jobs.commands import OffsiteDrillRequest, run_drill
    from tripleguard.jobs.offsite.encryption import read_key_file
    from tripleguard.jobs.offsite.offsite_place import get_offsite_place
    from tripleguard.presentation import json_output, text

    with open_context(home) as ctx:
        request = None
        if offsite:
            try:
                max_bytes = ctx.settings.offsite.read_back_bytes if most is None else parse_size(most)
            except ValueError as error:
                raise UsageError(
                    f"{error}.", safe="Nothing was changed.", do="Correct it and run it again."
                ) from error
            request = OffsiteDrillRequest(max_bytes, read_key_file(ctx.home, key_file) if key_file else None)
        number = secrets.randbelow(10**9) if seed is None else seed
        report = run_job(run_drill(ctx, files, number, request, purpose="drill"))
        sampled = report.offsite
        if as_json:
            print_json(json_output.build_drill_object(report.result, report.errors, sampled))
        else:
            print_lines(text.format_drill(report.result))
            if sampled is not None:
                print_lines(text.format_offsite_drill(sampled))
            elif not offsite and get_offsite_place(ctx) is not None:
                print_lines(["The offsite place was not sampled: `drill --offsite` does it."])
            print_lines(text.format_errors(report.errors))
    places = [*report.result.places, *([sampled.place] if sampled is not None else [])]
    return 1 if report.errors or any(place.failed for place in places) else 0
