"""`drives`: which there are, where they are, and changes to them."""

from __future__ import annotations

from pathlib import Path

import click

from tripleguard.cli.retire import command as retire
from tripleguard.cli.shell import kit_of, say, say_json


@click.group("drives", invoke_without_command=True)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_context
def command(ctx: click.Context, as_json: bool) -> None:
    """Show the drives: where they are now, how full, how long unverified."""
    if ctx.invoked_subcommand is None:
        with kit_of(ctx.obj) as kit:
            _show(kit, as_json)


@command.command("add")
@click.argument("name")
@click.argument("path", type=click.Path(path_type=Path))
@click.pass_obj
def add(home: str | None, name: str, path: Path) -> None:
    """Make the folder PATH a drive called NAME, or bring a known one back into service.

    What was lost or retired and comes back counts for nothing until it was read again.
    """
    from tripleguard.catalog.places import all_places
    from tripleguard.model import PlaceState
    from tripleguard.work.setting_up import add_drive

    with kit_of(home) as kit:
        out = {
            one.name.casefold()
            for one in all_places(kit.catalog)
            if one.state in (PlaceState.LOST, PlaceState.RETIRED)
        }
        add_drive(kit, name, path)
        _show(kit, as_json=False)
        if name.casefold() in out:
            say([f"What is on it counts once it was read again. Next: `tripleguard rescan --place {name}`."])


@command.command("note")
@click.argument("name")
@click.argument("text")
@click.pass_obj
def note(home: str | None, name: str, text: str) -> None:
    """Say where a drive is kept, such as "shelf 2, box 4"; "" forgets it."""
    from tripleguard.work.setting_up import note_drive

    with kit_of(home) as kit:
        record = note_drive(kit, name, text)
        say([f"Drive {record.name}: {record.note or 'no note'}."])


@command.command("lost")
@click.argument("name")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def lost(home: str | None, name: str, as_json: bool) -> int:
    """Mark a drive as lost, stolen or dead: its copies stop counting at once.

    Says what is left of what was on it, and which drives to connect first.
    """
    from tripleguard.model import PlaceState
    from tripleguard.reports import losing as shows
    from tripleguard.work.setting_up import change_drive
    from tripleguard.work.years.losing import aftermath, remaining

    with kit_of(home) as kit:
        left = aftermath(kit.catalog, change_drive(kit, name, PlaceState.LOST))
        rests_on = remaining(kit, left.record)
        if as_json:
            say_json(shows.aftermath_object(left, rests_on))
        else:
            say(shows.aftermath(left, rests_on, kit.clock.now()))
    is_short = left.nowhere.files or left.offsite.files or left.once.files
    return 1 if is_short or any(one.overdue for one in rests_on) else 0


@command.command("shelve")
@click.argument("name")
@click.pass_obj
def shelve(home: str | None, name: str) -> None:
    """Put a drive on the shelf: its copies count, and are verified less often."""
    _change(home, name, "shelved")


@command.command("recall")
@click.argument("name")
@click.pass_obj
def recall(home: str | None, name: str) -> None:
    """Take a drive from the shelf, or one that was leaving, back on the road: it is written to again."""
    _change(home, name, "active")


command.add_command(retire)


def _change(home: str | None, name: str, state: str) -> None:
    from tripleguard.catalog.shoots import totals
    from tripleguard.model import PlaceState
    from tripleguard.reports.words import count
    from tripleguard.work.setting_up import change_drive

    with kit_of(home) as kit:
        record = change_drive(kit, name, PlaceState(state))
        short = totals(kit.catalog)[2]
        say([f"Drive {record.name} is {state} now. Nothing on the drive was touched."])
        if short:
            say([f"{count(short, 'file')} now have fewer copies than the rule asks. Next: `tripleguard topup`."])


def _show(kit: object, as_json: bool) -> None:
    from tripleguard.places.disks import sharing
    from tripleguard.reports import objects, text
    from tripleguard.work.answers.reporting import place_statuses
    from tripleguard.work.kit import Kit

    assert isinstance(kit, Kit)
    statuses = place_statuses(kit)
    shared = sharing([(one.record.name, one.path) for one in statuses if one.path])
    if as_json:
        say_json(objects.drives(statuses, shared))
    else:
        say(text.drives(statuses, shared, kit.clock.now(), allowed=kit.settings.rule.allow_same_disk))
