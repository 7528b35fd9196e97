"""Each errand as a job: what a person would have typed, under the same locks, with one line at its end."""

from __future__ import annotations

from tripleguard.catalog.shoots import totals
from tripleguard.catalog.twins import further_debts
from tripleguard.names import shown
from tripleguard.reports.words import count
from tripleguard.watch.carding import answer_again, serve_card
from tripleguard.watch.errand import Ended, Errand, Outcome, What
from tripleguard.watch.notes import Notes
from tripleguard.work.kit import Kit, drives_for_writing, opened
from tripleguard.work.progress import Job
from tripleguard.work.topup import topup


def job_for(kit: Kit, errand: Errand, notes: Notes) -> Job[Ended]:
    """The job that does an errand. Raises what the jobs of `work` raise, PlaceBusy first of all."""
    match errand.what:
        case What.CARD:
            return serve_card(kit, errand, notes)
        case What.ANSWER:
            return answer_again(kit, errand)
        case What.TOPUP:
            return _topped_up(kit, errand)
        case _:
            raise AssertionError(f"nobody does {errand.what}")


def owed(kit: Kit) -> int:
    """Files, and equal files by name, that have fewer copies than the rule asks."""
    return totals(kit.catalog)[2] + further_debts(kit.catalog, kit.settings.rule.drive_copies)


def _topped_up(kit: Kit, errand: Errand) -> Job[Ended]:
    before = owed(kit)
    if not before:
        return Ended(errand, Outcome.DONE, "nothing is owed")
    with opened(kit, drives_for_writing(kit, ()), "the watch: top-up") as ready:
        if not ready.drives:
            return Ended(errand, Outcome.WAITS, "no drive is connected")
        result = yield from topup(kit, ready.drives, [error for _, error in ready.refused])
    made = sum(result.made.values())
    parts = [
        f"drive {name}: {count(made, 'new copy', 'new copies')}" for name, made in result.made.items() if made
    ]
    parts += [error.what for error in result.troubles]
    if result.still_short:
        parts.append(f"{count(result.still_short, 'file')} still owed")
    elif made:
        parts.append("nothing is owed any more")
    tell = f"The second copies are made: {shown('; '.join(parts))}." if made and not result.still_short else ""
    outcome = Outcome.ATTENTION if result.troubles else Outcome.DONE
    return Ended(errand, outcome, "; ".join(parts) or "nothing could be made", tell, made)
