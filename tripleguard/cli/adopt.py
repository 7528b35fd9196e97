"""`adopt`: enter an archive made by hand into the catalog, without moving a file."""

from __future__ import annotations

import click

from tripleguard.cli.shell import open_context, print_json, print_lines, run_job


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
    from tripleguard.errors import PlaceError
    from tripleguard.jobs.drives import open_drives, select_writable_drives
    from tripleguard.jobs.lifecycle.adopt import adopt
    from tripleguard.presentation import rebuild as shows

    with open_context(home) as ctx, open_drives(ctx, select_writable_drives(ctx, names), "adopt") as ready:
        if not ready.writable:
            raise PlaceError(
                "No drive is connected.", safe="Nothing was changed.", do="Connect a drive, then run it again."
            )
        result = run_job(adopt(ctx, ready.writable))
        short = shows.count_under_replicated(ctx.catalog)
        if as_json:
            print_json(shows.build_adoption_object(result, short))
        else:
            print_lines(shows.format_adoption(result, short))
    return (
        1
        if short
        or result.conflicting_paths
        or result.unlisted_paths
        or any(one.postponed for one in result.ingested.values())
        else 0
    )
