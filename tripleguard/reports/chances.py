"""The chance of losing files, as lines and as an object. A chance is told as one in so many."""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.forecast.losing import Cause, Chance
from tripleguard.reports.objects import Object
from tripleguard.reports.words import count
from tripleguard.work.answers.chances import Losing

_CAUSES = {
    "bag": "everything in one bag is lost at once",
    "drives": "drives die before the one before is replaced",
    "faults": "a drive dies, or a fault hits, where another copy has a fault that nobody saw",
}
_RARE = 1e-6


def lines(found: Losing) -> Iterator[str]:
    """The answer, what it comes from, what would help, what it was counted with, and what it is worth."""
    if not found.files:
        yield "Losing files: there are no copies yet, so there is nothing to count."
        return
    end = "the end of the tour" if found.until_said else "eight weeks from now"
    yield (
        f"Losing files: the chance that at least one of {count(found.files, 'file')} is lost is "
        f"{odds(found.by_then)} by {found.until.isoformat()} ({end}), {odds(found.in_a_year)} in a year."
    )
    yield f"  On average {_mean(found.by_then)} files are lost by then, {_mean(found.in_a_year)} in a year."
    if found.once:
        yield f"  {count(found.once, 'file')} of them have only one good copy. Next: `tripleguard topup`."
    if found.nowhere:
        yield f"  {count(found.nowhere, 'file')} more have no good copy that counts, and are not counted here."
    kind, worst = max(found.causes.items(), key=lambda pair: pair[1].files)
    if worst.files > 0:
        yield f"  Most of it: {_CAUSES[kind]} ({_share(worst, found):.0%} of what is lost on average)."
    yield from _changes(found)
    if found.played is not None:
        played = found.played
        yield (
            f"  Played by lot, {count(played.trials, 'year')}: {played.at_least_one:.3%} lost a file "
            f"(give or take {played.at_least_one_error:.3%}), {played.files:.3g} files on average."
        )
    yield "  Counted with (each can be changed in the settings):"
    for one in found.inputs:
        yield f"    {one.key} = {one.value:g}: {one.meaning} ({one.source})"
    yield (
        "  Caution: this is an estimate. It knows what drives usually do, not these drives; it counts no mistake "
        "of a person, no software, no pictures that are shot from now on. Use it to compare, not to be sure."
    )


def as_object(found: Losing) -> Object:
    return {
        "files": found.files,
        "without_good_copy": found.nowhere,
        "with_one_good_copy": found.once,
        "until": found.until.isoformat(),
        "until_said": found.until_said,
        "by_then": _chance(found.by_then),
        "in_a_year": _chance(found.in_a_year),
        "causes": {
            kind: {"events_a_year": one.events, "files_a_year": one.files} for kind, one in found.causes.items()
        },
        "changes": [
            {"change": one.kind, "words": one.words, "in_a_year": _chance(one.in_a_year)} for one in found.changes
        ],
        "inputs": [
            {"setting": one.key, "value": one.value, "meaning": one.meaning, "source": one.source}
            for one in found.inputs
        ],
        "played": None
        if found.played is None
        else {
            "trials": found.played.trials,
            "at_least_one": found.played.at_least_one,
            "at_least_one_error": found.played.at_least_one_error,
            "files": found.played.files,
            "files_error": found.played.files_error,
        },
        "estimate": True,
    }


def odds(chance: Chance) -> str:
    """`1 in 1,200`, `23 %`."""
    share = chance.at_least_one
    if share < _RARE:
        return "less than 1 in a million"
    return f"{share:.0%}" if share >= 0.095 else f"1 in {_round(1 / share):,}"


def _changes(found: Losing) -> Iterator[str]:
    helping = [one for one in found.changes if one.in_a_year.files < found.in_a_year.files * 0.999]
    if not helping:
        return
    best = helping[0]
    after = best.in_a_year
    yield f"  What would help most: {best.words}: {odds(after)} in a year, {_mean(after)} files on average."
    for other in helping[1:]:
        yield f"    or: {other.words}: {odds(other.in_a_year)}, {_mean(other.in_a_year)} files"


def _share(cause: Cause, found: Losing) -> float:
    return cause.files / sum(one.files for one in found.causes.values())


def _mean(chance: Chance) -> str:
    return f"{chance.files:,.0f}" if chance.files >= 10 else f"{chance.files:.2g}"


def _round(number: float) -> int:
    """Two digits: more would say that more is known."""
    whole = round(number)
    step: int = 10 ** max(0, len(str(whole)) - 2)
    return round(whole / step) * step


def _chance(chance: Chance) -> Object:
    return {"at_least_one": chance.at_least_one, "files": chance.files}
