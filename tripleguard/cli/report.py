"""`report`: the truth in one look."""

from __future__ import annotations

import click

from tripleguard.cli.shell import kit_of, say, say_json


@click.command("report")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(home: str | None, as_json: bool) -> int:
    """What is wrong, what is owed, what to do next."""
    from tripleguard.reports import objects, text
    from tripleguard.work.reporting import report

    with kit_of(home) as kit:
        found = report(kit)
        if as_json:
            say_json(objects.report(found))
        else:
            say(text.report(found, kit.clock.zone(), kit.clock.now()))
    return 0 if found.clear else 1
