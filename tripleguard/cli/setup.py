"""`setup`: make the first settings and the catalog."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from tripleguard.cli.shell import open_context, parse_named_paths, print_json, print_lines


@click.command("setup")
@click.option(
    "--drive", "drives", multiple=True, metavar="NAME=PATH", help="A drive and where it is; give it twice."
)
@click.option(
    "--offsite", metavar="URL", help="A third place for the selects: s3://bucket/..., gs://, az://, or a folder."
)
@click.option(
    "--allow-same-disk",
    is_flag=True,
    help="Count copies on one physical disk as two, from now on. If that disk dies, all of them die.",
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(
    home: str | None, drives: tuple[str, ...], offsite: str | None, allow_same_disk: bool, as_json: bool
) -> None:
    """Make the home and name the drives. Run it again at any time: it only adds.

    A drive is a folder, usually the top of an external disk. A small folder .tripleguard is made on it, by
    which it is known again wherever it is plugged in. Nothing else on it is touched.
    """
    from tripleguard.catalog.store import create_catalog
    from tripleguard.config import WatchSettings
    from tripleguard.config_edit import write_setting
    from tripleguard.home import create_home, resolve_home
    from tripleguard.jobs.drive_setup import add_drive, ensure_catalog_id
    from tripleguard.jobs.offsite.offsite_place import add_offsite, get_offsite_folder
    from tripleguard.jobs.queries.report_query import list_place_statuses
    from tripleguard.model import PlaceState
    from tripleguard.places.disks import find_shared_disks
    from tripleguard.places.enclosing import check_not_on_card
    from tripleguard.presentation import json_output, text

    wanted = parse_named_paths(drives, "--drive") or ([] if offsite or allow_same_disk else _ask_for_drives())
    place = resolve_home(home)
    check_not_on_card(place.root, WatchSettings().card_folders)
    create_home(place)
    if allow_same_disk:
        write_setting(place, "rule", "allow_same_disk", "true")
    create_catalog(place.catalog).close()
    with open_context(home) as ctx:
        ensure_catalog_id(ctx)
        for name, path in wanted:
            add_drive(ctx, name, path)
        if offsite:
            add_offsite(ctx, offsite)
        statuses = list_place_statuses(ctx)
        shared = find_shared_disks([(one.record.name, one.path) for one in statuses if one.path])
        if as_json:
            print_json({**json_output.build_drives_object(statuses, shared), "home": str(place.root)})
            return
        allowed = ctx.settings.rule.allow_same_disk
        print_lines(
            [
                f"Home: {place.root}",
                *text.format_drives(statuses, shared, ctx.clock.now(), is_same_disk_allowed=allowed),
            ]
        )
        active = [one for one in statuses if one.record.state is PlaceState.ACTIVE and one.state != "offsite"]
        if len(active) < ctx.settings.rule.drive_copies:
            print_lines(
                [
                    f"The rule asks for {ctx.settings.rule.drive_copies} drives; {len(active)} is known. "
                    "Add another with `tripleguard drives add NAME PATH` before a card can be cleared."
                ]
            )
        if offsite:
            folder = get_offsite_folder(ctx)
            beside = [("", folder)] if folder else []
            known = [(one.record.name, one.path) for one in statuses if one.path]
            with_it = [
                pair.first or pair.second
                for pair in find_shared_disks([*known, *beside])
                if pair.is_certain and not (pair.first and pair.second)
            ]
            print_lines(text.format_offsite_caution(offsite, with_it))
        print_lines(["Next: put a card in and run `tripleguard offload CARD`."])


def _ask_for_drives() -> list[tuple[str, Path]]:
    if not sys.stdin.isatty():
        raise click.UsageError("Give each drive as --drive NAME=PATH.")
    found: list[tuple[str, Path]] = []
    click.echo("Each card is copied to two drives. Where are they?")
    for usual in ("A", "B"):
        path = click.prompt(
            f"Folder of drive {usual}", type=click.Path(exists=True, file_okay=False, path_type=Path)
        )
        name = click.prompt("What is written on it", default=usual)
        found.append((name, path))
    return found
