"""`topup`: make the copies that are missing."""

from __future__ import annotations

from pathlib import Path

import click

from tripleguard.cli.shell import open_context, print_json, print_lines, run_job


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
    from tripleguard.jobs.commands import run_topup
    from tripleguard.jobs.offsite.encryption import read_key_file
    from tripleguard.presentation import json_output, text

    with open_context(home) as ctx:
        key = read_key_file(ctx.home, key_file) if key_file else None
        result = run_job(run_topup(ctx, purpose="topup", key=key))
        if as_json:
            print_json(json_output.build_topup_object(result))
        else:
            print_lines(text.format_topup(result))
    return 1 if result.still_under_replicated or result.errors or result.cached else 0
