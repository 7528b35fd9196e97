"""What is left without a drive, as lines for a terminal and as JSON: the worst first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tripleguard.clock import iso_utc
from tripleguard.model import PlaceState
from tripleguard.names import shown
from tripleguard.reports.objects import SCHEMA, text
from tripleguard.reports.words import ago, count, size
from tripleguard.work.years.losing import Aftermath, Amount, Remaining

_NAMED = 20


def aftermath(left: Aftermath, rests_on: Sequence[Remaining], now: int) -> Iterator[str]:
    """What is left, then where to begin, then how old all of that is."""
    name = shown(left.record.name)
    yield f"Drive {name} is {left.record.state} now: its copies do not count. {_amount(left.held)} were on it."
    if left.nowhere.files:
        yield (
            f"No verified copy left: {_amount(left.nowhere)}. Do not reformat a card that may hold them, and do "
            f"not try to repair the drive yourself: ask a recovery service first."
        )
    if left.offsite.files:
        yield f"Only offsite: {_amount(left.offsite)}."
    if left.once.files:
        yield f"On one drive only: {_amount(left.once)}. Copy these first:"
        for number, (record, amount) in enumerate(left.sources, start=1):
            shelf = ", on the shelf" if record.state is PlaceState.SHELVED else ""
            yield f"  {number}. connect drive {shown(record.name)}{shelf}: {_amount(amount)} are only there"
        yield "Then connect another drive with room, and run `tripleguard topup`."
    for one in left.shoots[:_NAMED]:
        parts = [
            f"{amount.files:,} {words}"
            for amount, words in (
                (one.nowhere, "on no drive"),
                (one.offsite, "only offsite"),
                (one.once, "on one drive"),
            )
            if amount.files
        ]
        yield f"Shoot {shown(one.shoot.title)}: {', '.join(parts)}"
    if len(left.shoots) > _NAMED:
        yield f"and {len(left.shoots) - _NAMED:,} more shoots; all are in the --json output"
    if not left.shoots:
        yield "Everything that was on it was verified on two other drives or more, and when was that:"
    elif rests_on:
        yield "What is called verified here was read back:"
    yield from _remaining(rests_on, now)


def _remaining(rests_on: Sequence[Remaining], now: int) -> Iterator[str]:
    """Of each other drive how old its evidence is, and which to read first."""
    for one in rests_on:
        where = "connected" if one.is_here else "not connected"
        late = f"; {one.overdue:,} of them longer ago than the rule allows" if one.overdue else ""
        yield (
            f"  drive {shown(one.record.name)} ({where}): {count(one.copies.files, 'copy', 'copies')}, "
            f"the one longest ago {ago(one.oldest, now)}{late}"
        )
    doubtful = [one for one in rests_on if one.overdue or not one.is_here]
    if doubtful:
        first = doubtful[0]
        name = shown(first.record.name)
        connect = "" if first.is_here else f"connect drive {name}, then "
        yield f"Nobody has looked since. Read first: {connect}run `tripleguard rescan --place {name}`."


def aftermath_object(left: Aftermath, rests_on: Sequence[Remaining]) -> dict[str, object]:
    """The same for programs."""
    return {
        "schema": SCHEMA,
        "drive": text(left.record.name),
        "state": str(left.record.state),
        "held": _object(left.held),
        "nowhere": _object(left.nowhere),
        "offsite_only": _object(left.offsite),
        "on_one_drive": _object(left.once),
        "connect_first": [{"drive": text(record.name), **_object(amount)} for record, amount in left.sources],
        "rests_on": [
            {
                "drive": text(one.record.name),
                "connected": one.is_here,
                "copies": one.copies.files,
                "bytes": one.copies.total_bytes,
                "read_back_oldest": iso_utc(one.oldest),
                "read_back_newest": iso_utc(one.newest),
                "overdue": one.overdue,
            }
            for one in rests_on
        ],
        "shoots": [
            {
                "shoot": text(one.shoot.title),
                "nowhere": _object(one.nowhere),
                "offsite_only": _object(one.offsite),
                "on_one_drive": _object(one.once),
            }
            for one in left.shoots
        ],
    }


def _amount(amount: Amount) -> str:
    return f"{count(amount.files, 'file')} ({size(amount.total_bytes)})"


def _object(amount: Amount) -> dict[str, object]:
    return {"files": amount.files, "bytes": amount.total_bytes}
