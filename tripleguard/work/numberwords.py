"""What may be missing, told as one person tells another: whose frames, how many, from when to when."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from tripleguard.answers import Unseen
from tripleguard.cameras.holes import Verdict, Where
from tripleguard.catalog.doubts import DoubtRow
from tripleguard.catalog.numbers import NightCards
from tripleguard.clock import SECOND
from tripleguard.wording import counted

_MESSAGES = {
    Where.BETWEEN: "Body {body}: {frames} {between}, {names}, are on no card seen so far",
    Where.BEFORE: "Body {body}: {frames} {between}, {names}, are on no card seen so far",
    Where.INSIDE: "Body {body}: {frames} {between}, {names}, are gone from the middle of one card",
    Where.START: "Body {body} begins with {after} at {until}: {frames} before it, {names}, are on no card seen",
    Where.RAWS: "Body {body}: the raws of {frames} {between}, {names}, are on no card seen; their JPEGs are",
    Where.JPEGS: "Body {body}: the JPEGs of {frames} {between}, {names}, are on no card seen; their raws are",
    Where.END: "How many cards did you shoot on {day}? {cards} offloaded so far; body {body} ends with {last} at "
    "{since}, {minutes} before another body",
    Where.BEGIN: "Body {body} begins with {first} at {until}, {minutes} after another body",
    Where.PAUSE: "Body {body} counts anew from {first} at {until}, after {minutes} in which another body shot",
}
_COUNTED = "{cards} of {told} cards of {day} are offloaded: {missing} not seen yet"
_COUNTED_TWICE = (
    "{cards} different cards of {day} were read, {readings} times in all, and {told} were told: right if the "
    "second slot was a mirror, else {missing} not seen yet"
)

_LOOK_FOR_IT = "look through bodies, pouches and pockets, and offload that card"
_NEXT = {
    Where.BETWEEN: _LOOK_FOR_IT,
    Where.BEFORE: _LOOK_FOR_IT,
    Where.INSIDE: "was another card in the body in between? Offload it; if nobody deleted them, they may lie on "
    "this card, unlisted: keep it and ask a recovery service",
    Where.START: _LOOK_FOR_IT,
    Where.RAWS: _LOOK_FOR_IT,
    Where.JPEGS: _LOOK_FOR_IT,
    Where.END: "`tripleguard numbers cards NUMBER --night {day}`; if a card is left, offload it",
    Where.BEGIN: "was there a card before? Offload it",
    Where.PAUSE: "was there a card in between? Offload it",
    Where.COUNT: "offload the others",
}
_ALL_HERE = (
    "all cards are here, so they may lie unlisted on those on either side: keep these, ask a recovery service"
)
_EXPLAIN = "; if that is no fault, `tripleguard numbers close {number} --because REASON`"


def in_words(doubt: DoubtRow, cards: NightCards) -> Unseen:
    """An open doubt in words. cards: of its night."""
    where = Where(doubt.kind)
    frames = where not in (Where.END, Where.BEGIN, Where.PAUSE, Where.COUNT)
    step = _ALL_HERE if doubt.keeps and where is not Where.INSIDE else _NEXT[where].format(day=doubt.day)
    return Unseen(
        number=doubt.id,
        sure=doubt.verdict == Verdict.MISSING,
        kind=where,
        day=doubt.day,
        body=doubt.label or None,
        frames=doubt.frames,
        first=doubt.first if frames else None,
        last=doubt.last if frames else None,
        message=_counted(doubt, cards) if where is Where.COUNT else _message(where, doubt, cards),
        next_step=step + _EXPLAIN.format(number=doubt.id),
    )


def names(first: str, last: str) -> str:
    """A row of camera names: `DSC 4410 to 4821`; where the letters end in a digit, `P1010001 to P1010412`."""
    letters, number = first[:-4].strip("_"), first[-4:]
    if not letters or letters[-1].isdigit() or first[:-4] != last[:-4]:
        return first if first == last else f"{first} to {last}"
    return f"{letters} {number}" if first == last else f"{letters} {number} to {last[-4:]}"


def _message(where: Where, doubt: DoubtRow, cards: NightCards) -> str:
    night = datetime.fromisoformat(doubt.day)
    since, until = _moment(doubt.since, night), _moment(doubt.until, night)
    return _MESSAGES[where].format(
        day=doubt.day,
        cards=counted(cards.cards, "card is", "cards are"),
        body=doubt.label,
        frames=counted(doubt.frames, "frame"),
        between=f"between {since} and {until}",
        names=names(doubt.first, doubt.last),
        first=names(doubt.first, doubt.first),
        last=names(doubt.last, doubt.last),
        after=names(_next(doubt.last), _next(doubt.last)),
        minutes=f"{doubt.frames:,} minutes",
        since=since,
        until=until,
    )


def _counted(doubt: DoubtRow, cards: NightCards) -> str:
    words = _COUNTED if doubt.verdict == Verdict.MISSING else _COUNTED_TWICE
    missing = f"{doubt.frames} {'is' if doubt.frames == 1 else 'are'}"
    return words.format(
        cards=cards.cards, told=cards.told, readings=cards.readings, day=doubt.day, missing=missing
    )


def _moment(wall_ns: int | None, night: datetime) -> str:
    """`21:04`, with its date where that is not the night's; the hours after midnight belong to it."""
    if wall_ns is None:
        return "an unknown time"
    moment = datetime.fromtimestamp(wall_ns // SECOND, UTC).replace(tzinfo=None)
    tonight = night <= moment < night + timedelta(hours=36)
    return f"{moment:%H:%M}" if tonight else f"{moment:%Y-%m-%d %H:%M}"


def _next(name: str) -> str:
    return f"{name[:-4]}{int(name[-4:]) % 9999 + 1:04d}"
