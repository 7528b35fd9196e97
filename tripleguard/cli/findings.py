"""`findings`: what is open, and accepting one."""

from __future__ import annotations

import click

from tripleguard.cli.shell import kit_of, say, say_json


@click.group("findings", invoke_without_command=True)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_context
def command(ctx: click.Context, as_json: bool) -> int:
    """What is open: what is wrong, since when, and the next step.

    It asks the catalog only: `rescan` looks at the drives. Exit status 1: something is open.
    """
    if ctx.invoked_subcommand is None:
        from tripleguard.reports import objects, text
        from tripleguard.work.answers.reporting import report

        with kit_of(ctx.obj) as kit:
            found = report(kit)
            if as_json:
                say_json(objects.findings(found))
            else:
                say(text.findings(found, kit.clock.zone()))
        return 1 if found.findings else 0
    return 0


@command.command("accept")
@click.argument("number", type=int)
@click.option("--because", "why", required=True, metavar="REASON", help="Why this is no fault; it is kept.")
@click.pass_obj
def accept(home: str | None, number: int, why: str) -> None:
    """Live with the finding NUMBER: it is not reported any more, and the reason is kept.

    A bad copy that is accepted still counts for nothing. If it gets worse, or something else is found at its path,
    that is told again.
    """
    from tripleguard.work.mending.accepting import accept_finding

    with kit_of(home) as kit:
        one = accept_finding(kit, number, why)
        say([f"Accepted: {one}. It is kept in the log with the reason."])


@command.command("prefer")
@click.argument("number", type=int)
@click.pass_obj
def prefer(home: str | None, number: int) -> None:
    """Keep the older version of a sidecar that finding NUMBER calls stale, instead of the newer one.

    Nothing on a drive is touched now: `mend` puts it where the newer one lies, which is moved aside and kept.
    """
    from tripleguard.names import shown
    from tripleguard.work.mending.accepting import prefer_version

    with kit_of(home) as kit:
        path = prefer_version(kit, number)
        say([f"{shown(path)}: the older version is the one to keep. Next: `tripleguard mend`."])
