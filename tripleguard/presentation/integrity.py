"""Render the integrity of a card's files and the results of decoding, for a terminal and for `--json`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from tripleguard.catalog.integrity import ModelQuirk
from tripleguard.jobs.cards.second_reading import SecondReading
from tripleguard.jobs.inspect.inspect_pictures import InspectResult
from tripleguard.jobs.integrity import CardIntegrity
from tripleguard.model import Integrity
from tripleguard.names import escape_text
from tripleguard.presentation.words import format_duration, format_size
from tripleguard.wording import pluralize

_MAX_SHOWN = 10
"""Damaged files named in the text; the JSON has all of them."""


def format_integrity(card: CardIntegrity) -> Iterator[str]:
    """Yield the results of the integrity checks of a card's files; nothing if there were none."""
    count = card.clean + card.unchecked + len(card.damaged)
    if not count:
        return
    unchecked = f"; {card.unchecked:,} not checkable" if card.unchecked else ""
    yield (
        f"Looked through: {card.clean:,} of {pluralize(count, 'original')} whole as far as can be told{unchecked}"
    )
    for one in card.damaged[:_MAX_SHOWN]:
        accepted = " (accepted)" if one.is_accepted else ""
        yield f"Damaged at source: {escape_text(one.path)}: {one.reason}{accepted}"
    if len(card.damaged) > _MAX_SHOWN:
        yield f"Damaged at source: {len(card.damaged) - _MAX_SHOWN:,} more; all are in the --json output"
    yield from map(format_maker_habit, card.habits)


def format_second_reading(reading: SecondReading | None) -> Iterator[str]:
    """Yield the result of the second reading of a card, if there was one."""
    if reading is None:
        return
    yield (
        f"Read a second time: {pluralize(reading.equal_files, 'file')} gave "
        f"the same, {len(reading.unstable):,} did not"
    )
    for path, why in list(reading.unstable.items())[:_MAX_SHOWN]:
        yield f"Unsteady: {escape_text(path)}: {why}"
    if reading.is_from_cache:
        yield "Note: the second reading may have come from memory; unplug the reader and offload again to be sure"


def build_second_reading_object(
    reading: SecondReading | None, to_text: Callable[[str], str]
) -> dict[str, Any] | None:
    """Return the result of the second reading for `--json`; None if there was none."""
    if reading is None:
        return None
    return {
        "equal": reading.equal_files,
        "unsteady": [{"path": to_text(path), "reason": why} for path, why in reading.unstable.items()],
        "from_memory": reading.is_from_cache,
    }


def format_inspection(result: InspectResult) -> Iterator[str]:
    """Yield the results of decoding."""
    done = (
        f"{pluralize(result.decoded, 'picture')} decoded, {format_size(result.total_bytes)}, "
        f"in {format_duration(result.seconds)}"
    )
    yield f"{done}; {len(result.damaged):,} damaged at source"
    for path, why in result.damaged[:_MAX_SHOWN]:
        yield f"Damaged at source: {escape_text(path)}: {why}"
    if len(result.damaged) > _MAX_SHOWN:
        yield f"Damaged at source: {len(result.damaged) - _MAX_SHOWN:,} more; see `tripleguard report`"
    if result.unsupported:
        yield f"{pluralize(result.unsupported, 'file')} can't be decoded here: no decoder knows their kind"
    if result.unreadable:
        yield f"{pluralize(result.unreadable, 'copy', 'copies')} could not be read as recorded: run `rescan`"
    if result.remaining:
        yield f"Left for the next time: {pluralize(result.remaining, 'picture')}"


def build_inspection_object(result: InspectResult, to_text: Callable[[str], str]) -> dict[str, Any]:
    """Return the results of decoding for `--json`."""
    return {
        "decoded": result.decoded,
        "passed_over": result.unsupported,
        "unread": result.unreadable,
        "left": result.remaining,
        "bytes": result.total_bytes,
        "damaged": [{"path": to_text(path), "reason": why} for path, why in result.damaged],
        "seconds": result.seconds,
    }


def format_maker_habit(habit: ModelQuirk) -> str:
    """Return the line that says a peculiarity is normal for a camera model, and no damage."""
    return (
        f"Note: nearly all .{escape_text(habit.extension)} files of "
        f"{escape_text(habit.model)} ({habit.files:,}) have this in "
        f"common, and it is taken for their maker's way: {habit.reason}"
    )


def build_integrity_object(card: CardIntegrity, to_text: Callable[[str], str]) -> dict[str, Any]:
    """Return the integrity of a card's files for `--json`. to_text: makes a name fit for JSON."""
    return {
        "clean": card.clean,
        "not_checkable": card.unchecked,
        "damaged": [
            {
                "path": to_text(one.path),
                "verdict": str(Integrity.BROKEN if one.is_broken else Integrity.SUSPICIOUS),
                "reason": one.reason,
                "accepted": one.is_accepted,
                "number": one.id,
            }
            for one in card.damaged
        ],
        "habits": [build_maker_habit_object(one) for one in card.habits],
    }


def build_maker_habit_object(habit: ModelQuirk) -> dict[str, Any]:
    return {"model": habit.model, "extension": habit.extension, "files": habit.files, "reason": habit.reason}
