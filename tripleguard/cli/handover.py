"""`handover`: give a shoot away so that anyone can check it, and check what was given."""

from __future__ import annotations

from pathlib import Path

import click

from tripleguard.cli.shell import finish, kit_of, say, say_json


@click.command("handover")
@click.argument("shoot", required=False)
@click.argument("folder", required=False, type=click.Path(path_type=Path))
@click.option("--selects", is_flag=True, help="Only what was chosen: each select with all files of its frame.")
@click.option("--list", "as_list", is_flag=True, help="Plain files and one sha256 list instead of a bag.")
@click.option("--leave-out", is_flag=True, help="Finish also where no good copy of some files can be had.")
@click.option(
    "--check", "checked", type=click.Path(path_type=Path), metavar="FOLDER", help="Check a bag, whoever made it."
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(
    home: str | None,
    shoot: str | None,
    folder: Path | None,
    selects: bool,
    as_list: bool,
    leave_out: bool,
    checked: Path | None,
    as_json: bool,
) -> int:
    """Copy the shoot SHOOT into FOLDER as a bag (RFC 8493) that anyone can check without this program.

    Every file is compared with the catalog while it is read, and read back after it was written. FOLDER must be
    new or empty and on none of the drives. Stop it at any time and run it again: it goes on where it stopped.
    """
    if checked is not None:
        if shoot is not None or selects or as_list or leave_out:
            raise click.UsageError("--check takes the folder of a bag and nothing else.")
        return _check(checked, as_json)
    if shoot is None or folder is None:
        raise click.UsageError("Give a shoot and a folder, or --check FOLDER.")
    from tripleguard.catalog.shoots import the_shoot
    from tripleguard.places.handing import open_handing
    from tripleguard.reports import handover as report
    from tripleguard.work.handing.handover import Wish, hand_over
    from tripleguard.work.kit import opened, where_drives_are

    with kit_of(home) as kit:
        wish = Wish(
            the_shoot(kit.catalog, shoot),
            "list" if as_list else "bag",
            "selects" if selects else "all",
            leave_out=leave_out,
        )
        drives = where_drives_are(kit)
        target = open_handing(
            folder.expanduser().absolute(), [at for _, at in drives if at], kit.settings.watch.card_folders
        )
        try:
            with opened(kit, drives, "handover", writing=False) as ready:
                result = finish(hand_over(kit, ready.drives, target, wish))
        finally:
            target.close()
        if as_json:
            say_json(report.as_object(result))
        else:
            say(report.lines(result))
    return 0 if result.finished and not result.left_out and not result.notes.beside else 1


def _check(folder: Path, as_json: bool) -> int:
    import threading

    from tripleguard.cli.shell import stopping_in_order
    from tripleguard.reports import handover as report
    from tripleguard.work.handing.bagcheck import check_bag

    stop = threading.Event()
    with stopping_in_order(stop.set):
        found = finish(check_bag(folder.expanduser().absolute(), stop))
    if as_json:
        say_json(report.checked_object(found))
    else:
        say(report.checked_lines(found))
    return 0 if found.valid else 1
