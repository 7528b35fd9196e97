"""Whether a card's own files hold together: for a terminal and for `--json`."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

from tripleguard.catalog.looks import Habit
from tripleguard.model import Wholeness
from tripleguard.names import shown
from tripleguard.reports.words import count
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
