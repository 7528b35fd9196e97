"""`rebuild`: a new catalog from what the drives hold."""

from __future__ import annotations

import contextlib
from pathlib import Path

import click

from tripleguard.cli.shell import finish, named_paths, say, say_json


@click.command("rebuild")
@click.argument("places", nargs=-1, metavar="PLACE...")
@click.option("--as", "named", multiple=True, metavar="NAME=PATH", help="A drive whose marker is damaged or gone.")
@click.option(
    "--key",
    "key_file",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The private key that opens a snapshot that lies sealed offsite. It is not kept.",
)
@click.option("--anew", is_flag=True, help="There is a catalog already: keep it under another name.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(
    home: str | None,
    places: tuple[str, ...],
    named: tuple[str, ...],
    key_file: Path | None,
    anew: bool,
    as_json: bool,
) -> int:
    """Make a new catalog from what the drives at PLACE... hold: the laptop is gone, the pictures are not.

    A PLACE can also be the address of an offsite place, alone if both drives are gone too.

    It takes over what the snapshots and check lists on the drives say, and lists every drive. Nothing is read, so
    nothing counts as verified: run `rescan` afterwards. On the drives only a marker that was damaged is written.
    """
    import os
    import platform

    from tripleguard.clock import SystemClock, iso_utc
    from tripleguard.config import read_settings
    from tripleguard.errors import PlaceBusy
    from tripleguard.home import home_at, make_home, open_home_lock
    from tripleguard.places.drive import open_drive
    from tripleguard.places.locks import Holder, held, is_taken
    from tripleguard.reports import rebuilding as shows
    from tripleguard.work.kit import WATCH_LOCK
    from tripleguard.work.offsite.opening import read_key
    from tripleguard.work.offsite.snapshots_offsite import snapshots_offsite
    from tripleguard.work.years.naming_drives import name_drive
    from tripleguard.work.years.rebuild import may_rebuild, rebuild, refuse_clones

    wanted = named_paths(named, "--as")
    if not places and not wanted:
        raise click.UsageError("Name the drives: where they are mounted.")
    home_ = home_at(home)
    make_home(home_)
    if is_taken(lambda: open_home_lock(home_, WATCH_LOCK)):
        raise PlaceBusy("The watch of this home is running.", safe="Nothing was changed.", do="Stop it first.")
    may_rebuild(home_, anew=anew)
    settings, clock = read_settings(home_.settings), SystemClock()
    key = read_key(home_, key_file) if key_file else None
    further = [one for place in places if "://" in place for one in snapshots_offsite(place, key)]
    holder = Holder(os.getpid(), platform.node(), "rebuild", iso_utc(clock.now()))
    with contextlib.ExitStack() as stack:
        stack.enter_context(held("This home", lambda: open_home_lock(home_, "rebuild"), holder))
        drives = []
        for place in places:
            if "://" not in place:
                root = Path(place).expanduser().absolute()
                drives.append(stack.enter_context(contextlib.closing(open_drive(root))))
        for name, path in wanted:
            root = path.expanduser().absolute()
            name_drive(home_, clock, name, root, drives)
            drives.append(stack.enter_context(contextlib.closing(open_drive(root))))
        refuse_clones(drives)
        for drive in sorted(drives, key=lambda one: one.uid):
            stack.enter_context(held(f"Drive {drive.name}", drive.storing.open_lock, holder))
        result = finish(rebuild(home_, settings, clock, drives, anew=anew, further=further))
    if as_json:
        say_json(shows.rebuilt_object(result))
    else:
        say(shows.rebuilt(result))
    return 1
