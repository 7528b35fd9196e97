"""`quarantine`: list the bad copies that are kept, and remove some when a person confirms it."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from typing import TYPE_CHECKING

import click

from tripleguard.cli.shell import open_context, print_json, print_lines, run_job

if TYPE_CHECKING:
    from pathlib import Path

    from tripleguard.jobs.drives import JobDrives, OpenDrive
    from tripleguard.model import PlaceRecord


@click.group("quarantine", invoke_without_command=True)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_context
def command(click_context: click.Context, as_json: bool) -> None:
    """What is in quarantine: bad copies that were moved out of the way, since when, and why.

    Nothing there ever goes by itself.
    """
    if click_context.invoked_subcommand is not None:
        return
    from tripleguard.jobs.drives import locate_drives, open_drives
    from tripleguard.jobs.repair.quarantine import list_quarantine
    from tripleguard.presentation.quarantine import build_quarantine_object, format_quarantine

    with (
        open_context(click_context.obj) as ctx,
        open_drives(ctx, locate_drives(ctx), "quarantine", for_writing=False) as ready,
    ):
        found = list_quarantine(ctx, ready.connected)
        if as_json:
            print_json(build_quarantine_object(found))
        else:
            print_lines(format_quarantine(found, ctx.clock.zone()))


@command.command("empty")
@click.option("--drive", "names", multiple=True, required=True, metavar="NAME", help="Which; may be repeated.")
@click.option("--older-than", "age", metavar="TIME", help="What lies there for so long, such as 90d.")
@click.option("--keep-newest", "keep", metavar="SIZE", help="All but the newest, such as 5GB of them.")
@click.option("--changed-too", is_flag=True, help="Also what somebody changed; without it only what rotted.")
@click.option("--because", metavar="REASON", help="Why; it is kept in the log.")
@click.option("--confirmed", is_flag=True, help="Your word, where there is no terminal to type it at.")
@click.option("--dry-run", is_flag=True, help="Only say what would go and what would stay.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def empty(
    home: str | None,
    names: tuple[str, ...],
    age: str | None,
    keep: str | None,
    changed_too: bool,
    because: str | None,
    confirmed: bool,
    dry_run: bool,
    as_json: bool,
) -> int:
    """Remove bad copies from quarantine, for good, by your word.

    With both --older-than and --keep-newest only what both speak of goes. A bad copy stays as long as its file has
    not, on drives that are here now, the verified copies that the rule asks for; so does all that the catalog does
    not know.
    """
    from tripleguard.errors import UsageError
    from tripleguard.jobs.drives import locate_drives, open_drives, select_writable_drives
    from tripleguard.jobs.repair.purge import list_planned_removals, plan_purge, purge_quarantine
    from tripleguard.jobs.repair.quarantine import PurgeFilter
    from tripleguard.model import PlaceState
    from tripleguard.presentation.quarantine import (
        build_purge_plan_object,
        build_purge_result_object,
        format_purge_plan,
        format_purge_result,
    )

    choice = PurgeFilter(*_parse_limits(age, keep), changed_too)
    at_terminal = sys.stdin.isatty() and sys.stderr.isatty()
    if not dry_run and not at_terminal and not (confirmed and because):
        raise UsageError(
            "Nothing is removed without a person's word, and there is no terminal to type it at.",
            safe="Nothing was changed.",
            do="See what would go with --dry-run; then give --confirmed and --because REASON.",
        )
    with open_context(home) as ctx:
        wanted = dict(select_writable_drives(ctx, names))
        in_service = [
            (record, path)
            for record, path in locate_drives(ctx)
            if record.state in (PlaceState.ACTIVE, PlaceState.SHELVED)
        ]
        with open_drives(ctx, in_service, "quarantine", for_writing=False) as ready:
            plans = plan_purge(ctx, _select_drives(wanted, ready), ready.connected, choice)
        agreed = list_planned_removals(plans)
        if dry_run:
            print_json(build_purge_plan_object(plans)) if as_json else print_lines(format_purge_plan(plans))
            return 1 if any(plan.kept for plan in plans) else 0
        if agreed and at_terminal:
            because = _confirm_removal(format_purge_plan(plans), [plan.record.name for plan in plans], because)
        # Lock all connected drives: their good copies must not be moved meanwhile.
        with open_drives(ctx, in_service, "quarantine empty") as ready:
            those = _select_drives(wanted, ready)
            done = run_job(purge_quarantine(ctx, those, ready.connected, choice, agreed, because or ""))
        if as_json:
            print_json(build_purge_result_object(done, plans))
        else:
            print_lines(format_purge_result(done, plans))
    if done.was_stopped:
        return 130
    stayed = any(place.kept for place in done.places) or any(plan.kept for plan in plans)
    return 1 if done.errors or stayed else 0


def _parse_limits(age: str | None, keep_newest: str | None) -> tuple[int | None, int | None]:
    """Parse the limits into nanoseconds and bytes. Raises UsageError."""
    from tripleguard.clock import SECOND
    from tripleguard.config import parse_duration, parse_size
    from tripleguard.errors import UsageError

    if age is None and keep_newest is None:
        raise UsageError(
            "It was not said what is to go.",
            safe="Nothing was changed.",
            do="Give --older-than TIME, such as 90d, or --keep-newest SIZE, such as 5GB.",
        )
    try:
        return (
            None if age is None else int(parse_duration(age)) * SECOND,
            None if keep_newest is None else parse_size(keep_newest),
        )
    except ValueError as error:
        raise UsageError(
            f"{error}.", safe="Nothing was changed.", do="Correct it and run the command again."
        ) from error


def _select_drives(paths_by_record: dict[PlaceRecord, Path | None], drives: JobDrives) -> list[OpenDrive]:
    """Return the named drives among the open ones. Raises PlaceError, or why one could not be opened."""
    from tripleguard.errors import PlaceError
    from tripleguard.model import PlaceState

    ids = {record.id for record in paths_by_record}
    for record, error in drives.unavailable:
        if record.id in ids:
            raise error
    found = [drive for drive in drives.writable if drive.record.id in ids]
    for record in paths_by_record:
        if record.state not in (PlaceState.ACTIVE, PlaceState.SHELVED):
            raise PlaceError(
                f"Drive {record.name} is {record.state}: nothing is changed on it any more.",
                safe="Nothing was changed.",
                do="If it is back in service, run `tripleguard drives add` for it again.",
            )
        if record.id not in {drive.record.id for drive in found}:
            raise PlaceError(
                f"Drive {record.name} is not connected.",
                safe="Nothing was changed.",
                do="Connect it, with the other drives, then run the command again.",
            )
    return found


def _confirm_removal(plan: Iterable[str], names: list[str], reason: str | None) -> str:
    """Show the plan and ask for confirmation; return the reason. Raises StoppedError without it."""
    from tripleguard.cli.wrapping import wrap_line
    from tripleguard.errors import StoppedError

    for line in plan:
        click.echo(wrap_line(line, sys.stderr), err=True)
    word = f"empty {' '.join(names)}"
    click.echo(wrap_line("What goes can't be had back.", sys.stderr), err=True)
    typed = click.prompt(f"Type `{word}` to remove it", default="", show_default=False, err=True)
    if typed.strip() != word:
        raise StoppedError(
            "The word was not given.", safe="Nothing was removed.", do="Run the command again whenever you like."
        )
    return reason or click.prompt("Why? It is kept in the log", err=True)
