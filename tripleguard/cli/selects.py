"""`selects`: what is chosen, and changes to it."""

from __future__ import annotations

from pathlib import Path

import click

from tripleguard.cli.shell import finish, kit_of, say, say_json

_JSON = click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
_LIST = click.option(
    "--list",
    "lists",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A text file with one name or path a line.",
)
_SHOOT = click.option("--shoot", metavar="NAME", help="Only in this shoot: a part of its day or name.")


@click.group("selects", invoke_without_command=True)
@_JSON
@click.pass_context
def command(ctx: click.Context, as_json: bool) -> None:
    """Show what is chosen, by shoot. A select brings its whole frame along: raw, camera JPEG, sidecar."""
    if ctx.invoked_subcommand is not None:
        return
    from tripleguard.reports import selects
    from tripleguard.work.offsite.choosing import overview

    with kit_of(ctx.obj) as kit:
        found = overview(kit)
        if as_json:
            say_json(selects.overview_object(found))
        else:
            say(selects.overview_text(found))


@command.command("add")
@click.argument("names", nargs=-1)
@_LIST
@_SHOOT
@_JSON
@click.pass_obj
def add(
    home: str | None, names: tuple[str, ...], lists: tuple[Path, ...], shoot: str | None, as_json: bool
) -> int:
    """Choose: names (ORR_0412), paths, files wherever they lie, or folders that hold copies of the chosen ones.

    A file is known by its content; a finished JPEG by its name together with the moment it was taken. What is
    chosen by hand stays chosen, whatever its rating.
    """
    return _choose(home, names, lists, shoot, as_json, chosen=True)


@command.command("drop")
@click.argument("names", nargs=-1)
@_LIST
@_SHOOT
@_JSON
@click.pass_obj
def drop(
    home: str | None, names: tuple[str, ...], lists: tuple[Path, ...], shoot: str | None, as_json: bool
) -> int:
    """Choose no longer. Nothing is deleted anywhere: what lies offsite stays there and is called surplus."""
    return _choose(home, names, lists, shoot, as_json, chosen=False)


@command.command("learn")
@click.argument("folders", nargs=-1, type=click.Path(path_type=Path))
@_JSON
@click.pass_obj
def learn(home: str | None, folders: tuple[Path, ...], as_json: bool) -> int:
    """Choose by the ratings in sidecars and pictures; see selects.at_least in the settings.

    Looks on every connected drive, and in FOLDERS where pictures are edited. Reads only what changed.
    """
    from tripleguard.reports import selects
    from tripleguard.work.kit import drives_for_writing, opened
    from tripleguard.work.offsite.learning import learn as learn_

    with kit_of(home) as kit, opened(kit, drives_for_writing(kit, ()), "selects learn", writing=False) as ready:
        result = finish(learn_(kit, ready.looked_at, folders))
        if as_json:
            say_json(selects.learnt_object(result))
        else:
            say(selects.learnt_text(result, kit.settings.selects.at_least))
        stopped = kit.stop.is_set()
    return 130 if stopped else 0


def _choose(
    home: str | None,
    names: tuple[str, ...],
    lists: tuple[Path, ...],
    shoot: str | None,
    as_json: bool,
    *,
    chosen: bool,
) -> int:
    from tripleguard.reports import selects
    from tripleguard.work.offsite.choosing import Given, choose

    if not names and not lists:
        raise click.UsageError("Give names, paths or folders, or a --list.")
    with kit_of(home) as kit:
        result = finish(choose(kit, Given(names, lists, shoot), chosen=chosen))
        if as_json:
            say_json(selects.chosen_object(result, chosen=chosen))
        else:
            say(selects.chosen_text(result, chosen=chosen))
        stopped = kit.stop.is_set()
    if stopped:
        return 130
    return 1 if result.not_found else 0
