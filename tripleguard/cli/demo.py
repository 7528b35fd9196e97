"""`demo`: an invented tour, played through with the real commands."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("demo")
@click.argument("folder", required=False, type=click.Path(path_type=Path))
def command(folder: Path | None) -> None:
    """An invented evening, played through with the real commands: two cards, two drives, and what goes wrong.

    It plays in FOLDER, which must be new or empty; without one, in a fresh scratch folder that is named at the
    beginning and at the end. Nothing outside of it is touched. It takes less than a minute.
    """
    from tripleguard.cli.wrapping import wrap_line
    from tripleguard.demo.playthrough import OutputLine, ShellCommand, play_demo

    step = 0
    for shown in play_demo(folder):
        if isinstance(shown, ShellCommand):
            click.secho(wrap_line(f"  $ {shown.command}"), bold=True)
        elif isinstance(shown, OutputLine):
            click.echo(wrap_line(f"    {shown.line}").rstrip())
        else:
            step += shown.is_step
            click.echo("\n" + wrap_line(f"{step}. {shown.line}" if shown.is_step else shown.line))
