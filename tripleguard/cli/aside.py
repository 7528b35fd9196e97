"""`aside`: what lies aside, and emptying it by a person's word."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from typing import TYPE_CHECKING

import click

from tripleguard.cli.shell import finish, kit_of, say, say_json

if TYPE_CHECKING:
    from pathlib import Path

    from tripleguard.model import PlaceRecord
    from tripleguard.work.kit import OpenDrive, Opened


@click.group("aside", invoke_without_command=True)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_context
def command(ctx: click.Context, as_json: bool) -> None:
    """What lies aside: bad copies that were moved out of the way, since when, and why.

    Nothing there ever goes by itself.
    """
    if ctx.invoked_subcommand is not None:
        return
    from tripleguard.reports.aside import lines, listed_object
    from tripleguard.work.kit import opened, where_drives_are
    from tripleguard.work.mending.aside import look_aside

    with kit_of(ctx.obj) as kit, opened(kit, where_drives_are(kit), "aside", writing=False) as ready:
        found = look_aside(kit, ready.looked_at)
        if as_json:
            say_json(listed_object(found))
        else:
            say(lines(found, kit.clock.zone()))


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
    """Remove bad copies from aside, for good, by your word.

    With both --older-than and --keep-newest only what both speak of goes. A bad copy stays as long as its file has
    not, on drives that are here now, the verified copies that the rule asks for; so does all that the catalog does
    not know.
    """
    from tripleguard.errors import WrongUse
    from tripleguard.model import PlaceState
    from tripleguard.reports.aside import emptied_lines, emptied_object, plan_lines, plan_object
    from tripleguard.work.kit import drives_for_writing, opened, where_drives_are
    from tripleguard.work.mending.aside import Choice
    from tripleguard.work.mending.emptying import approved, empty_aside, plan_emptying

    choice = Choice(*_limits(age, keep), changed_too)
    at_terminal = sys.stdin.isatty() and sys.stderr.isatty()
    if not dry_run and not at_terminal and not (confirmed and because):
        raise WrongUse(
            "Nothing is removed without a person's word, and there is no terminal to type it at.",
            safe="Nothing was changed.",
            do="See what would go with --dry-run; then give --confirmed and --because REASON.",
        )
    with kit_of(home) as kit:
        wanted = dict(drives_for_writing(kit, names))
        in_service = [
            (record, path)
            for record, path in where_drives_are(kit)
            if record.state in (PlaceState.ACTIVE, PlaceState.SHELVED)
        ]
        with opened(kit, in_service, "aside", writing=False) as ready:
            plans = plan_emptying(kit, _those(wanted, ready), ready.looked_at, choice)
        agreed = approved(plans)
        if dry_run:
            say_json(plan_object(plans)) if as_json else say(plan_lines(plans))
            return 1 if any(plan.spared for plan in plans) else 0
        if agreed and at_terminal:
            because = _word_of_a_person(plan_lines(plans), [plan.record.name for plan in plans], because)
        # The copies that make it safe must not be moved meanwhile: every drive that is here is held.
        with opened(kit, in_service, "aside empty") as ready:
            those = _those(wanted, ready)
            done = finish(empty_aside(kit, those, ready.looked_at, choice, agreed, because or ""))
        if as_json:
            say_json(emptied_object(done, plans))
        else:
            say(emptied_lines(done, plans))
    if done.stopped:
        return 130
    stayed = any(place.spared for place in done.places) or any(plan.spared for plan in plans)
    return 1 if done.troubles or stayed else 0


def _limits(age: str | None, keep: str | None) -> tuple[int | None, int | None]:
    """Nanoseconds and bytes, as they were typed. Raises WrongUse."""
    from tripleguard.clock import SECOND
    from tripleguard.config import seconds_of, size_in_bytes
    from tripleguard.errors import WrongUse

    if age is None and keep is None:
        raise WrongUse(
            "It was not said what is to go.",
            safe="Nothing was changed.",
            do="Give --older-than TIME, such as 90d, or --keep-newest SIZE, such as 5GB.",
        )
    try:
        return (
            None if age is None else int(seconds_of(age)) * SECOND,
            None if keep is None else size_in_bytes(keep),
        )
    except ValueError as error:
        raise WrongUse(
            f"{error}.", safe="Nothing was changed.", do="Correct it and run the command again."
        ) from error


def _those(wanted: dict[PlaceRecord, Path | None], ready: Opened) -> list[OpenDrive]:
    """The wanted drives among the open ones. Raises PlaceTrouble, or what kept one from being opened."""
    from tripleguard.errors import PlaceTrouble
    from tripleguard.model import PlaceState

    ids = {record.id for record in wanted}
    for record, error in ready.refused:
        if record.id in ids:
            raise error
    found = [drive for drive in ready.drives if drive.record.id in ids]
    for record in wanted:
        if record.state not in (PlaceState.ACTIVE, PlaceState.SHELVED):
            raise PlaceTrouble(
                f"Drive {record.name} is {record.state}: nothing is changed on it any more.",
                safe="Nothing was changed.",
                do="If it is back in service, run `tripleguard drives add` for it again.",
            )
        if record.id not in {drive.record.id for drive in found}:
            raise PlaceTrouble(
                f"Drive {record.name} is not connected.",
                safe="Nothing was changed.",
                do="Connect it, with the other drives, then run the command again.",
            )
    return found


def _word_of_a_person(plan: Iterable[str], names: list[str], because: str | None) -> str:
    """Show the plan and have the word typed; the reason. Raises Stopped if it is not given."""
    from tripleguard.cli.wrapping import wrapped
    from tripleguard.errors import Stopped

    for line in plan:
        click.echo(wrapped(line, sys.stderr), err=True)
    word = f"empty {' '.join(names)}"
    click.echo(wrapped("What goes can't be had back.", sys.stderr), err=True)
    typed = click.prompt(f"Type `{word}` to remove it", default="", show_default=False, err=True)
    if typed.strip() != word:
        raise Stopped(
            "The word was not given.", safe="Nothing was removed.", do="Run the command again whenever you like."
        )
    return because or click.prompt("Why? It is kept in the log", err=True)
