"""`rebuild`: make a new catalog from what the drives hold."""

from __future__ import annotations

import contextlib
from pathlib import Path

import click

from tripleguard.cli.shell import parse_named_paths, print_json, print_lines, run_job


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

    from tripleguard.clock import SystemClock, format_iso
    from tripleguard.config import WatchSettings, read_settings
    from tripleguard.errors import PlaceBusyError
    from tripleguard.home import create_home, open_home_lock, resolve_home
    from tripleguard.jobs.context import WATCH_LOCK
    from tripleguard.jobs.lifecycle.rebuild import check_can_rebuild, rebuild, refuse_clones
    from tripleguard.jobs.lifecycle.remark_drive import remark_drive
    from tripleguard.jobs.offsite.checklists_and_snapshots import read_offsite_snapshots
    from tripleguard.jobs.offsite.encryption import read_key_file
    from tripleguard.places.drive import open_drive
    from tripleguard.places.enclosing import check_not_on_card
    from tripleguard.places.local import LocalPlaces
    from tripleguard.places.locks import LockHolder, hold_lock, is_locked
    from tripleguard.presentation import rebuild as shows

    wanted = parse_named_paths(named, "--as")
    if not places and not wanted:
        raise click.UsageError("Name the drives: where they are mounted.")
    home_ = resolve_home(home)
    check_not_on_card(home_.root, WatchSettings().card_folders)
    create_home(home_)
    if is_locked(lambda: open_home_lock(home_, WATCH_LOCK)):
        raise PlaceBusyError(
            "The watch of this home is running.", safe="Nothing was changed.", do="Stop it first."
        )
    check_can_rebuild(home_, replace_existing=anew)
    settings, clock = read_settings(home_.settings), SystemClock()
    key = read_key_file(home_, key_file) if key_file else None
    further = [
        one for place in places if "://" in place for one in read_offsite_snapshots(LocalPlaces(), place, key)
    ]
    holder = LockHolder(os.getpid(), platform.node(), "rebuild", format_iso(clock.now()))
    with contextlib.ExitStack() as stack:
        stack.enter_context(hold_lock("This home", lambda: open_home_lock(home_, "rebuild"), holder))
        drives = []
        for place in places:
            if "://" not in place:
                root = Path(place).expanduser().absolute()
                drives.append(stack.enter_context(contextlib.closing(open_drive(root))))
        for name, path in wanted:
            root = path.expanduser().absolute()
            remark_drive(LocalPlaces(), home_, clock, name, root, drives)
            drives.append(stack.enter_context(contextlib.closing(open_drive(root))))
        refuse_clones(drives)
        for drive in sorted(drives, key=lambda one: one.uid):
            stack.enter_context(hold_lock(f"Drive {drive.name}", drive.writer.open_lock, holder))
        result = run_job(rebuild(home_, settings, clock, drives, replace_existing=anew, extra_snapshots=further))
    if as_json:
        print_json(shows.build_rebuild_object(result))
    else:
        print_lines(shows.format_rebuild(result))
    return 1
