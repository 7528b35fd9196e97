"""Findings and answers as plain lines for a terminal.

Every line makes sense on its own, read aloud or without colour: the answer is a word, not a sign. Names are
shown escaped. Nothing here is wider than it must be; the terminal wraps what is long.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import tzinfo

from tripleguard.answers import Clearance, Reason
from tripleguard.catalog.journal import Event
from tripleguard.errors import TripleguardError
from tripleguard.model import Copy, CopyState, FindingKind, Severity
from tripleguard.names import shown
from tripleguard.places.disks import Sharing
from tripleguard.reports import numbers, whole
from tripleguard.reports.words import ago, count, duration, rate, size, when
from tripleguard.work.answers.reporting import PlaceStatus, Report
from tripleguard.work.cards.offload import OffloadResult
from tripleguard.work.cards.topup import TopupResult
from tripleguard.work.clearance.card import VerifiedOnDrive
from tripleguard.work.mending.mend import Mended, MendResult
from tripleguard.work.offsite.drill_offsite import OffsiteDrilled
from tripleguard.work.offsite.rescan_offsite import Cost
from tripleguard.work.rescanning.drill import DrillResult, PlaceDrilled
from tripleguard.work.rescanning.rescan import PlaceScanned, RescanResult

_GAVE_WAY = (FindingKind.CORRUPT, FindingKind.ALTERED, FindingKind.STALE)
_URGENCY = {Severity.NOW: "Now", Severity.SOON: "Soon", Severity.NOTE: "Note"}


def offload(result: OffloadResult) -> Iterator[str]:
    """The end of an offload: what was done, then the answer."""
    titles = ", ".join(shoot.title for shoot in result.shoots) or "nothing"
    pace = f", {rate(result.read_bytes / result.seconds)} read" if result.seconds >= 1 else ""
    yield f"Shoot: {shown(titles)}"
    yield f"Card: {count(result.files, 'file')}, {size(result.total_bytes)}, in {duration(result.seconds)}{pace}"
    parts = [f"{result.copied:,} copied", f"{result.already_there:,} were there already"]
    if result.resumed:
        parts.append(f"{result.resumed:,} known from the interrupted run")
    yield "Of these: " + ", ".join(parts)
    for name, held in result.on_drives.items():
        yield f"Drive {name}: {_read_back(held, result.files)}"
    for one in result.not_copied[:10]:
        yield f"Not copied: {shown(one.path)}: {one.reason}"
    if len(result.not_copied) > 10:
        yield f"Not copied: {len(result.not_copied) - 10:,} more; all are in the --json output"
    yield from (f"Changed: {shown(one.path)}: {one.reason}" for one in result.changed[:10])
    yield from whole.lines(result.whole)
    yield from whole.second(result.second)
    yield from (f"Trouble: {line}" for line in map(str, result.troubles))
    yield from numbers.cards(result.numbers.nights)
    yield ""
    yield from clearance(result.clearance)


def _read_back(held: VerifiedOnDrive, files: int) -> str:
    """What was read back of a card's files on one drive; what was read before is said with its time."""
    if held.oldest is None:
        return f"{held.now:,} of {files:,} read back and equal"
    before = f"{held.files - held.now:,} read back before, the oldest on {when(held.oldest, None)}"
    return f"{held.files:,} of {files:,} verified: {held.now:,} read back now, {before}"


def clearance(answer: Clearance) -> Iterator[str]:
    """What may be missing elsewhere; then the answer, and why."""
    if answer.numbers:
        yield from numbers.warning(answer.numbers)
        yield ""
    if answer.answer:
        yield f"YES: this card may be reformatted. {count(answer.files, 'file')}, each verified on its drives."
    else:
        yield f"NO: do not reformat this card. {answer.covered:,} of {count(answer.files, 'file')} are safe."
        for reason in answer.reasons:
            yield from reason_lines("Why", reason)
    for note in answer.notes:
        yield from reason_lines("Note", note)


def caution() -> str:
    """What stands under every yes."""
    return (
        "Two drives in one bag are lost together: carry them apart, and mind what your contract and your insurer "
        "ask before you erase."
    )


def topup(result: TopupResult) -> Iterator[str]:
    for name in result.made:
        made = count(result.made[name], "new copy", "new copies")
        yield f"Drive {name}: {made}, {result.proved[name]:,} read back"
    yield from (f"Trouble: {line}" for line in map(str, result.troubles))
    if result.still_short:
        yield f"Still owed: {count(result.still_short, 'file')} with fewer copies than the rule asks."
        if result.no_source:
            yield f"Of these, {result.no_source:,} have no good copy on a connected drive: connect the others."
    elif not result.unproved:
        yield "Nothing is owed: every file has the copies the rule asks for."
    for one in result.unproved:
        yield f"{one.message}. {one.next_step}."


_MAYBE = "may have come from memory: they were written or read before since the drive was plugged in"


def rescan(result: RescanResult) -> Iterator[str]:
    for one in result.places:
        end = "all that was asked for" if one.finished else "not finished; the next rescan goes on from there"
        if one.gone:
            end = "the drive stopped answering"
        if one.trouble:
            end = f"not finished: {one.trouble}"
        source = "" if one.offsite else " from the medium"
        yield (
            f"{_called(one)}: {count(one.checked, 'copy', 'copies')} looked at, {one.read_back:,} read back"
            f"{source}, {size(one.read_bytes)}; {end}."
        )
        if one.from_memory:
            yield f"  {one.from_memory:,} more {'is' if one.from_memory == 1 else 'are'} equal, but {_MAYBE}."
        if one.unproved is not None:
            yield f"  {one.unproved.message}. {one.unproved.next_step}."
        for kind, path in one.found[:20]:
            yield f"  {kind}: {shown(path)}"
        if len(one.found) > 20:
            yield f"  and {len(one.found) - 20:,} more"
    if any(one.found for one in result.places):
        yield "Next: `tripleguard mend --dry-run` says what can be put right."
    elif all(one.finished for one in result.places):
        yield "Nothing new was found."
    if result.still_open > sum(len(one.found) for one in result.places):
        copies = count(result.still_open, "copy is", "copies are")
        where = "there" if any(one.offsite for one in result.places) else "on these drives"
        yield f"In all, {copies} missing or bad {where}: `tripleguard findings` shows what is open."


def rescan_cost(cost: Cost | None) -> Iterator[str]:
    """What reading back offsite took, and what it cost if a price is set."""
    if cost is not None and cost.read_bytes:
        price = f", {cost.price:.2f} at your price" if cost.price else ""
        yield f"Read back offsite: {size(cost.read_bytes)} of {size(cost.of_bytes)}{price}."


def _called(one: PlaceScanned) -> str:
    return f"Offsite place {one.place}" if one.offsite else f"Drive {one.place}"


def mend(result: MendResult) -> Iterator[str]:
    word = "Would mend" if result.dry_run else "Mended"
    for one in result.mended:
        yield f"{word}: {_place_of(one)}: {shown(one.path)} ({one.kind}): {one.how}"
    for one in result.not_mended:
        yield f"Not mended: {_place_of(one)}: {shown(one.path)} ({one.kind}): {one.how}"
    yield from (f"Trouble: {line}" for line in map(str, result.troubles))
    if not result.mended and not result.not_mended:
        yield "There is nothing to mend on the drives that are connected."
        return
    bad = [one for one in result.mended if one.kind in _GAVE_WAY and not result.dry_run]
    if any(not one.offsite for one in bad):
        yield "Bad copies were moved to .tripleguard/aside on their drives; nothing was deleted."
    if any(one.offsite for one in bad):
        yield "Bad copies offsite stay under their keys, beside the good ones; nothing was deleted."


def _place_of(one: Mended) -> str:
    return one.place if one.offsite else f"drive {one.place}"


def leaves_the_house(address: str, beside: Sequence[str] = ()) -> Iterator[str]:
    """What has to be thought of before pictures of people go elsewhere. beside: drives on the same device."""
    for name in beside:
        yield f"Caution: this folder is on one physical device with drive {name}: it is no third place."
    yield (
        "Caution: what you choose leaves the house. Contracts, consent and the law on pictures of people decide "
        "whether it may; nothing offsite is ever deleted from here. See docs/offsite.md."
    )
    if "http://" in address:
        yield "Caution: http:// sends pictures in the clear. Use it on a network of your own only."


def drill(result: DrillResult) -> Iterator[str]:
    for one in result.places:
        yield from _drilled(one, f"Drive {one.place}")
    yield f"Seed {result.seed}: `drill --seed {result.seed}` repeats this sample."


def drill_offsite(found: OffsiteDrilled) -> Iterator[str]:
    """What came of the offsite place's sample, and what fetching it cost."""
    yield from _drilled(found.place, f"Offsite place {found.place.place}")
    if found.as_they_lie:
        yield f"  {found.as_they_lie:,} of these are sealed, compared as they lie: `--key FILE` opens them."
    yield from rescan_cost(found.cost)


def _drilled(one: PlaceDrilled, called: str) -> Iterator[str]:
    if not one.copies and not one.known_bad:
        yield f"{called}: no copies yet."
        return
    done = f"{one.sampled:,} of {one.copies:,} copies restored and compared"
    yield f"{called}: {done}, {len(one.failed):,} failed."
    for path, why in one.failed:
        yield f"  {shown(path)}: {why}"
    if one.sampled < one.copies:
        yield (
            f"  With 95 % confidence, at most {one.bound:.1%} of these {one.copies:,} can't be restored "
            f"(a random sample of {one.sampled:,}; more files make it sharper)."
        )
    if one.known_bad:
        bad = count(one.known_bad, "more copy", "more copies")
        yield f"  Left out: {bad}, known to be missing or bad; `tripleguard findings` names them."


def findings(found: Report, zone: tzinfo | None) -> Iterator[str]:
    """What is open, with the number by which it can be accepted."""
    for one in found.findings:
        number = f"{one.number}: " if one.number is not None else ""
        since = f" (since {when(one.since, zone)})" if one.since else ""
        yield f"{number}{_URGENCY[one.severity]}: {one.message}{since}."
        yield f"  Next: {one.next_step}."
    if not found.findings:
        yield "Nothing is open."


def drives(
    statuses: list[PlaceStatus], shared: list[Sharing], now: int, *, allowed: bool = False
) -> Iterator[str]:
    """One line a drive. allowed: the settings count copies on one disk as two."""
    for status in statuses:
        room = ""
        if status.room is not None and status.room.total:
            room = f", {size(status.room.free)} free of {size(status.room.total)}"
        where = (
            f" at {shown(str(status.path))}"
            if status.path
            else f", last seen {ago(status.record.last_seen_at, now)}"
        )
        if status.state == "offsite":
            yield f"Offsite: {shown(status.record.last_path or '')}{where}"
        else:
            note = f" ({shown(status.record.note)})" if status.record.note else ""
            yield f"Drive {status.record.name}: {status.state}{note}{where}{room}"
        oldest = f"; the longest ago verified was {ago(status.oldest, now)}" if status.oldest else ""
        yield f"  {count(status.files, 'copy', 'copies')}, {size(status.total_bytes)}{oldest}"
    for pair in shared:
        both = f"drives {pair.one} and {pair.other}"
        if allowed:
            if pair.sure:
                yield f"Caution: {both} are on one physical device, which the settings allow: if it dies, both do."
        elif pair.sure:
            yield (
                f"Caution: {both} are on one physical device. If it dies, both copies die, so they count as one, "
                "and no card will be cleared. Use two disks; or, if you know why, run `tripleguard setup "
                "--allow-same-disk`."
            )
        else:
            yield (
                f"Caution: it can't be told whether {both} are on one physical device. In doubt they count as "
                "one, and no card will be cleared. If you know that they are two disks, say so with `tripleguard "
                "setup --allow-same-disk`."
            )


def report(found: Report, zone: tzinfo | None, now: int) -> Iterator[str]:
    """The answer first, then what wants a person, then the drives."""
    if found.files == 0:
        yield "Nothing has been offloaded yet."
    elif found.clear:
        yield f"All is as the rule asks: {count(found.files, 'file')}, {size(found.total_bytes)}."
    else:
        yield f"Something wants attention. {count(found.files, 'file')}, {size(found.total_bytes)} in all."
    if found.numbers.open:
        yield ""
        yield from numbers.warning(found.numbers.open)
    for finding in found.findings[:20]:
        yield ""
        yield f"{_URGENCY[finding.severity]}: {finding.message}."
        yield f"  Next: {finding.next_step}."
    if len(found.findings) > 20:
        yield f"  and {len(found.findings) - 20:,} more; all are in the --json output"
    yield from map(whole.habit, found.habits)
    for owed in found.owed[:10]:
        yield f"Owed: {shown(owed.shoot.title)}: {owed.short:,} of {count(owed.files, 'file')}, {size(owed.bytes)}"
    yield ""
    yield from drives(list(found.places), [], now)
    for one in found.aside:
        yield (
            f"Aside on drive {shown(one.record.name)}: {count(one.recorded.copies, 'bad copy', 'bad copies')}, "
            f"{size(one.recorded.total_bytes)}, the oldest since {when(one.recorded.oldest, zone)}. They are kept "
            "until you say otherwise. Next: `tripleguard aside` shows them."
        )
    if found.surplus[0]:
        yield f"Surplus offsite: {count(found.surplus[0], 'file')} of no select, {size(found.surplus[1])}."
    if found.last_clearance is not None:
        at, subject, answer = found.last_clearance
        word = "yes" if answer else "no"
        yield f"Last card question: {word}, {shown(subject)}, {when(at, zone)}"


def log(events: list[Event], zone: tzinfo | None) -> Iterator[str]:
    """One line an event."""
    for event in events:
        place = f" on {event.place}" if event.place else ""
        outcome = "" if event.outcome == "success" else f" [{event.outcome}]"
        yield f"{when(event.at, zone)}  {event.type}{place}{outcome}: {shown(event.message)}"


def troubles(errors: Iterable[TripleguardError]) -> Iterator[str]:
    """One line for each thing that kept a drive out."""
    yield from (f"Trouble: {error}" for error in errors)


def trouble(error: TripleguardError) -> Iterator[str]:
    """What happened, what is safe, what to do."""
    yield f"What happened: {error.what}"
    if error.safe:
        yield f"What is safe: {error.safe}"
    if error.do:
        yield f"What to do: {error.do}"


def reason_lines(word: str, reason: Reason) -> Iterator[str]:
    message = reason.message[:1].upper() + reason.message[1:]
    yield f"  {word}: {message}."
    for path in reason.examples[:3]:
        yield f"       {shown(path)}"
    if reason.count > 3 and reason.examples:
        yield f"       and {reason.count - min(3, len(reason.examples)):,} more"


def evidence(copy: Copy, now: int) -> str:
    """What is known of a copy, in a few words."""
    if copy.state is not CopyState.PRESENT:
        return str(copy.state)
    if copy.evidence.verified_at is None:
        return "written, not read back yet"
    memory = "" if copy.evidence.medium and copy.evidence.medium.reached_device else ", maybe from memory"
    return f"verified {ago(copy.evidence.verified_at, now)}{memory}"
