"""`selects`: show the selects, and change them."""

from __future__ import annotations

from pathlib import Path

import click

from tripleguard.cli.shell import open_context, print_json, print_lines, run_job

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
def command(click_context: click.Context, as_json: bool) -> None:
    """Show what is chosen, by shoot. A select brings its whole frame along: raw, camera JPEG, sidecar."""
    if click_context.invoked_subcommand is not None:
        return
    from tripleguard.jobs.offsite.choose_selects import summarize_selects
    from tripleguard.presentation import selects

    with open_context(click_context.obj) as ctx:
        found = summarize_selects(ctx)
        if as_json:
            print_json(selects.build_overview_object(found))
        else:
            print_lines(selects.format_overview(found))


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
    return _choose(home, names, lists, shoot, as_json, is_adding=True)


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
    return _choose(home, names, lists, shoot, as_json, is_adding=False)


@command.command("learn")
@click.argument("folders", nargs=-1, type=click.Path(path_type=Path))
@_JSON
@click.pass_obj
def learn(home: str | None, folders: tuple[Path, ...], as_json: bool) -> int:
    """Choose by the ratings in sidecars and pictures; see selects.at_least in the settings.

    Looks on every connected drive, and in FOLDERS where pictures are edited. Reads only what changed.
    """
    from tripleguard.jobs.drives import open_drives, select_writable_drives
    from tripleguard.jobs.offsite.import_ratings import import_ratings as learn_
    from tripleguard.presentation import selects

    with (
        open_context(home) as ctx,
        open_drives(ctx, select_writable_drives(ctx, ()), "selects learn", for_writing=False) as ready,
    ):
        result = run_job(learn_(ctx, ready.connected, folders))
        if as_json:
            print_json(selects.build_rating_import_object(result))
        else:
            print_lines(selects.format_rating_import(result, ctx.settings.selects.at_least))
        stopped = ctx.stop.is_set()
    return 130 if stopped else 0


def _choose(
    home: str | None,
    names: tuple[str, ...],
    lists: tuple[Path, ...],
    shoot: str | None,
    as_json: bool,
    *,
    is_adding: bool,
) -> int:
    from tripleguard.jobs.offsite.choose_selects import SelectsInput, update_selects
    from tripleguard.presentation import selects

    if not names and not lists:
        raise click.UsageError("Give names, paths or folders, or a --list.")
    with open_context(home) as ctx:
        result = run_job(update_selects(ctx, SelectsInput(names, lists, shoot), is_chosen=is_adding))
        if as_json:
            print_json(selects.build_selection_object(result, is_adding=is_adding))
        else:
            print_lines(selects.format_selection(result, is_adding=is_adding))
        stopped = ctx.stop.is_set()
    if stopped:
        return 130
    return 1 if result.not_found else 0
