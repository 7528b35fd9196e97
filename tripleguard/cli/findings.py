"""`findings`: list what is open, and accept a finding."""

from __future__ import annotations

import click

from tripleguard.cli.shell import open_context, print_json, print_lines


@click.group("findings", invoke_without_command=True)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_context
def command(click_context: click.Context, as_json: bool) -> int:
    """What is open: what is wrong, since when, and the next step.

    It asks the catalog only: `rescan` looks at the drives. Exit status 1: something is open.
    """
    if click_context.invoked_subcommand is None:
        from tripleguard.jobs.queries.report_query import build_report
        from tripleguard.presentation import json_output, text

        with open_context(click_context.obj) as ctx:
            found = build_report(ctx)
            if as_json:
                print_json(json_output.build_findings_object(found))
            else:
                print_lines(text.format_findings(found, ctx.clock.zone()))
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
    from tripleguard.jobs.repair.accept import accept_finding

    with open_context(home) as ctx:
        one = accept_finding(ctx, number, why)
        print_lines([f"Accepted: {one}. It is kept in the log with the reason."])


@command.command("prefer")
@click.argument("number", type=int)
@click.pass_obj
def prefer(home: str | None, number: int) -> None:
    """Keep the older version of a sidecar that finding NUMBER calls stale, instead of the newer one.

    Nothing on a drive is touched now: `repair` puts it where the newer one lies, which is moved to quarantine and
    kept.
    """
    from tripleguard.jobs.repair.accept import prefer_version
    from tripleguard.names import escape_text

    with open_context(home) as ctx:
        path = prefer_version(ctx, number)
        print_lines([f"{escape_text(path)}: the older version is the one to keep. Next: `tripleguard repair`."])
