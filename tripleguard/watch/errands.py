"""Each errand as a job: what a person would have typed, under the same locks, with one line at its end."""

from __future__ import annotations

import secrets
from collections import Counter
from dataclasses import replace

from msgspec.structs import replace as changed

from tripleguard.catalog.shoots import totals
from tripleguard.catalog.twins import further_debts
from tripleguard.names import shown
from tripleguard.reports.words import count, size
from tripleguard.watch.carding import answer_again, serve_card
from tripleguard.watch.decoding import decoded_too
from tripleguard.watch.errand import Ended, Errand, Outcome, What
from tripleguard.watch.landing import Landing
from tripleguard.watch.morning import morning
from tripleguard.watch.newfiles import brought_in, taken_in
from tripleguard.watch.notes import Notes
from tripleguard.work.budget import Budget
from tripleguard.work.cards.topup import topup
from tripleguard.work.kit import Kit, drives_for_looking, drives_for_writing, only_to_read_from, opened
from tripleguard.work.offsite.rescan_offsite import rescan_offsite
from tripleguard.work.offsite.third_place import offsite_record, opened_offsite
from tripleguard.work.offsite.upload import not_now, upload
from tripleguard.work.progress import Job
from tripleguard.work.rescanning.drill import drill
from tripleguard.work.rescanning.rescan import PlaceScanned, rescan
from tripleguard.work.rescanning.scanning import Depth


def job_for(kit: Kit, errand: Errand, notes: Notes, landing: Landing | None = None) -> Job[Ended]:
    """The job that does an errand. Raises what the jobs of `work` raise, PlaceBusy first of all."""
    match errand.what:
        case What.FRESH if landing is not None:
            return taken_in(kit, errand, landing)
        case What.IMPORT if landing is not None:
            return brought_in(kit, errand, landing)
        case What.CARD:
            return serve_card(kit, errand)
        case What.ANSWER:
            return answer_again(kit, errand)
        case What.TOPUP:
            return _topped_up(kit, errand)
        case What.QUICK:
            return _rescanned(kit, errand, "quick")
        case What.READ:
            return _rescanned(_ahead(kit), errand, "due")
        case What.REPORT:
            return morning(kit, errand)
        case What.UPLOAD:
            return _uploaded(kit, errand)
        case What.AFAR:
            return _rescanned_offsite(kit, errand)
        case What.DRILL:
            return _drilled(kit, errand)
        case _:
            raise AssertionError(f"nobody does {errand.what}")


def owed(kit: Kit) -> int:
    """Files, and equal files by name, that have fewer copies than the rule asks."""
    return totals(kit.catalog)[2] + further_debts(kit.catalog, kit.settings.rule.drive_copies)


def _topped_up(kit: Kit, errand: Errand) -> Job[Ended]:
    before = owed(kit)
    if not before:
        return Ended(errand, Outcome.DONE, "nothing is owed")
    with (
        opened(kit, drives_for_writing(kit, ()), "the watch: top-up") as ready,
        opened(kit, only_to_read_from(kit), "the watch: top-up", writing=False) as besides,
    ):
        if not ready.drives:
            return Ended(errand, Outcome.WAITS, "no drive is connected")
        refused = [error for _, error in ready.refused]
        result = yield from topup(kit, ready.drives, refused, besides.drives)
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
    if result.troubles:
        tell = " ".join(["Not every second copy could be made:", *(error.what for error in result.troubles)])
    outcome = Outcome.ATTENTION if result.troubles else Outcome.DONE
    return Ended(errand, outcome, "; ".join(parts) or "nothing could be made", tell, made)


def _ahead(kit: Kit) -> Kit:
    """The kit by whose rule a copy falls due some days early, so that none is overdue in the morning."""
    rule, days = kit.settings.rule, kit.settings.watch.ahead_days
    earlier = changed(rule, road_days=max(1, rule.road_days - days), shelf_days=max(1, rule.shelf_days - days))
    return replace(kit, settings=changed(kit.settings, rule=earlier))


def _rescanned(kit: Kit, errand: Errand, depth: Depth) -> Job[Ended]:
    with opened(kit, drives_for_looking(kit), f"the watch: {errand.what}") as ready:
        drives = ready.readable()
        if not drives:
            return Ended(errand, Outcome.WAITS, ready.none_left("").what)
        budget = Budget(seconds=errand.seconds)
        result = yield from rescan(kit, drives, depth, budget)
        decoded, damaged = "", ""
        if depth == "due" and not result.stopped:
            decoded, damaged = yield from decoded_too(kit, drives, budget)
    if result.stopped:
        return Ended(errand, Outcome.STOPPED, "it gave way; it goes on with what was not read for longest")
    parts = [_seen(one) for one in result.places]
    bad = any(one.found or one.gone for one in result.places)
    parts += [decoded] if decoded else []
    message = "; ".join([*parts, *(error.what for _, error in ready.refused)])
    tell = f"The {errand.what} found: {message}. Next: `tripleguard mend --dry-run`." if bad else damaged
    return Ended(errand, Outcome.ATTENTION if bad or damaged else Outcome.DONE, message, tell)


def _rescanned_offsite(kit: Kit, errand: Errand) -> Job[Ended]:
    record = offsite_record(kit)
    if record is None:
        return Ended(errand, Outcome.DONE, "there is no place offsite")
    if why := not_now(kit):
        return Ended(errand, Outcome.DONE, f"{why}, so nothing was looked at")
    with opened_offsite(kit, record, f"the watch: {errand.what}") as offsite:
        seen, cost = yield from rescan_offsite(kit, offsite, "due", Budget())
    if kit.stop.is_set():
        return Ended(errand, Outcome.STOPPED, "it gave way; it goes on with what was not read for longest")
    price = f", about {cost.price:.2f} to pay" if cost.price else ""
    message = f"{_seen(seen)}; {size(cost.read_bytes)} fetched{price}"
    tell = f"The {errand.what} found: {message}. Next: `tripleguard findings`." if seen.found else ""
    return Ended(errand, Outcome.ATTENTION if seen.found else Outcome.DONE, message, tell)


def _seen(one: PlaceScanned) -> str:
    """What was seen at one place, in words."""
    kinds = Counter(str(kind) for kind, _ in one.found)
    new = ", ".join(f"{number:,} {kind}" for kind, number in sorted(kinds.items())) or "nothing new"
    read = f", {one.read_back:,} read back" if one.read_back else ""
    gone = ", then it stopped answering" if one.gone else ""
    where = one.place if one.offsite else f"drive {one.place}"
    return f"{where}: {count(one.checked, 'copy', 'copies')} looked at{read}, {new}{gone}"


def _drilled(kit: Kit, errand: Errand) -> Job[Ended]:
    with opened(kit, drives_for_looking(kit), "the watch: drill") as ready:
        drives = ready.readable()
        if not drives:
            return Ended(errand, Outcome.WAITS, ready.none_left("").what)
        seed = secrets.randbelow(10**9)
        result = yield from drill(kit, drives, kit.settings.watch.drill_files, seed)
    failed = sum(len(one.failed) for one in result.places)
    sampled = sum(one.sampled for one in result.places)
    message = f"{count(sampled, 'copy', 'copies')} restored and compared, {failed:,} failed (seed {seed})"
    tell = (
        f"The drill could not restore {count(failed, 'copy', 'copies')}: see `tripleguard report`."
        if failed
        else ""
    )
    return Ended(errand, Outcome.ATTENTION if failed else Outcome.DONE, message, tell)


def _uploaded(kit: Kit, errand: Errand) -> Job[Ended]:
    record = offsite_record(kit)
    if record is None:
        return Ended(errand, Outcome.DONE, "there is no place offsite")
    with (
        opened(kit, drives_for_writing(kit, ()), "the watch: upload", writing=False) as ready,
        opened_offsite(kit, record, "the watch: upload") as offsite,
    ):
        result = yield from upload(kit, ready.looked_at, offsite, Budget())
    if kit.stop.is_set():
        return Ended(errand, Outcome.STOPPED, "it gave way; it goes on with what is still owed")
    if result.waits:
        return Ended(errand, Outcome.DONE, result.waits)
    owed = f"{count(result.still_owed, 'file')} still owed" if result.still_owed else "nothing is owed offsite"
    parts = [f"{count(result.sent, 'file')} sent and proved", owed, *(error.what for error in result.troubles)]
    tell = f"The selects are offsite: {parts[0]}." if result.sent and not result.still_owed else ""
    outcome = Outcome.ATTENTION if result.troubles else Outcome.DONE
    return Ended(errand, outcome, "; ".join(parts), tell)
