"""`report`: the truth in one look."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tripleguard.cli.shell import kit_of, say, say_json

if TYPE_CHECKING:
    from tripleguard.work.answers.reporting import Report
    from tripleguard.work.kit import Kit


@click.command("report")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.option(
    "--html",
    "page_at",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Write a page that needs nothing else, with small pictures of what is wrong.",
)
@click.option("--no-previews", is_flag=True, help="Leave the small pictures out of the page.")
@click.pass_obj
def command(home: str | None, as_json: bool, page_at: Path | None, no_previews: bool) -> int:
    """What is wrong, what is owed, what to do next."""
    from tripleguard.reports import objects, text
    from tripleguard.work.answers.reporting import report

    with kit_of(home) as kit:
        found = report(kit)
        if page_at is not None:
            _write_page(kit, found, page_at.expanduser().absolute(), with_previews=not no_previews)
        if as_json:
            say_json(objects.report(found))
        else:
            say(text.report(found, kit.clock.zone(), kit.clock.now()))
            if page_at is not None:
                say([f"Page: {page_at}"])
    return 0 if found.clear else 1


def _write_page(kit: Kit, found: Report, path: Path, *, with_previews: bool) -> None:
    from tripleguard.errors import WrongUse
    from tripleguard.home import write_page
    from tripleguard.names import shown
    from tripleguard.reports.page import page, worst_first
    from tripleguard.work.decoding.previewing import previews_of

    for status in found.places:
        if status.path is not None and path.resolve().is_relative_to(status.path.resolve()):
            raise WrongUse(
                f"{shown(str(path))} lies on drive {status.record.name}.",
                safe="Nothing was written.",
                do="Drives hold copies and nothing else: give a place elsewhere with --html.",
            )
    digests = [one.digest for one in worst_first(found) if one.digest is not None]
    previews = previews_of(kit, digests) if with_previews else {}
    write_page(path, page(found, previews, kit.clock.zone(), kit.clock.now()))
