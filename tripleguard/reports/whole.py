"""Whether a card's own files hold together: for a terminal and for `--json`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from tripleguard.catalog.looks import Habit
from tripleguard.model import Wholeness
from tripleguard.names import shown
from tripleguard.reports.words import count, duration, size
from tripleguard.work.cards.second_reading import SecondReading
from tripleguard.work.decoding.decode import DecodeResult
from tripleguard.work.looking import WholeCard

_NAMED = 10
"""Damaged files that are named; the rest are in the JSON."""


def lines(whole: WholeCard) -> Iterator[str]:
    """What looks into a card's files told; nothing where there was nothing to look at."""
    looked = whole.clean + whole.unchecked + len(whole.damaged)
    if not looked:
        return
    unchecked = f"; {whole.unchecked:,} not checkable" if whole.unchecked else ""
    yield f"Looked through: {whole.clean:,} of {count(looked, 'original')} whole as far as can be told{unchecked}"
    for one in whole.damaged[:_NAMED]:
        accepted = " (accepted)" if one.accepted else ""
        yield f"Damaged at source: {shown(one.path)}: {one.why}{accepted}"
    if len(whole.damaged) > _NAMED:
        yield f"Damaged at source: {len(whole.damaged) - _NAMED:,} more; all are in the --json output"
    yield from map(habit, whole.habits)


def second(reading: SecondReading | None) -> Iterator[str]:
    """How a second reading of the card went, if there was one."""
    if reading is None:
        return
    yield f"Read a second time: {count(reading.equal, 'file')} gave the same, {len(reading.unsteady):,} did not"
    for path, why in list(reading.unsteady.items())[:_NAMED]:
        yield f"Unsteady: {shown(path)}: {why}"
    if reading.from_memory:
        yield "Note: the second reading may have come from memory; unplug the reader and offload again to be sure"


def second_object(reading: SecondReading | None, as_text: Callable[[str], str]) -> dict[str, Any] | None:
    """The same, as `--json` prints it; None without a second reading."""
    if reading is None:
        return None
    return {
        "equal": reading.equal,
        "unsteady": [{"path": as_text(path), "reason": why} for path, why in reading.unsteady.items()],
        "from_memory": reading.from_memory,
    }


def decoded(result: DecodeResult) -> Iterator[str]:
    """What decoding told."""
    done = f"{count(result.decoded, 'picture')} decoded, {size(result.total_bytes)}, in {duration(result.seconds)}"
    yield f"{done}; {len(result.damaged):,} damaged at source"
    for path, why in result.damaged[:_NAMED]:
        yield f"Damaged at source: {shown(path)}: {why}"
    if len(result.damaged) > _NAMED:
        yield f"Damaged at source: {len(result.damaged) - _NAMED:,} more; see `tripleguard report`"
    if result.passed_over:
        yield f"{count(result.passed_over, 'file')} can't be decoded here: no decoder knows their kind"
    if result.unread:
        yield f"{count(result.unread, 'copy', 'copies')} could not be read as recorded: run `rescan`"
    if result.left:
        yield f"Left for the next time: {count(result.left, 'picture')}"


def decoded_object(result: DecodeResult, as_text: Callable[[str], str]) -> dict[str, Any]:
    """The same, as `--json` prints it."""
    return {
        "decoded": result.decoded,
        "passed_over": result.passed_over,
        "unread": result.unread,
        "left": result.left,
        "bytes": result.total_bytes,
        "damaged": [{"path": as_text(path), "reason": why} for path, why in result.damaged],
        "seconds": result.seconds,
    }


def habit(one: Habit) -> str:
    """That something is how a model's files are, and no damage."""
    return (
        f"Note: nearly all .{shown(one.extension)} files of {shown(one.model)} ({one.files:,}) have this in "
        f"common, and it is taken for their maker's way: {one.why}"
    )


def as_object(whole: WholeCard, as_text: Callable[[str], str]) -> dict[str, Any]:
    """The same, as `--json` prints it. as_text: makes a name fit for JSON."""
    return {
        "clean": whole.clean,
        "not_checkable": whole.unchecked,
        "damaged": [
            {
                "path": as_text(one.path),
                "verdict": str(Wholeness.BROKEN if one.broken else Wholeness.SUSPICIOUS),
                "reason": one.why,
                "accepted": one.accepted,
                "number": one.id,
            }
            for one in whole.damaged
        ],
        "habits": [habit_object(one) for one in whole.habits],
    }


def habit_object(one: Habit) -> dict[str, Any]:
    return {"model": one.model, "extension": one.extension, "files": one.files, "reason": one.why}
