"""Render findings and answers as plain lines for a terminal.

Every line makes sense on its own, read aloud or without colour: the answer is a word, not a symbol. Names are
escaped. The terminal wraps long lines.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import tzinfo

from tripleguard.catalog.event_log import CatalogEvent
from tripleguard.clearance_answer import Clearance, ClearanceReason
from tripleguard.errors import TripleguardError
from tripleguard.jobs.cards.offload import OffloadResult
from tripleguard.jobs.cards.topup import TopupResult
from tripleguard.jobs.clearance.card_answer import VerifiedOnDrive
from tripleguard.jobs.offsite.drill_offsite import OffsiteDrillResult
from tripleguard.jobs.offsite.rescan_offsite import ReadBackCost
from tripleguard.jobs.queries.report_query import PlaceStatus, Report
from tripleguard.jobs.repair.repair import RepairOutcome, RepairResult
from tripleguard.jobs.rescan.drill import DrillResult, PlaceDrillResult
from tripleguard.jobs.rescan.rescan_result import PlaceRescanResult, RescanResult
from tripleguard.model import Copy, CopyState, FindingKind, Severity
from tripleguard.names import escape_text
from tripleguard.places.disks import SharedDisk
from tripleguard.presentation import frames, integrity
from tripleguard.presentation.words import format_age, format_duration, format_rate, format_size, format_time
from tripleguard.wording import pluralize

_QUARANTINED_KINDS = (FindingKind.CORRUPT, FindingKind.ALTERED, FindingKind.STALE)
_URGENCY_WORDS = {Severity.NOW: "Now", Severity.SOON: "Soon", Severity.NOTE: "Note"}


def format_offload(result: OffloadResult) -> Iterator[str]:
    """Yield what an offload did, then the clearance answer."""
    titles = ", ".join(shoot.title for shoot in result.shoots) or "nothing"
    pace = f", {format_rate(result.bytes_read / result.seconds)} read" if result.seconds >= 1 else ""
    yield f"Shoot: {escape_text(titles)}"
    yield (
        f"Card: {pluralize(result.files, 'file')}, {format_size(result.total_bytes)}, "
        f"in {format_duration(result.seconds)}{pace}"
    )
    parts = [f"{result.copied:,} copied", f"{result.already_present:,} were there already"]
    if result.resumed:
        parts.append(f"{result.resumed:,} known from the interrupted run")
    yield "Of these: " + ", ".join(parts)
    for name, held in result.on_drives.items():
        yield f"Drive {name}: {_format_read_back(held, result.files)}"
    for one in result.not_copied[:10]:
        yield f"Not copied: {escape_text(one.path)}: {one.reason}"
    if len(result.not_copied) > 10:
        yield f"Not copied: {len(result.not_copied) - 10:,} more; all are in the --json output"
    yield from (f"Changed: {escape_text(one.path)}: {one.reason}" for one in result.changed[:10])
    yield from integrity.format_integrity(result.integrity)
    yield from integrity.format_second_reading(result.second_reading)
    yield from (f"Trouble: {line}" for line in map(str, result.errors))
    yield from frames.format_card_counts(result.missing_frames.nights)
    yield ""
    yield from format_clearance(result.clearance)


def _format_read_back(evidence_on_drive: VerifiedOnDrive, files: int) -> str:
    """Return how many of a card's files were read back on one drive.

    Earlier readings are given with their time.
    """
    if evidence_on_drive.oldest is None:
        return f"{evidence_on_drive.now:,} of {files:,} read back and equal"
    before = (
        f"{evidence_on_drive.files - evidence_on_drive.now:,} read back "
        f"before, the oldest on {format_time(evidence_on_drive.oldest, None)}"
    )
    return f"{evidence_on_drive.files:,} of {files:,} verified: {evidence_on_drive.now:,} read back now, {before}"


def format_clearance(answer: Clearance) -> Iterator[str]:
    """Yield what may be missing elsewhere; then the answer and the reasons."""
    if answer.missing_frames:
        yield from frames.format_warning(answer.missing_frames)
        yield ""
    if answer.is_yes:
        yield f"YES: this card may be reformatted. {pluralize(answer.files, 'file')}, each verified on its drives."
    else:
        yield (
            f"NO: do not reformat this card. {answer.covered_files:,} of "
            f"{pluralize(answer.files, 'file')} are safe."
        )
        for reason in answer.reasons:
            yield from format_reason("Why", reason)
    for note in answer.notes:
        yield from format_reason("Note", note)


def get_caution() -> str:
    """Return the caution printed under every yes."""
    return (
        "Two drives in one bag are lost together: carry them apart, and mind what your contract and your insurer "
        "ask before you erase."
    )


def format_topup(result: TopupResult) -> Iterator[str]:
    for name in result.created:
        made = pluralize(result.created[name], "new copy", "new copies")
        yield f"Drive {name}: {made}, {result.verified[name]:,} read back"
    yield from (f"Trouble: {line}" for line in map(str, result.errors))
    if result.still_under_replicated:
        yield (
            f"Still owed: {pluralize(result.still_under_replicated, 'file')} with fewer copies than the rule asks."
        )
        if result.without_source:
            yield (
                f"Of these, {result.without_source:,} have no good copy on a connected drive: connect the others."
            )
    elif not result.cached:
        yield "Nothing is owed: every file has the copies the rule asks for."
    for one in result.cached:
        yield f"{one.message}. {one.next_step}."


_CACHED_READ_TEXT = "may have come from memory: they were written or read before since the drive was plugged in"


def format_rescan(result: RescanResult) -> Iterator[str]:
    for one in result.places:
        end = "all that was asked for" if one.is_finished else "not finished; the next rescan goes on from there"
        if one.is_disconnected:
            end = "the drive stopped answering"
        if one.error_message:
            end = f"not finished: {one.error_message}"
        source = "" if one.is_offsite else " from the medium"
        yield (
            f"{_format_place_name(one)}: {pluralize(one.checked, 'copy', 'copies')} "
            f"looked at, {one.read_back:,} read back"
            f"{source}, {format_size(one.read_bytes)}; {end}."
        )
        if one.read_from_cache:
            yield (
                f"  {one.read_from_cache:,} more {'is' if one.read_from_cache == 1 else 'are'} "
                f"equal, but {_CACHED_READ_TEXT}."
            )
        if one.cached is not None:
            yield f"  {one.cached.message}. {one.cached.next_step}."
        for kind, path in one.new_findings[:20]:
            yield f"  {kind}: {escape_text(path)}"
        if len(one.new_findings) > 20:
            yield f"  and {len(one.new_findings) - 20:,} more"
    if any(one.new_findings for one in result.places):
        yield "Next: `tripleguard repair --dry-run` says what can be put right."
    elif all(one.is_finished for one in result.places):
        yield "Nothing new was found."
    if result.open_finding_count > sum(len(one.new_findings) for one in result.places):
        copies = pluralize(result.open_finding_count, "copy is", "copies are")
        where = "there" if any(one.is_offsite for one in result.places) else "on these drives"
        yield f"In all, {copies} missing or bad {where}: `tripleguard findings` shows what is open."


def format_rescan_cost(cost: ReadBackCost | None) -> Iterator[str]:
    """Yield how much was read back from offsite, and its cost if a price is set."""
    if cost is not None and cost.read_bytes:
        price = f", {cost.price:.2f} at your price" if cost.price else ""
        yield f"Read back offsite: {format_size(cost.read_bytes)} of {format_size(cost.stored_bytes)}{price}."


def _format_place_name(place: PlaceRescanResult) -> str:
    return f"Offsite place {place.place}" if place.is_offsite else f"Drive {place.place}"


def format_repair(result: RepairResult) -> Iterator[str]:
    word = "Would repair" if result.dry_run else "Repaired"
    for one in result.repaired:
        yield f"{word}: {_format_repair_place(one)}: {escape_text(one.path)} ({one.kind}): {one.detail}"
    for one in result.not_repaired:
        yield f"Not repaired: {_format_repair_place(one)}: {escape_text(one.path)} ({one.kind}): {one.detail}"
    yield from (f"Trouble: {line}" for line in map(str, result.errors))
    if not result.repaired and not result.not_repaired:
        yield "There is nothing to repair on the drives that are connected."
        return
    bad = [one for one in result.repaired if one.kind in _QUARANTINED_KINDS and not result.dry_run]
    if any(not one.is_offsite for one in bad):
        yield "Bad copies were moved to .tripleguard/quarantine on their drives; nothing was deleted."
    if any(one.is_offsite for one in bad):
        yield "Bad copies offsite stay under their keys, beside the good ones; nothing was deleted."


def _format_repair_place(one: RepairOutcome) -> str:
    return one.place if one.is_offsite else f"drive {one.place}"


def format_offsite_caution(address: str, drives_on_same_device: Sequence[str] = ()) -> Iterator[str]:
    """Yield what to consider before pictures of people are stored offsite.

    drives_on_same_device: local drives on the device that holds the offsite place.
    """
    for name in drives_on_same_device:
        yield f"Caution: this folder is on one physical device with drive {name}: it is no third place."
    yield (
        "Caution: what you choose leaves your hands. Contracts, consent and the law on pictures of people decide "
        "whether it may; nothing offsite is ever deleted from here. See docs/offsite.md."
    )
    if "http://" in address:
        yield "Caution: http:// sends pictures in the clear. Use it on a network of your own only."


def format_drill(result: DrillResult) -> Iterator[str]:
    for one in result.places:
        yield from _format_drill_place(one, f"Drive {one.place}")
    yield f"Seed {result.seed}: `drill --seed {result.seed}` repeats this sample."


def format_offsite_drill(drill: OffsiteDrillResult) -> Iterator[str]:
    """Yield the results of the offsite sample, and the cost of fetching it."""
    yield from _format_drill_place(drill.place, f"Offsite place {drill.place.place}")
    if drill.not_decrypted:
        yield f"  {drill.not_decrypted:,} of these are sealed, compared as they lie: `--key FILE` opens them."
    yield from format_rescan_cost(drill.cost)


def _format_drill_place(place: PlaceDrillResult, label: str) -> Iterator[str]:
    if not place.copies and not place.known_bad_copies:
        yield f"{label}: no copies yet."
        return
    done = f"{place.sampled:,} of {place.copies:,} copies restored and compared"
    yield f"{label}: {done}, {len(place.failed):,} failed."
    for path, why in place.failed:
        yield f"  {escape_text(path)}: {why}"
    if place.sampled < place.copies:
        yield (
            f"  With 95 % confidence, at most {place.failure_share_bound:.1%} of "
            f"these {place.copies:,} can't be restored "
            f"(a random sample of {place.sampled:,}; more files make it sharper)."
        )
    if place.known_bad_copies:
        bad = pluralize(place.known_bad_copies, "more copy", "more copies")
        yield f"  Left out: {bad}, known to be missing or bad; `tripleguard findings` names them."


def format_findings(report: Report, zone: tzinfo | None) -> Iterator[str]:
    """Yield the open findings, each with the number by which it can be accepted."""
    for one in report.findings:
        number = f"{one.number}: " if one.number is not None else ""
        since = f" (since {format_time(one.since, zone)})" if one.since else ""
        yield f"{number}{_URGENCY_WORDS[one.severity]}: {one.message}{since}."
        yield f"  Next: {one.next_step}."
    if not report.findings:
        yield "Nothing is open."


def format_drives(
    statuses: list[PlaceStatus], shared: list[SharedDisk], now: int, *, is_same_disk_allowed: bool = False
) -> Iterator[str]:
    """Yield one line per drive. is_same_disk_allowed: the settings count copies on one disk as two."""
    for status in statuses:
        room = ""
        if status.space is not None and status.space.total:
            room = f", {format_size(status.space.free)} free of {format_size(status.space.total)}"
        where = (
            f" at {escape_text(str(status.path))}"
            if status.path
            else f", last seen {format_age(status.record.last_seen_at, now)}"
        )
        if status.state == "offsite":
            yield f"Offsite: {escape_text(status.record.last_path or '')}{where}"
        else:
            note = f" ({escape_text(status.record.note)})" if status.record.note else ""
            yield f"Drive {status.record.name}: {status.state}{note}{where}{room}"
        oldest = (
            f"; the longest ago verified was {format_age(status.oldest_verified_at, now)}"
            if status.oldest_verified_at
            else ""
        )
        yield f"  {pluralize(status.files, 'copy', 'copies')}, {format_size(status.total_bytes)}{oldest}"
    for pair in shared:
        both = f"drives {pair.first} and {pair.second}"
        if is_same_disk_allowed:
            if pair.is_certain:
                yield f"Caution: {both} are on one physical device, which the settings allow: if it dies, both do."
        elif pair.is_certain:
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


def format_report(report: Report, zone: tzinfo | None, now: int) -> Iterator[str]:
    """Yield the answer first, then what needs a person, then the drives."""
    if report.files == 0:
        yield "Nothing has been offloaded yet."
    elif report.is_clear:
        yield f"All is as the rule asks: {pluralize(report.files, 'file')}, {format_size(report.total_bytes)}."
    else:
        yield (
            f"Something wants attention. {pluralize(report.files, 'file')}, "
            f"{format_size(report.total_bytes)} in all."
        )
    if report.missing_frames.open:
        yield ""
        yield from frames.format_warning(report.missing_frames.open)
    for finding in report.findings[:20]:
        yield ""
        yield f"{_URGENCY_WORDS[finding.severity]}: {finding.message}."
        yield f"  Next: {finding.next_step}."
    if len(report.findings) > 20:
        yield f"  and {len(report.findings) - 20:,} more; all are in the --json output"
    yield from map(integrity.format_maker_habit, report.habits)
    for owed in report.missing_copies[:10]:
        yield (
            f"Owed: {escape_text(owed.shoot.title)}: {owed.under_replicated:,} "
            f"of {pluralize(owed.files, 'file')}, {format_size(owed.bytes)}"
        )
    yield ""
    yield from format_drives(list(report.places), [], now)
    for one in report.quarantine:
        yield (
            f"Quarantine on drive {escape_text(one.record.name)}: "
            f"{pluralize(one.recorded.copies, 'bad copy', 'bad copies')}, "
            f"{format_size(one.recorded.total_bytes)}, the oldest since "
            f"{format_time(one.recorded.oldest_since, zone)}. They are kept "
            "until you say otherwise. Next: `tripleguard quarantine` shows them."
        )
    if report.offsite_surplus[0]:
        yield (
            f"Surplus offsite: {pluralize(report.offsite_surplus[0], 'file')} "
            f"of no select, {format_size(report.offsite_surplus[1])}."
        )
    if report.last_clearance is not None:
        at, subject, answer = report.last_clearance
        word = "yes" if answer else "no"
        yield f"Last card question: {word}, {escape_text(subject)}, {format_time(at, zone)}"


def format_log(events: list[CatalogEvent], zone: tzinfo | None) -> Iterator[str]:
    """Yield one line per event."""
    for event in events:
        place = f" on {event.place}" if event.place else ""
        outcome = "" if event.outcome == "success" else f" [{event.outcome}]"
        yield f"{format_time(event.at, zone)}  {event.type}{place}{outcome}: {escape_text(event.message)}"


def format_errors(errors: Iterable[TripleguardError]) -> Iterator[str]:
    """Yield one line for each error that made a drive unavailable."""
    yield from (f"Trouble: {error}" for error in errors)


def format_error(error: TripleguardError) -> Iterator[str]:
    """Yield what happened, what is safe, what to do."""
    yield f"What happened: {error.what}"
    if error.safe:
        yield f"What is safe: {error.safe}"
    if error.do:
        yield f"What to do: {error.do}"


def format_reason(word: str, reason: ClearanceReason) -> Iterator[str]:
    message = reason.message[:1].upper() + reason.message[1:]
    yield f"  {word}: {message}{'' if message.endswith('?') else '.'}"
    for path in reason.paths[:3]:
        yield f"       {escape_text(path)}"
    if reason.count > 3 and reason.paths:
        yield f"       and {reason.count - min(3, len(reason.paths)):,} more"


def format_evidence(copy: Copy, now: int) -> str:
    """Return what is known of a copy, in a few words."""
    if copy.state is not CopyState.PRESENT:
        return str(copy.state)
    if copy.evidence.verified_at is None:
        return "written, not read back yet"
    memory = "" if copy.evidence.medium and copy.evidence.medium.is_from_device else ", maybe from memory"
    return f"verified {format_age(copy.evidence.verified_at, now)}{memory}"
