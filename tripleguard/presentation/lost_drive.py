"""Render what is left without a lost drive, as lines for a terminal and as JSON: the worst first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from tripleguard.clock import format_iso
from tripleguard.jobs.lifecycle.lost_drive import FileTotals, LossReport, RemainingDrive
from tripleguard.model import PlaceState
from tripleguard.names import escape_text
from tripleguard.presentation.json_output import SCHEMA, to_json_text
from tripleguard.presentation.words import format_age, format_size
from tripleguard.wording import pluralize

_MAX_SHOWN = 20


def format_aftermath(impact: LossReport, remaining_drives: Sequence[RemainingDrive], now: int) -> Iterator[str]:
    """Yield what is left, then where to begin, then how old the evidence is."""
    name = escape_text(impact.record.name)
    yield (
        f"Drive {name} is {impact.record.state} now: its copies do not count. "
        f"{_format_amount(impact.on_lost_drive)} were on it."
    )
    if impact.without_copy.files:
        yield (
            f"No verified copy left: {_format_amount(impact.without_copy)}. Do "
            f"not reformat a card that may hold them, and do "
            f"not try to repair the drive yourself: ask a recovery service first."
        )
    if impact.only_offsite.files:
        yield f"Only offsite: {_format_amount(impact.only_offsite)}."
    if impact.on_one_drive.files:
        yield f"On one drive only: {_format_amount(impact.on_one_drive)}. Copy these first:"
        for number, (record, amount) in enumerate(impact.source_drives, start=1):
            shelf = ", on the shelf" if record.state is PlaceState.SHELVED else ""
            yield (
                f"  {number}. connect drive {escape_text(record.name)}{shelf}: "
                f"{_format_amount(amount)} are only there"
            )
        yield "Then connect another drive with room, and run `tripleguard topup`."
    for one in impact.shoots[:_MAX_SHOWN]:
        parts = [
            f"{amount.files:,} {words}"
            for amount, words in (
                (one.without_copy, "on no drive"),
                (one.only_offsite, "only offsite"),
                (one.on_one_drive, "on one drive"),
            )
            if amount.files
        ]
        yield f"Shoot {escape_text(one.shoot.title)}: {', '.join(parts)}"
    if len(impact.shoots) > _MAX_SHOWN:
        yield f"and {len(impact.shoots) - _MAX_SHOWN:,} more shoots; all are in the --json output"
    if not impact.shoots:
        yield "Everything that was on it was verified on two other drives or more, and when was that:"
    elif remaining_drives:
        yield "What is called verified here was read back:"
    yield from _format_remaining(remaining_drives, now)


def _format_remaining(remaining_drives: Sequence[RemainingDrive], now: int) -> Iterator[str]:
    """Yield how old the evidence of each other drive is, and which drive to read first."""
    for one in remaining_drives:
        where = "connected" if one.is_connected else "not connected"
        late = f"; {one.overdue:,} of them longer ago than the rule allows" if one.overdue else ""
        yield (
            f"  drive {escape_text(one.record.name)} ({where}): {pluralize(one.copies.files, 'copy', 'copies')}, "
            f"the one longest ago {format_age(one.oldest_verified_at, now)}{late}"
        )
    doubtful = [one for one in remaining_drives if one.overdue or not one.is_connected]
    if doubtful:
        first = doubtful[0]
        name = escape_text(first.record.name)
        connect = "" if first.is_connected else f"connect drive {name}, then "
        yield f"Nobody has looked since. Read first: {connect}run `tripleguard rescan --place {name}`."


def build_aftermath_object(impact: LossReport, remaining_drives: Sequence[RemainingDrive]) -> dict[str, object]:
    """Return the same as an object for `--json`."""
    return {
        "schema": SCHEMA,
        "drive": to_json_text(impact.record.name),
        "state": str(impact.record.state),
        "held": _build_amount_object(impact.on_lost_drive),
        "nowhere": _build_amount_object(impact.without_copy),
        "offsite_only": _build_amount_object(impact.only_offsite),
        "on_one_drive": _build_amount_object(impact.on_one_drive),
        "connect_first": [
            {"drive": to_json_text(record.name), **_build_amount_object(amount)}
            for record, amount in impact.source_drives
        ],
        "rests_on": [
            {
                "drive": to_json_text(one.record.name),
                "connected": one.is_connected,
                "copies": one.copies.files,
                "bytes": one.copies.total_bytes,
                "read_back_oldest": format_iso(one.oldest_verified_at),
                "read_back_newest": format_iso(one.newest_verified_at),
                "overdue": one.overdue,
            }
            for one in remaining_drives
        ],
        "shoots": [
            {
                "shoot": to_json_text(one.shoot.title),
                "nowhere": _build_amount_object(one.without_copy),
                "offsite_only": _build_amount_object(one.only_offsite),
                "on_one_drive": _build_amount_object(one.on_one_drive),
            }
            for one in impact.shoots
        ],
    }


def _format_amount(amount: FileTotals) -> str:
    return f"{pluralize(amount.files, 'file')} ({format_size(amount.total_bytes)})"


def _build_amount_object(amount: FileTotals) -> dict[str, object]:
    return {"files": amount.files, "bytes": amount.total_bytes}
