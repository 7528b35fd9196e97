"""`frames`: show what the frame numbers of a night say, explain a gap, and record how many cards there were."""

from __future__ import annotations

import click

from tripleguard.cli.shell import open_context, print_json, print_lines


@click.group("frames", invoke_without_command=True)
@click.option("--night", metavar="DAY", help="The shooting day, such as 2026-06-13 (default: the latest).")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_context
def command(click_context: click.Context, night: str | None, as_json: bool) -> int:
    """Is a card missing? What the frame numbers of a night say, body by body."""
    if click_context.invoked_subcommand is not None:
        return 0
    from tripleguard.jobs.missing_frames import summarize_night
    from tripleguard.presentation import frames

    with open_context(click_context.obj) as ctx:
        night_summary = summarize_night(ctx, night)
        if as_json:
            print_json(frames.build_session_object(night_summary))
        else:
            print_lines(frames.format_session(night_summary))
    return 1 if any(one.is_card_suspected for one in (*night_summary.open, *night_summary.elsewhere)) else 0


@command.command("close")
@click.argument("number", type=int)
@click.option("--because", "why", required=True, metavar="REASON", help="Why nothing is missing; it is kept.")
@click.pass_obj
def close(home: str | None, number: int, why: str) -> None:
    """Explain NUMBER: no card is missing there. It is not asked again, and habits are learnt from it."""
    from tripleguard.jobs.missing_frames import explain_gap

    with open_context(home) as ctx:
        one = explain_gap(ctx, number, why)
        print_lines([f"Closed: {one.message}. It is kept in the log with the reason."])


@command.command("cards")
@click.argument("cards", type=click.IntRange(1, 999))
@click.option("--night", metavar="DAY", help="The shooting day, such as 2026-06-13 (default: the latest).")
@click.pass_obj
def cards(home: str | None, cards: int, night: str | None) -> int:
    """Say how many CARDS the night had: all that were filled, with different pictures on each."""
    from tripleguard.jobs.missing_frames import set_card_count, summarize_night
    from tripleguard.presentation import frames

    with open_context(home) as ctx:
        night_summary = summarize_night(ctx, set_card_count(ctx, cards, night))
        print_lines(frames.format_session(night_summary))
    return 1 if any(one.is_card_suspected for one in night_summary.open) else 0
