"""The commands: parse, call, show.

Every start pays for this module, so it imports click and nothing else; a command's own module is imported when the
command runs.
"""

from __future__ import annotations

import importlib

import click

_COMMANDS = {
    "setup": ("tripleguard.cli.setup", "Make the home and name the drives."),
    "drives": ("tripleguard.cli.drives", "Show the drives; add, shelve, recall, or mark one as lost."),
    "offload": ("tripleguard.cli.offload", "Copy a card to the drives, prove it, and say if it is safe."),
    "topup": ("tripleguard.cli.topup", "Make the copies that are still owed."),
    "rescan": ("tripleguard.cli.rescan", "Read the copies again: what rotted, vanished, moved or changed?"),
    "repair": ("tripleguard.cli.repair", "Put right what a good copy can put right."),
    "quarantine": (
        "tripleguard.cli.quarantine",
        "Bad copies that were moved to quarantine; remove some by your word.",
    ),
    "findings": ("tripleguard.cli.findings", "What is open; accept one with a reason."),
    "drill": ("tripleguard.cli.drill", "Restore a random sample from every drive and compare."),
    "inspect": ("tripleguard.cli.inspect", "Decode pictures: were they damaged before they were copied?"),
    "clearance": ("tripleguard.cli.clearance", "May this card, or this drive, be reformatted?"),
    "retire": ("tripleguard.cli.retire", "Take a drive out of service, once everything is safe without it."),
    "selects": ("tripleguard.cli.selects", "Choose the best: by rating, by name, from a list or a folder."),
    "adopt": ("tripleguard.cli.adopt", "Take an archive made by hand into the catalog, as it lies."),
    "rebuild": ("tripleguard.cli.rebuild", "A new catalog from what the drives hold."),
    "frames": ("tripleguard.cli.frames", "Is a card missing? What the frame numbers say."),
    "upload": ("tripleguard.cli.upload", "Send the selects that are owed offsite, and prove them there."),
    "report": ("tripleguard.cli.report", "What is wrong, what is owed, what to do next."),
    "handover": ("tripleguard.cli.handover", "Give a shoot away as a bag that anyone can check; check one."),
    "where": ("tripleguard.cli.where", "Every copy of the files that match."),
    "forecast": (
        "tripleguard.cli.forecast",
        "Are the nights long enough, when are drives full, what may be lost?",
    ),
    "watch": ("tripleguard.cli.watch", "Stay, and do by itself what is to be done."),
    "status": ("tripleguard.cli.status", "What the watch is doing, waits for, and did last."),
    "log": ("tripleguard.cli.log", "What was done, when."),
    "demo": ("tripleguard.cli.demo", "An invented tour, played through in a scratch folder."),
}


class _Commands(click.Group):
    """Commands that are imported when they are used."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(_COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in _COMMANDS:
            return None
        command: click.Command = importlib.import_module(_COMMANDS[cmd_name][0]).command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, words) for name, (_, words) in _COMMANDS.items()])


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 88})
@click.option(
    "--home",
    envvar="TRIPLEGUARD_HOME",
    metavar="DIR",
    help="Where settings, catalog and reports live (default: the system's usual folder).",
)
@click.version_option(None, "--version", package_name="tripleguard", prog_name="tripleguard")
@click.pass_context
def _root(ctx: click.Context, home: str | None) -> None:
    """Two proved copies of every picture, and an honest answer about the card.

    A first evening: `setup` once, then `offload CARD`. It ends with YES or NO: may this card be reformatted?
    """
    ctx.obj = home


def main() -> None:
    """The `tripleguard` command. Exit status as DESIGN has it: 0, 1, 2, 3 or 130."""
    from tripleguard.cli.shell import run_command_line

    run_command_line(_root)
