"""`repair`: put right what a good copy can put right."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from tripleguard.cli.shell import open_context, print_json, print_lines, run_job


@click.command("mend")
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

    The good copy is only read. A bad copy is moved aside on its drive, never deleted, and only once the new one is
    whole. It rests on the last rescan: where something else stands by now, nothing is done.
    """
    from dataclasses import replace

    from tripleguard.jobs.drives import open_drives, select_maintained_drives
    from tripleguard.jobs.offsite.encryption import read_key_file
    from tripleguard.jobs.offsite.repair_offsite import (
        can_offsite_repair,
        list_open_offsite_findings,
        plan_offsite_repair,
    )
    from tripleguard.jobs.repair.repair import repair
    from tripleguard.model import PlaceState
    from tripleguard.presentation import json_output, text

    with open_context(home) as ctx, open_drives(ctx, select_maintained_drives(ctx), "mend") as ready:
        key = read_key_file(ctx.home, key_file) if key_file else None
        drives = [drive for drive in ready.writable if drive.record.state is not PlaceState.RETIRING]
        if not drives:
            raise ready.no_drive_error("Connect the drives, then run it again.")
        sources = [drive for drive in ready.readable() if drive not in drives]
        result = run_job(repair(ctx, drives, sources, ready.errors(), dry_run=dry_run))
        if dry_run:
            there = plan_offsite_repair(ctx)
            result = replace(
                result,
                repaired=(*result.repaired, *there.repaired),
                not_repaired=(*result.not_repaired, *there.not_repaired),
            )
        elif list_open_offsite_findings(ctx) or can_offsite_repair(ctx, result.not_repaired):
            result = _repair_with_offsite(ctx, drives, sources, ready.connected, key, result)
        if as_json:
            print_json(json_output.build_repair_object(result))
        else:
            print_lines(text.format_repair(result))
    return 1 if result.not_repaired or result.errors or (dry_run and result.repaired) else 0


def _repair_with_offsite(ctx: Any, drives: Any, sources: Any, connected: Any, key: Any, drives_result: Any) -> Any:
    """Mend also from the offsite place, and there. A line that is down is trouble, and the rest still counts."""
    from dataclasses import replace

    from tripleguard.errors import TripleguardError
    from tripleguard.jobs.offsite.offsite_place import open_locked_offsite, require_offsite
    from tripleguard.jobs.offsite.repair_offsite import (
        OffsiteSource,
        can_offsite_repair,
        explain_missing_key,
        repair_offsite,
    )
    from tripleguard.jobs.repair.repair import repair

    result = drives_result
    try:
        with open_locked_offsite(ctx, require_offsite(ctx), "mend") as offsite:
            if can_offsite_repair(ctx, drives_result.not_mended):
                more = run_job(repair(ctx, drives, [*sources, OffsiteSource(ctx, offsite, key)]))
                troubles = (*drives_result.troubles, *(explain_missing_key(ctx, key) if more.not_repaired else ()))
                result = replace(more, repaired=(*drives_result.repaired, *more.repaired), errors=troubles)
            there = run_job(repair_offsite(ctx, connected, offsite))
    except TripleguardError as error:
        return replace(result, troubles=(*result.troubles, error))
    return replace(
        result,
        mended=(*result.repaired, *there.repaired),
        not_mended=(*result.not_repaired, *there.not_repaired),
        troubles=(*result.errors, *there.errors),
    )
