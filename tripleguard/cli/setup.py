"""`setup`: the first settings and catalog."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from tripleguard.cli.shell import kit_of, named_paths, say, say_json


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
    from tripleguard.home import home_at, make_home
    from tripleguard.places.disks import sharing
    from tripleguard.reports import objects, text
    from tripleguard.settings_file import set_in_settings
    from tripleguard.work.answers.reporting import place_statuses
    from tripleguard.work.offsite.third_place import add_offsite, folder_offsite
    from tripleguard.work.setting_up import add_drive, ensure_catalog_id

    wanted = named_paths(drives, "--drive") or ([] if offsite or allow_same_disk else _asked())
    place = home_at(home)
    make_home(place)
    if allow_same_disk:
        set_in_settings(place, "rule", "allow_same_disk", "true")
    create_catalog(place.catalog).close()
    with kit_of(home) as kit:
        ensure_catalog_id(kit)
        for name, path in wanted:
            add_drive(kit, name, path)
        if offsite:
            add_offsite(kit, offsite)
        statuses = place_statuses(kit)
        shared = sharing([(one.record.name, one.path) for one in statuses if one.path])
        if as_json:
            say_json({**objects.drives(statuses, shared), "home": str(place.root)})
            return
        allowed = kit.settings.rule.allow_same_disk
        say([f"Home: {place.root}", *text.drives(statuses, shared, kit.clock.now(), allowed=allowed)])
        active = [one for one in statuses if one.state in ("connected", "away")]
        if len(active) < kit.settings.rule.drive_copies:
            say(
                [
                    f"The rule asks for {kit.settings.rule.drive_copies} drives; {len(active)} is known. "
                    "Add another with `tripleguard drives add NAME PATH` before a card can be cleared."
                ]
            )
        if offsite:
            folder = folder_offsite(kit)
            beside = [("", folder)] if folder else []
            known = [(one.record.name, one.path) for one in statuses if one.path]
            with_it = [
                pair.one or pair.other
                for pair in sharing([*known, *beside])
                if pair.sure and not (pair.one and pair.other)
            ]
            say(text.leaves_the_house(offsite, with_it))
        say(["Next: put a card in and run `tripleguard offload CARD`."])


def _asked() -> list[tuple[str, Path]]:
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
