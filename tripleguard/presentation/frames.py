"""Render what the frame numbers say, for people and for programs. Missing frames come before every answer."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from tripleguard.catalog.frame_counts import SessionCards
from tripleguard.clearance_answer import MissingFrames
from tripleguard.frames.card_readings import SlotUsage
from tripleguard.frames.counter import CountChange
from tripleguard.frames.session import BodySession
from tripleguard.jobs.missing_frames import MissingFramesReport, NightSummary
from tripleguard.jobs.missing_frames_texts import format_frame_range
from tripleguard.names import escape_text
from tripleguard.wording import pluralize

_MAX_SHOWN = 5
_CHANGE_TEXTS = {CountChange.RESET: "set back", CountChange.JUMPED: "jumped"}


def format_warning(open_gaps: Sequence[MissingFrames], limit: int = _MAX_SHOWN) -> Iterator[str]:
    """Yield what a person must see before they reformat any card, at most `limit` gaps.

    Nothing if no gap is open.
    """
    sure = [one for one in open_gaps if one.is_card_suspected]
    if sure:
        yield "BEFORE YOU EMPTY ANY CARD: a card may be missing."
    elif open_gaps:
        yield "Before you empty any card, look:"
    for one in open_gaps[:limit]:
        yield f"  {'Missing' if one.is_card_suspected else 'Look'}: {escape_text(one.message)}."
        yield f"    Next: {one.next_step}."
    if len(open_gaps) > limit:
        yield f"  and {len(open_gaps) - limit:,} more: `tripleguard frames` shows all."


def format_card_counts(sessions: Sequence[SessionCards]) -> Iterator[str]:
    """Yield how many of the cards were read, for nights with a known number of cards."""
    for night in sessions:
        if night.expected_cards is not None:
            yield f"Cards of {night.day}: {night.cards:,} of {night.expected_cards:,} seen"


def format_session(summary: NightSummary) -> Iterator[str]:
    """Yield one night in full: each body's count, what may be missing, and what the numbers can't show."""
    seen = summary.cards
    known = f" of {seen.expected_cards:,}" if seen.expected_cards is not None else ""
    again = f", {pluralize(seen.readings, 'reading')}" if seen.readings != seen.cards else ""
    yield f"Night of {seen.day}: {pluralize(seen.cards, 'card')}{known}{again}"
    for body in summary.bodies:
        yield from _format_body(body)
    if not summary.open:
        yield "No frames of this night are missing by their numbers."
    open_ = (*summary.open, *summary.elsewhere)
    if open_:
        yield ""
        yield from format_warning(open_, len(open_))
    if seen.expected_cards is None:
        yield from ("",) if open_ else ()
        yield "Numbers don't show the last card: say how many there were with `tripleguard frames cards N`."


def build_frames_object(numbers: MissingFramesReport) -> dict[str, Any]:
    """Return the cards by night and the open gaps, for `--json`."""
    return {
        "nights": [_build_cards_object(one) for one in numbers.nights],
        "open": build_gap_objects(numbers.open),
    }


def build_session_object(summary: NightSummary) -> dict[str, Any]:
    """Return one night, for `--json` of `frames`."""
    return {
        "schema": 1,
        "night": _build_cards_object(summary.cards),
        "bodies": [
            {
                "body": body.label,
                "has_serial": not body.is_unidentified,
                "frames": body.frame_count,
                "cards": body.card_count,
                "slots": str(body.slot_usage),
                "rows": [
                    {"first": first, "last": last, "count": None if moved is None else _CHANGE_TEXTS.get(moved)}
                    for first, last, moved in body.runs
                ],
            }
            for body in summary.bodies
        ],
        "open": build_gap_objects(summary.open),
        "open_elsewhere": build_gap_objects(summary.elsewhere),
    }


def build_gap_objects(open_gaps: Sequence[MissingFrames]) -> list[dict[str, Any]]:
    """Return an object for each open gap."""
    return [
        {
            "number": one.number,
            "verdict": "a card may be missing" if one.is_card_suspected else "look",
            "kind": one.kind,
            "day": one.day,
            "body": one.body,
            "frames": one.frames,
            "first": one.first,
            "last": one.last,
            "message": one.message,
            "next_step": one.next_step,
        }
        for one in open_gaps
    ]


def _build_cards_object(session: SessionCards) -> dict[str, Any]:
    return {
        "day": session.day,
        "cards": session.cards,
        "readings": session.readings,
        "told": session.expected_cards,
    }


def _format_body(body: BodySession) -> Iterator[str]:
    rows = ", then ".join(_format_run(*row) for row in body.runs)
    yield (
        f"Body {escape_text(body.label)}: {pluralize(body.frame_count, 'frame')} "
        f"on {pluralize(body.card_count, 'card')}, {rows}"
    )
    if body.slot_usage is not SlotUsage.SEQUENTIAL:
        yield f"  {body.slot_usage[:1].upper()}{body.slot_usage[1:]}."
    if body.is_unidentified:
        yield (
            "  It writes no serial, so its cards can't be held against each other; name it: "
            "`tripleguard offload CARD --body NAME`."
        )


def _format_run(first: str, last: str, change: CountChange | None) -> str:
    return (
        f"{_CHANGE_TEXTS[change]} to {format_frame_range(first, last)}"
        if change in _CHANGE_TEXTS
        else format_frame_range(first, last)
    )
