"""Render the chance of losing files, as lines and as an object. A chance is shown as odds, one in a number."""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.forecast.loss_risk import LossCause, LossChance
from tripleguard.jobs.queries.loss_risk import LossForecast
from tripleguard.presentation.json_output import JsonObject
from tripleguard.wording import pluralize

_CAUSE_TEXTS = {
    "bag": "everything in one bag is lost at once",
    "drives": "drives die before the one before is replaced",
    "faults": "a drive dies, or a fault hits, where another copy has a fault that nobody saw",
}
_RARE = 1e-6


def format_loss_risk(risk: LossForecast) -> Iterator[str]:
    """Yield the answer, its causes, what would help, the numbers it is based on, and its limits."""
    if not risk.files:
        yield "Losing files: there are no copies yet, so there is nothing to count."
        return
    end = "the end of the tour" if risk.is_until_given else "eight weeks from now"
    yield (
        f"Losing files: the chance that at least one of {pluralize(risk.files, 'file')} is lost is "
        f"{format_odds(risk.by_then)} by {risk.end_date.isoformat()} ({end}), "
        f"{format_odds(risk.in_a_year)} in a year."
    )
    yield (
        f"  On average {_format_mean(risk.by_then)} files are lost by then, "
        f"{_format_mean(risk.in_a_year)} in a year."
    )
    if risk.with_one_copy:
        yield (
            f"  {pluralize(risk.with_one_copy, 'file')} of them have only one "
            f"good copy. Next: `tripleguard topup`."
        )
    if risk.without_copy:
        yield (
            f"  {pluralize(risk.without_copy, 'file')} more have no good copy "
            f"that counts, and are not counted here."
        )
    kind, worst = max(risk.causes.items(), key=lambda pair: pair[1].files_per_year)
    if worst.files_per_year > 0:
        yield f"  Most of it: {_CAUSE_TEXTS[kind]} ({_get_share(worst, risk):.0%} of what is lost on average)."
    yield from _format_changes(risk)
    if risk.simulation is not None:
        played = risk.simulation
        yield (
            f"  Played by lot, {pluralize(played.trials, 'year')}: {played.at_least_one:.3%} lost a file "
            f"(give or take {played.at_least_one_error:.3%}), {played.mean_files:.3g} files on average."
        )
    yield "  Counted with (each can be changed in the settings):"
    for one in risk.inputs:
        yield f"    {one.key} = {one.value:g}: {one.meaning} ({one.source})"
    yield (
        "  Caution: this is an estimate. It knows what drives usually do, not these drives; it counts no mistake "
        "of a person, no software, no pictures that are shot from now on. Use it to compare, not to be sure."
    )


def build_loss_risk_object(risk: LossForecast) -> JsonObject:
    return {
        "files": risk.files,
        "without_good_copy": risk.without_copy,
        "with_one_good_copy": risk.with_one_copy,
        "until": risk.end_date.isoformat(),
        "until_said": risk.is_until_given,
        "by_then": _build_chance_object(risk.by_then),
        "in_a_year": _build_chance_object(risk.in_a_year),
        "causes": {
            kind: {"events_a_year": one.events_per_year, "files_a_year": one.files_per_year}
            for kind, one in risk.causes.items()
        },
        "changes": [
            {"change": one.kind, "words": one.description, "in_a_year": _build_chance_object(one.in_a_year)}
            for one in risk.changes
        ],
        "inputs": [
            {"setting": one.key, "value": one.value, "meaning": one.meaning, "source": one.source}
            for one in risk.inputs
        ],
        "played": None
        if risk.simulation is None
        else {
            "trials": risk.simulation.trials,
            "at_least_one": risk.simulation.at_least_one,
            "at_least_one_error": risk.simulation.at_least_one_error,
            "files": risk.simulation.mean_files,
            "files_error": risk.simulation.mean_files_error,
        },
        "estimate": True,
    }


def format_odds(chance: LossChance) -> str:
    """Format a chance as `1 in 1,200` or `23 %`."""
    share = chance.at_least_one
    if share < _RARE:
        return "less than 1 in a million"
    return f"{share:.0%}" if share >= 0.095 else f"1 in {_round_to_two_digits(1 / share):,}"


def _format_changes(risk: LossForecast) -> Iterator[str]:
    helping = [one for one in risk.changes if one.in_a_year.expected_files < risk.in_a_year.expected_files * 0.999]
    if not helping:
        return
    best = helping[0]
    after = best.in_a_year
    yield (
        f"  What would help most: {best.description}: {format_odds(after)} in "
        f"a year, {_format_mean(after)} files on average."
    )
    for other in helping[1:]:
        yield f"    or: {other.description}: {format_odds(other.in_a_year)}, {_format_mean(other.in_a_year)} files"


def _get_share(cause: LossCause, risk: LossForecast) -> float:
    return cause.files_per_year / sum(one.files_per_year for one in risk.causes.values())


def _format_mean(chance: LossChance) -> str:
    return f"{chance.expected_files:,.0f}" if chance.expected_files >= 10 else f"{chance.expected_files:.2g}"


def _round_to_two_digits(number: float) -> int:
    """Round to two significant digits, as more would suggest a precision that is not there."""
    whole = round(number)
    step: int = 10 ** max(0, len(str(whole)) - 2)
    return round(whole / step) * step


def _build_chance_object(chance: LossChance) -> JsonObject:
    return {"at_least_one": chance.at_least_one, "files": chance.expected_files}
