"""What is chosen, to text and to JSON."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from tripleguard.names import shown
from tripleguard.reports.objects import SCHEMA, Object, text
from tripleguard.reports.words import count, size
from tripleguard.work.offsite.choosing import ChosenResult, Overview
from tripleguard.work.offsite.learning import LearntResult

_SHOWN = 10


def overview_text(found: Overview) -> Iterator[str]:
    """One line a shoot."""
    if not found.selects:
        yield "Nothing is chosen yet."
        yield "Next: rate pictures in your editor and run `selects learn`, or choose by name with `selects add`."
        return
    ways = ", ".join(f"{number:,} by {how}" for how, number in sorted(found.how.items()))
    yield f"{count(found.selects, 'select')}: {ways}."
    for one in found.shoots:
        yield (
            f"  {shown(one.shoot.title)}: {count(one.selects, 'select')}, {count(one.files, 'file')}, "
            f"{size(one.bytes)}"
        )


def overview_object(found: Overview) -> Object:
    return {
        "schema": SCHEMA,
        "selects": found.selects,
        "how": found.how,
        "files": sum(one.files for one in found.shoots),
        "bytes": sum(one.bytes for one in found.shoots),
        "shoots": [
            {"shoot": one.shoot.title, "selects": one.selects, "files": one.files, "bytes": one.bytes}
            for one in found.shoots
        ],
    }


def chosen_text(result: ChosenResult, *, chosen: bool) -> Iterator[str]:
    """What changed, and what could not be found."""
    word = "chosen" if chosen else "dropped"
    already = f", {result.unchanged:,} were so already" if result.unchanged else ""
    yield f"{count(result.frames, 'frame')} {word}{already}. {count(result.chosen, 'select')} in all."
    yield from _not_found(result.not_found)
    if result.frames and not chosen:
        yield "Nothing was deleted anywhere."


def chosen_object(result: ChosenResult, *, chosen: bool) -> Object:
    return {
        "schema": SCHEMA,
        "added": result.frames if chosen else 0,
        "dropped": 0 if chosen else result.frames,
        "unchanged": result.unchanged,
        "selects": result.chosen,
        "not_found": _reasons(result.not_found),
    }


def learnt_text(result: LearntResult, at_least: float) -> Iterator[str]:
    """What was read, and what changed by it."""
    yield f"{count(result.sidecars, 'sidecar')} and {count(result.pictures, 'picture')} read."
    yield (
        f"{count(result.added, 'frame')} chosen with a rating of {at_least:g} or more, "
        f"{result.dropped:,} not any more. {count(result.chosen, 'select')} in all."
    )
    yield from _not_found(result.not_known)


def learnt_object(result: LearntResult) -> Object:
    return {
        "schema": SCHEMA,
        "sidecars": result.sidecars,
        "pictures": result.pictures,
        "added": result.added,
        "dropped": result.dropped,
        "selects": result.chosen,
        "not_known": _reasons(result.not_known),
        "seconds": result.seconds,
    }


def _not_found(reasons: Sequence[tuple[str, str]]) -> Iterator[str]:
    for name, why in reasons[:_SHOWN]:
        yield f"  {shown(name)}: {why}."
    if len(reasons) > _SHOWN:
        yield f"  and {len(reasons) - _SHOWN:,} more."


def _reasons(reasons: Sequence[tuple[str, str]]) -> list[dict[str, Any]]:
    return [{"name": text(name), "reason": text(why)} for name, why in reasons]
