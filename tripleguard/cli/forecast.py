"""`forecast`: what lies ahead."""

from __future__ import annotations

import click

from tripleguard.cli.shell import kit_of, say, say_json


@click.command("forecast")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(home: str | None, as_json: bool) -> int:
    """Is the nightly time enough to read every copy again in time?

    It asks the catalog only: no drive has to be connected, and none is read.
    """
    from tripleguard.reports.forecast import as_object, lines
    from tripleguard.work.foreseeing import foresee

    with kit_of(home) as kit:
        found = foresee(kit)
        if as_json:
            say_json(as_object(found))
        else:
            say(lines(found, kit.clock.zone()))
    return 0 if found.clear else 1
