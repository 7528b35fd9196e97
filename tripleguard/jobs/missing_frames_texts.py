"""Describe missing frames in plain words: whose frames, how many, from when to when."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from tripleguard.catalog.frame_counts import SessionCards
from tripleguard.catalog.frame_gaps import GapRecord
from tripleguard.clearance_answer import MissingFrames
from tripleguard.clock import SECOND
from tripleguard.frames.number_gaps import GapLocation, GapVerdict
from tripleguard.wording import pluralize

_MESSAGES = {
    GapLocation.BETWEEN_CARDS: "Body {body}: {frames} {between}, {names}, are on no card seen so far",
    GapLocation.AFTER_PAUSE: "Body {body}: {frames} {between}, {names}, are on no card seen so far",
    GapLocation.INSIDE_CARD: "Body {body}: {frames} {between}, {names}, are gone from the middle of one card",
    GapLocation.BEFORE_COUNT: "Body {body} begins with {after} at {until}: {frames} "
    "before it, {names}, are on no card seen",
    GapLocation.RAWS_MISSING: "Body {body}: the raws of {frames} {between}, "
    "{names}, are on no card seen; their JPEGs are",
    GapLocation.JPEGS_MISSING: "Body {body}: the JPEGs of {frames} {between}, "
    "{names}, are on no card seen; their raws are",
    GapLocation.AFTER_BODY: "How many cards did you shoot on {day}? {cards} "
    "offloaded so far; body {body} ends with {last} at "
    "{since}, {minutes} before another body",
    GapLocation.BEFORE_BODY: "Body {body} begins with {first} at {until}, {minutes} after another body",
    GapLocation.DURING_RESET: "Body {body} counts anew from {first} at {until}, "
    "after {minutes} in which another body shot",
}
_CARDS_MISSING = "{cards} of {expected} cards of {day} are offloaded: {missing} not seen yet"
_CARDS_MAYBE_MISSING = (
    "{cards} different cards of {day} were read, {readings} times in all, and {expected} were told: right if the "
    "second slot was a mirror, else {missing} not seen yet"
)

_FIND_THE_CARD = "look through bodies, pouches and pockets, and offload that card"
_NEXT_STEPS = {
    GapLocation.BETWEEN_CARDS: _FIND_THE_CARD,
    GapLocation.AFTER_PAUSE: _FIND_THE_CARD,
    GapLocation.INSIDE_CARD: "was another card in the body in between? Offload "
    "it; if nobody deleted them, they may lie on "
    "this card, unlisted: keep it and ask a recovery service",
    GapLocation.BEFORE_COUNT: _FIND_THE_CARD,
    GapLocation.RAWS_MISSING: _FIND_THE_CARD,
    GapLocation.JPEGS_MISSING: _FIND_THE_CARD,
    GapLocation.AFTER_BODY: "`tripleguard frames cards NUMBER --night {day}`; if a card is left, offload it",
    GapLocation.BEFORE_BODY: "was there a card before? Offload it",
    GapLocation.DURING_RESET: "was there a card in between? Offload it",
    GapLocation.CARD_COUNT: "offload the others",
}
_ALL_CARDS_PRESENT = (
    "all cards are here, so they may lie unlisted on those on either side: keep these, ask a recovery service"
)
_EXPLAIN = "; if that is no fault, `tripleguard frames close {number} --because REASON`"


def describe_gap(gap: GapRecord, cards: SessionCards) -> MissingFrames:
    """Return an open gap in words. cards: of its night."""
    where = GapLocation(gap.kind)
    frames = where not in (
        GapLocation.AFTER_BODY,
        GapLocation.BEFORE_BODY,
        GapLocation.DURING_RESET,
        GapLocation.CARD_COUNT,
    )
    step = (
        _ALL_CARDS_PRESENT
        if gap.should_keep_cards and where is not GapLocation.INSIDE_CARD
        else _NEXT_STEPS[where].format(day=gap.day)
    )
    return MissingFrames(
        number=gap.id,
        is_card_suspected=gap.verdict == GapVerdict.MISSING,
        kind=where,
        day=gap.day,
        body=gap.label or None,
        frames=gap.amount,
        first=gap.first_name if frames else None,
        last=gap.last_name if frames else None,
        message=_format_card_count(gap, cards)
        if where is GapLocation.CARD_COUNT
        else _format_message(where, gap, cards),
        next_step=step + _EXPLAIN.format(number=gap.id),
    )


def format_frame_range(first: str, last: str) -> str:
    """Format a range of camera names: `DSC 4410 to 4821`.

    If the prefix ends in a digit, `P1010001 to P1010412`.
    """
    letters, number = first[:-4].strip("_"), first[-4:]
    if not letters or letters[-1].isdigit() or first[:-4] != last[:-4]:
        return first if first == last else f"{first} to {last}"
    return f"{letters} {number}" if first == last else f"{letters} {number} to {last[-4:]}"


def _format_message(where: GapLocation, gap: GapRecord, cards: SessionCards) -> str:
    night = datetime.fromisoformat(gap.day)
    since, until = _format_time(gap.since_ns, night), _format_time(gap.until_ns, night)
    return _MESSAGES[where].format(
        day=gap.day,
        cards=pluralize(cards.cards, "card is", "cards are"),
        body=gap.label,
        frames=pluralize(gap.amount, "frame"),
        between=f"between {since} and {until}",
        names=format_frame_range(gap.first_name, gap.last_name),
        first=format_frame_range(gap.first_name, gap.first_name),
        last=format_frame_range(gap.last_name, gap.last_name),
        after=format_frame_range(_next_frame_name(gap.last_name), _next_frame_name(gap.last_name)),
        minutes=f"{gap.amount:,} minutes",
        since=since,
        until=until,
    )


def _format_card_count(gap: GapRecord, cards: SessionCards) -> str:
    words = _CARDS_MISSING if gap.verdict == GapVerdict.MISSING else _CARDS_MAYBE_MISSING
    missing = f"{gap.amount} {'is' if gap.amount == 1 else 'are'}"
    return words.format(
        cards=cards.cards, expected=cards.expected_cards, readings=cards.readings, day=gap.day, missing=missing
    )


def _format_time(wall_ns: int | None, night: datetime) -> str:
    """Format a time as `21:04`, with its date if that is not the night's.

    The hours after midnight belong to the night.
    """
    if wall_ns is None:
        return "an unknown time"
    moment = datetime.fromtimestamp(wall_ns // SECOND, UTC).replace(tzinfo=None)
    tonight = night <= moment < night + timedelta(hours=36)
    return f"{moment:%H:%M}" if tonight else f"{moment:%Y-%m-%d %H:%M}"


def _next_frame_name(name: str) -> str:
    return f"{name[:-4]}{int(name[-4:]) % 9999 + 1:04d}"
