"""`drives`: list the drives, where they are, and change them."""

from __future__ import annotations

from pathlib import Path

import click

from tripleguard.cli.retire import command as retire
from tripleguard.cli.shell import open_context, print_json, print_lines


@click.group("drives", invoke_without_command=True)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_context
def command(click_context: click.Context, as_json: bool) -> None:
    """Show the drives: where they are now, how full, how long unverified."""
    if click_context.invoked_subcommand is None:
        with open_context(click_context.obj) as ctx:
            _show_drives(ctx, as_json)


@command.command("add")
@click.argument("name")
@click.argument("path", type=click.Path(path_type=Path))
@click.pass_obj
def add(home: str | None, name: str, path: Path) -> None:
    """Make the folder PATH a drive called NAME, or bring a known one back into service.

    What was lost or retired and comes back counts for nothing until it was read again.
    """
    from tripleguard.catalog.places import list_places
    from tripleguard.jobs.drive_setup import add_drive
    from tripleguard.model import PlaceState

    with open_context(home) as ctx:
        out = {
            one.name.casefold()
            for one in list_places(ctx.catalog)
            if one.state in (PlaceState.LOST, PlaceState.RETIRED)
        }
        add_drive(ctx, name, path)
        _show_drives(ctx, as_json=False)
        if name.casefold() in out:
            print_lines(
                [f"What is on it counts once it was read again. Next: `tripleguard rescan --place {name}`."]
            )


@command.command("note")
@click.argument("name")
@click.argument("text")
@click.pass_obj
def note(home: str | None, name: str, text: str) -> None:
    """Say where a drive is kept, such as "shelf 2, box 4"; "" forgets it."""
    from tripleguard.jobs.drive_setup import set_drive_note

    with open_context(home) as ctx:
        record = set_drive_note(ctx, name, text)
        print_lines([f"Drive {record.name}: {record.note or 'no note'}."])


@command.command("lost")
@click.argument("name")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def lost(home: str | None, name: str, as_json: bool) -> int:
    """Mark a drive as lost, stolen or dead: its copies stop counting at once.

    Says what is left of what was on it, and which drives to connect first.
    """
    from tripleguard.jobs.drive_setup import set_drive_state
    from tripleguard.jobs.lifecycle.lost_drive import assess_loss, list_remaining_drives
    from tripleguard.model import PlaceState
    from tripleguard.presentation import lost_drive as shows

    with open_context(home) as ctx:
        left = assess_loss(ctx.catalog, set_drive_state(ctx, name, PlaceState.LOST))
        rests_on = list_remaining_drives(ctx, left.record)
        if as_json:
            print_json(shows.build_aftermath_object(left, rests_on))
        else:
            print_lines(shows.format_aftermath(left, rests_on, ctx.clock.now()))
    is_short = left.without_copy.files or left.only_offsite.files or left.on_one_drive.files
    return 1 if is_short or any(one.overdue for one in rests_on) else 0


@command.command("shelve")
@click.argument("name")
@click.pass_obj
def shelve(home: str | None, name: str) -> None:
    """Put a drive on the shelf: its copies count, and are verified less often."""
    _change_state(home, name, "shelved")


@command.command("recall")
@click.argument("name")
@click.pass_obj
def recall(home: str | None, name: str) -> None:
    """Take a drive from the shelf, or one that was leaving, back on the road: it is written to again."""
    _change_state(home, name, "active")


command.add_command(retire)


def _change_state(home: str | None, name: str, state: str) -> None:
    from tripleguard.catalog.shoots import count_totals
    from tripleguard.jobs.drive_setup import set_drive_state
    from tripleguard.model import PlaceState
    from tripleguard.wording import pluralize

    with open_context(home) as ctx:
        record = set_drive_state(ctx, name, PlaceState(state))
        short = count_totals(ctx.catalog)[2]
        print_lines([f"Drive {record.name} is {state} now. Nothing on the drive was touched."])
        if short:
            print_lines(
                [
                    f"{pluralize(short, 'file')} now have fewer copies than the "
                    f"rule asks. Next: `tripleguard topup`."
                ]
            )


def _show_drives(ctx: object, as_json: bool) -> None:
    from tripleguard.jobs.context import JobContext
    from tripleguard.jobs.queries.report_query import list_place_statuses
    from tripleguard.places.disks import find_shared_disks
    from tripleguard.presentation import json_output, text

    assert isinstance(ctx, JobContext)
    statuses = list_place_statuses(ctx)
    shared = find_shared_disks([(one.record.name, one.path) for one in statuses if one.path])
    if as_json:
        print_json(json_output.build_drives_object(statuses, shared))
    else:
        print_lines(
            text.format_drives(
                statuses, shared, ctx.clock.now(), is_same_disk_allowed=ctx.settings.rule.allow_same_disk
            )
        )
