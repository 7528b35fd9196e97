"""`mend`: put right what can be put right."""

from __future__ import annotations

import click

from tripleguard.cli.shell import finish, kit_of, say, say_json


@click.command("mend")
@click.option("--dry-run", is_flag=True, help="Only say what would be done.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(home: str | None, dry_run: bool, as_json: bool) -> int:
    """Put right what a good copy can put right.

    The good copy is only read. A bad copy is moved aside on its drive, never deleted, and only once the new one is
    whole. It rests on the last rescan: where something else stands by now, nothing is done.
    """
    from tripleguard.model import PlaceState
    from tripleguard.reports import objects, text
    from tripleguard.work.kit import drives_for_looking, opened
    from tripleguard.work.mend import mend

    with kit_of(home) as kit, opened(kit, drives_for_looking(kit), "mend") as ready:
        drives = [drive for drive in ready.drives if drive.record.state is not PlaceState.LEAVING]
        if not drives:
            raise ready.none_left("Connect the drives, then run it again.")
        sources = [drive for drive in ready.readable() if drive not in drives]
        result = finish(mend(kit, drives, sources, ready.troubles(), dry_run=dry_run))
        if as_json:
            say_json(objects.mend(result))
        else:
            say(text.mend(result))
    return 1 if result.not_mended or result.troubles or (dry_run and result.mended) else 0
