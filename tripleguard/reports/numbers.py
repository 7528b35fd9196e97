"""What the frame numbers say, told to people and to programs. What may be missing stands before every answer."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from tripleguard.answers import Unseen
from tripleguard.cameras.counter import Moved
from tripleguard.cameras.night import BodyNight
from tripleguard.cameras.readings import Slots
from tripleguard.catalog.numbers import NightCards
from tripleguard.names import shown
from tripleguard.reports.words import count
from tripleguard.work.numbering import NightTold, Numbers
from tripleguard.work.numberwords import names

_AT_MOST = 5
_MOVED = {Moved.BACK: "set back", Moved.JUMPED: "jumped"}


def warning(open_: Sequence[Unseen], at_most: int = _AT_MOST) -> Iterator[str]:
    """What a person has to see before they empty any card, at most so much; nothing where nothing is open."""
    sure = [one for one in open_ if one.sure]
    if sure:
        yield "BEFORE YOU EMPTY ANY CARD: a card may be missing."
    elif open_:
        yield "Before you empty any card, look:"
    for one in open_[:at_most]:
        yield f"  {'Missing' if one.sure else 'Look'}: {shown(one.message)}."
        yield f"    Next: {one.next_step}."
    if len(open_) > at_most:
        yield f"  and {len(open_) - at_most:,} more: `tripleguard numbers` shows all."


def cards(nights: Sequence[NightCards]) -> Iterator[str]:
    """How many of the cards were seen, where somebody said how many there were."""
    for night in nights:
        if night.told is not None:
            yield f"Cards of {night.day}: {night.cards:,} of {night.told:,} seen"


def night(told: NightTold) -> Iterator[str]:
    """One night in full: each body's count, what may be missing, what can't be seen."""
    seen = told.cards
    known = f" of {seen.told:,}" if seen.told is not None else ""
    again = f", {count(seen.readings, 'reading')}" if seen.readings != seen.cards else ""
    yield f"Night of {seen.day}: {count(seen.cards, 'card')}{known}{again}"
    for body in told.bodies:
        yield from _body(body)
    if not told.open:
        yield "No frames of this night are missing by their numbers."
    open_ = (*told.open, *told.elsewhere)
    if open_:
        yield ""
        yield from warning(open_, len(open_))
    if seen.told is None:
        yield from ("",) if open_ else ()
        yield "Numbers don't show the last card: say how many there were with `tripleguard numbers cards N`."


def as_object(found: Numbers) -> dict[str, Any]:
    """For `--json`: cards by night, and what is open."""
    return {"nights": [_cards(one) for one in found.nights], "open": open_objects(found.open)}


def night_object(told: NightTold) -> dict[str, Any]:
    """For `--json` of `numbers`."""
    return {
        "schema": 1,
        "night": _cards(told.cards),
        "bodies": [
            {
                "body": body.label,
                "has_serial": not body.alone,
                "frames": body.frames,
                "cards": body.cards,
                "slots": str(body.slots),
                "rows": [
                    {"first": first, "last": last, "count": None if moved is None else _MOVED.get(moved)}
                    for first, last, moved in body.rows
                ],
            }
            for body in told.bodies
        ],
        "open": open_objects(told.open),
        "open_elsewhere": open_objects(told.elsewhere),
    }


def open_objects(open_: Sequence[Unseen]) -> list[dict[str, Any]]:
    """What is open, one object each."""
    return [
        {
            "number": one.number,
            "verdict": "a card may be missing" if one.sure else "look",
            "kind": one.kind,
            "day": one.day,
            "body": one.body,
            "frames": one.frames,
            "first": one.first,
            "last": one.last,
            "message": one.message,
            "next_step": one.next_step,
        }
        for one in open_
    ]


def _cards(night_: NightCards) -> dict[str, Any]:
    return {"day": night_.day, "cards": night_.cards, "readings": night_.readings, "told": night_.told}


def _body(body: BodyNight) -> Iterator[str]:
    rows = ", then ".join(_row(*row) for row in body.rows)
    yield f"Body {shown(body.label)}: {count(body.frames, 'frame')} on {count(body.cards, 'card')}, {rows}"
    if body.slots is not Slots.ONE_AFTER_ANOTHER:
        yield f"  {body.slots[:1].upper()}{body.slots[1:]}."
    if body.alone:
        yield (
            "  It writes no serial, so its cards can't be held against each other; name it: "
            "`tripleguard offload CARD --body NAME`."
        )


def _row(first: str, last: str, moved: Moved | None) -> str:
    return f"{_MOVED[moved]} to {names(first, last)}" if moved in _MOVED else names(first, last)
