"""`topup`: make the copies that are owed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

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
    from tripleguard.errors import PlaceError
    from tripleguard.jobs.cards.topup import topup
    from tripleguard.jobs.drives import open_drives, select_read_only_sources, select_writable_drives
    from tripleguard.jobs.offsite.encryption import read_key_file
    from tripleguard.jobs.offsite.repair_offsite import has_copies_drives_lack
    from tripleguard.presentation import json_output, text

    with (
        open_context(home) as ctx,
        open_drives(ctx, select_writable_drives(ctx, ()), "topup") as ready,
        open_drives(ctx, select_read_only_sources(ctx), "topup", for_writing=False) as besides,
    ):
        if not ready.writable:
            raise PlaceError(
                "No drive is connected.", safe="Nothing was changed.", do="Connect the drives, then run it again."
            )
        key = read_key_file(ctx.home, key_file) if key_file else None
        result = run_job(topup(ctx, ready.writable, [error for _, error in ready.unavailable], besides.writable))
        if result.without_source and has_copies_drives_lack(ctx):
            result = _topup_from_offsite(ctx, ready.writable, besides.writable, key, result)
        if as_json:
            print_json(json_output.build_topup_object(result))
        else:
            print_lines(text.format_topup(result))
    return 1 if result.still_under_replicated or result.errors or result.cached else 0


def _topup_from_offsite(ctx: Any, drives: Any, read_only_drives: Any, key: Any, drives_result: Any) -> Any:
    """Fetch what no drive has from offsite. A line that is down is trouble, and the rest still counts."""
    from dataclasses import replace

    from tripleguard.errors import TripleguardError
    from tripleguard.jobs.cards.topup import topup
    from tripleguard.jobs.offsite.offsite_place import open_locked_offsite, require_offsite
    from tripleguard.jobs.offsite.repair_offsite import OffsiteSource, explain_missing_key

    try:
        with open_locked_offsite(ctx, require_offsite(ctx), "topup") as offsite:
            more = run_job(topup(ctx, drives, (), [*read_only_drives, OffsiteSource(ctx, offsite, key)]))
    except TripleguardError as error:
        return replace(drives_result, troubles=(*drives_result.troubles, error))
    return replace(
        more,
        created={name: count + drives_result.created.get(name, 0) for name, count in more.created.items()},
        verified={name: count + drives_result.verified.get(name, 0) for name, count in more.verified.items()},
        total_bytes=more.total_bytes + drives_result.total_bytes,
        errors=(
            *drives_result.troubles,
            *more.errors,
            *(explain_missing_key(ctx, key) if more.without_source else ()),
        ),
        seconds=round(drives_result.seconds + more.seconds, 3),
    )
