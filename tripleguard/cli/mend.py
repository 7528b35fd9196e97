"""`mend`: put right what can be put right."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from tripleguard.cli.shell import finish, kit_of, say, say_json


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

    from tripleguard.model import PlaceState
    from tripleguard.reports import objects, text
    from tripleguard.work.kit import drives_for_looking, opened
    from tripleguard.work.mending.mend import mend
    from tripleguard.work.offsite.mend_offsite import could_help, would_mend_offsite, wounds_offsite
    from tripleguard.work.offsite.opening import read_key

    with kit_of(home) as kit, opened(kit, drives_for_looking(kit), "mend") as ready:
        key = read_key(kit.home, key_file) if key_file else None
        drives = [drive for drive in ready.drives if drive.record.state is not PlaceState.LEAVING]
        if not drives:
            raise ready.none_left("Connect the drives, then run it again.")
        sources = [drive for drive in ready.readable() if drive not in drives]
        result = finish(mend(kit, drives, sources, ready.troubles(), dry_run=dry_run))
        if dry_run:
            there = would_mend_offsite(kit)
            result = replace(
                result,
                mended=(*result.mended, *there.mended),
                not_mended=(*result.not_mended, *there.not_mended),
            )
        elif wounds_offsite(kit) or could_help(kit, result.not_mended):
            result = _with_offsite(kit, drives, sources, ready.looked_at, key, result)
        if as_json:
            say_json(objects.mend(result))
        else:
            say(text.mend(result))
    return 1 if result.not_mended or result.troubles or (dry_run and result.mended) else 0


def _with_offsite(kit: Any, drives: Any, sources: Any, looked_at: Any, key: Any, first: Any) -> Any:
    """Mend also from the offsite place, and there. A line that is down is trouble, and the rest still counts."""
    from dataclasses import replace

    from tripleguard.errors import TripleguardError
    from tripleguard.work.mending.mend import mend
    from tripleguard.work.offsite.mend_offsite import OffsiteSource, could_help, mend_offsite, sealed_help
    from tripleguard.work.offsite.third_place import needed_offsite, opened_offsite

    result = first
    try:
        with opened_offsite(kit, needed_offsite(kit), "mend") as offsite:
            if could_help(kit, first.not_mended):
                more = finish(mend(kit, drives, [*sources, OffsiteSource(kit, offsite, key)]))
                troubles = (*first.troubles, *(sealed_help(kit, key) if more.not_mended else ()))
                result = replace(more, mended=(*first.mended, *more.mended), troubles=troubles)
            there = finish(mend_offsite(kit, looked_at, offsite))
    except TripleguardError as error:
        return replace(result, troubles=(*result.troubles, error))
    return replace(
        result,
        mended=(*result.mended, *there.mended),
        not_mended=(*result.not_mended, *there.not_mended),
        troubles=(*result.troubles, *there.troubles),
    )
