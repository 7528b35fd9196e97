"""`report`: what is wrong, what is owed, what to do next."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from tripleguard.cli.shell import open_context, print_json, print_lines

if TYPE_CHECKING:
    from tripleguard.jobs.context import JobContext
    from tripleguard.jobs.queries.report_query import Report


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
    from tripleguard.jobs.queries.report_query import build_report
    from tripleguard.presentation import json_output, text

    with open_context(home) as ctx:
        found = build_report(ctx)
        if page_at is not None:
            _write_page(ctx, found, page_at.expanduser().absolute(), has_previews=not no_previews)
        if as_json:
            print_json(json_output.build_report_object(found))
        else:
            print_lines(text.format_report(found, ctx.clock.zone(), ctx.clock.now()))
            if page_at is not None:
                print_lines([f"Page: {page_at}"])
    return 0 if found.is_clear else 1


def _write_page(ctx: JobContext, report: Report, path: Path, *, has_previews: bool) -> None:
    from tripleguard.errors import UsageError
    from tripleguard.home import write_page
    from tripleguard.jobs.inspect.previews import make_previews
    from tripleguard.names import escape_text
    from tripleguard.places.enclosing import check_not_on_card
    from tripleguard.presentation.page import render_page, select_page_findings

    for status in report.places:
        if status.path is not None and path.resolve().is_relative_to(status.path.resolve()):
            raise UsageError(
                f"{escape_text(str(path))} lies on drive {status.record.name}.",
                safe="Nothing was written.",
                do="Drives hold copies and nothing else: give a place elsewhere with --html.",
            )
    check_not_on_card(path, ctx.settings.watch.card_folders)
    digests = [one.digest for one in select_page_findings(report) if one.digest is not None]
    previews = make_previews(ctx, digests) if has_previews else {}
    write_page(path, render_page(report, previews, ctx.clock.zone(), ctx.clock.now()))
