"""`demo`: an invented tour, played through with the real commands."""

from __future__ import annotations

from pathlib import Path

import click


@click.command("demo")
@click.argument("folder", required=False, type=click.Path(path_type=Path))
def command(folder: Path | None) -> int:
    """Play an invented evening through in a scratch folder: two cards, two drives, and what goes wrong.

    Every command shown is really run. Nothing outside FOLDER is touched.
    """
    from tripleguard.demo.play import play

    return play(folder, click.echo)
