"""`handover`: give a shoot away so that anyone can check it, and check what was given."""

from __future__ import annotations

from pathlib import Path

import click

from tripleguard.cli.shell import open_context, print_json, print_lines, run_job


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
        return _check_bag(checked, as_json)
    if shoot is None or folder is None:
        raise click.UsageError("Give a shoot and a folder, or --check FOLDER.")
    from tripleguard.catalog.shoots import resolve_shoot
    from tripleguard.jobs.drives import locate_drives, open_drives
    from tripleguard.jobs.handover.handover import HandoverRequest, hand_over
    from tripleguard.places.handover_folder import open_handover_folder
    from tripleguard.presentation import handover as report

    with open_context(home) as ctx:
        wish = HandoverRequest(
            resolve_shoot(ctx.catalog, shoot),
            "list" if as_list else "bag",
            "selects" if selects else "all",
            allow_incomplete=leave_out,
        )
        drives = locate_drives(ctx)
        target = open_handover_folder(
            folder.expanduser().absolute(), [at for _, at in drives if at], ctx.settings.watch.card_folders
        )
        try:
            with open_drives(ctx, drives, "handover", for_writing=False) as ready:
                result = run_job(hand_over(ctx, ready.writable, target, wish))
        finally:
            target.close()
        if as_json:
            print_json(report.build_handover_object(result))
        else:
            print_lines(report.format_handover(result))
    return 0 if result.is_finished and not result.left_out and not result.warnings.uncataloged else 1


def _check_bag(folder: Path, as_json: bool) -> int:
    import threading

    from tripleguard.cli.shell import graceful_stop
    from tripleguard.jobs.handover.bag_check import check_bag
    from tripleguard.presentation import handover as report

    stop = threading.Event()
    with graceful_stop(stop.set):
        found = run_job(check_bag(folder.expanduser().absolute(), stop))
    if as_json:
        print_json(report.build_bag_check_object(found))
    else:
        print_lines(report.format_bag_check(found))
    return 0 if found.is_valid else 1
