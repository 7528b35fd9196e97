"""`repair`: repair what a good copy can repair."""

from __future__ import annotations

from pathlib import Path

import click

from tripleguard.cli.shell import open_context, print_json, print_lines, run_job


@click.command("repair")
@click.option("--dry-run", is_flag=True, help="Only say what would be done.")
@click.option(
    "--key",
    "key_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The private key that opens what lies sealed offsite. It is not kept.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(home: str | None, dry_run: bool, key_file: Path | None, as_json: bool) -> int:
    """Put right what a good copy can put right.

    The good copy is only read. A bad copy is moved to quarantine on its drive, never deleted, and only once the
    new one is whole. It rests on the last rescan: where something else stands by now, nothing is done.
    """
    from tripleguard.jobs.commands import run_repair
    from tripleguard.jobs.offsite.encryption import read_key_file
    from tripleguard.presentation import json_output, text

    with open_context(home) as ctx:
        key = read_key_file(ctx.home, key_file) if key_file else None
        result = run_job(run_repair(ctx, purpose="repair", key=key, dry_run=dry_run))
        if as_json:
            print_json(json_output.build_repair_object(result))
        else:
            print_lines(text.format_repair(result))
    return 1 if result.not_repaired or result.errors or (dry_run and result.repaired) else 0
