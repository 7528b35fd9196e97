"""Render quarantined copies and what became of them, as lines and as the objects that `--json` prints."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import tzinfo

from tripleguard.clock import format_iso
from tripleguard.jobs.repair.purge import KeptFile, PurgePlan, PurgeResult
from tripleguard.jobs.repair.quarantine import DriveQuarantine, QuarantinedFile, QuarantineListing
from tripleguard.names import escape_text
from tripleguard.presentation.json_output import SCHEMA, JsonObject, build_error_object, to_json_text
from tripleguard.presentation.words import format_size, format_time
from tripleguard.wording import pluralize

_MAX_SHOWN = 10
_NO_AUTOMATIC_REMOVAL = "Nothing here goes by itself."


def format_quarantine(listings: Sequence[QuarantineListing], zone: tzinfo | None) -> Iterator[str]:
    """Yield each drive's quarantined copies, with size, age and reason, and which ones a purge would keep."""
    full = False
    for one in listings:
        name = escape_text(one.record.name)
        if one.contents is None:
            yield f"Drive {name}: {_format_disconnected(one, zone)}"
            continue
        if not one.contents.files:
            yield f"Drive {name}: nothing is in quarantine."
            continue
        full = True
        yield f"Drive {name}: {_format_total(one.contents, zone)}"
        things = sorted(one.contents.files, key=lambda thing: -(thing.since or 0))
        for thing in things[:_MAX_SHOWN]:
            why = f": {thing.stored_file.reason}" if thing.stored_file.reason else ""
            since = format_time(thing.since, zone) if thing.since is not None else "at an unknown time"
            yield f"  {since}  {_get_display_name(thing)}, {format_size(thing.stored_file.size)}{why}"
        if len(things) > _MAX_SHOWN:
            yield f"  and {len(things) - _MAX_SHOWN:,} more; all are in the --json output"
        yield from _format_kept_counts(one)
    if full:
        yield (
            f"{_NO_AUTOMATIC_REMOVAL} Next: `tripleguard quarantine empty --drive NAME "
            f"--older-than 90d --dry-run` says "
            "what would go."
        )


def build_quarantine_object(listings: Sequence[QuarantineListing]) -> JsonObject:
    return {"schema": SCHEMA, "places": [_build_place_object(one) for one in listings]}


def format_purge_plan(plans: Sequence[PurgePlan]) -> Iterator[str]:
    """Yield for each drive what a purge would remove and what it would keep."""
    for plan in plans:
        name = escape_text(plan.record.name)
        if not plan.to_remove:
            yield f"Drive {name}: nothing would go."
        else:
            yield (
                f"Drive {name}: {pluralize(len(plan.to_remove), 'bad copy', 'bad copies')} would go, "
                f"{format_size(plan.bytes_to_remove)}. Each one's file has its "
                f"verified copies on the drives that are here."
            )
            for thing in plan.to_remove[:_MAX_SHOWN]:
                yield (
                    f"  {_get_display_name(thing)}, {format_size(thing.stored_file.size)}: "
                    f"{thing.stored_file.reason or 'no note'}"
                )
            if len(plan.to_remove) > _MAX_SHOWN:
                yield f"  and {len(plan.to_remove) - _MAX_SHOWN:,} more; all are in the --json output"
        yield from _format_kept(plan.kept, "would stay")
        if plan.unmatched_count:
            yield f"  {pluralize(plan.unmatched_count, 'other')} too new or within the size to keep."


def build_purge_plan_object(plans: Sequence[PurgePlan]) -> JsonObject:
    return {
        "schema": SCHEMA,
        "dry_run": True,
        "removed": [_build_file_object(plan.record.name, thing) for plan in plans for thing in plan.to_remove],
        "kept": [_build_kept_object(one) for plan in plans for one in plan.kept],
        "not_chosen": sum(plan.unmatched_count for plan in plans),
        "bytes": sum(plan.bytes_to_remove for plan in plans),
        "forgotten": 0,
        "finished": True,
        "troubles": [],
        "seconds": 0.0,
    }


def format_purge_result(result: PurgeResult, plans: Sequence[PurgePlan]) -> Iterator[str]:
    """Yield what was removed, what was kept, and why."""
    planned = {plan.record.id: plan for plan in plans}
    for place in result.places:
        name, plan = escape_text(place.record.name), planned[place.record.id]
        if place.removed:
            removed = pluralize(len(place.removed), "bad copy was removed", "bad copies were removed")
            yield f"Drive {name}: {removed}, {format_size(place.removed_bytes)}."
        else:
            yield f"Drive {name}: nothing was removed."
        yield from _format_kept([*plan.kept, *place.kept], "stay" if _is_plural(plan, place.kept) else "stays")
        if place.forgotten_count:
            gone = pluralize(place.forgotten_count, "bad copy", "bad copies")
            yield f"  {gone} did not lie there any more; the catalog knows it now."
    yield from (f"Trouble: {error}" for error in result.errors)
    if result.was_stopped:
        yield "Stopped: what is left lies where it was. Run the command again to go on."
    if any(place.removed for place in result.places):
        yield "Whose word it was and why is in `tripleguard log`."


def build_purge_result_object(result: PurgeResult, plans: Sequence[PurgePlan]) -> JsonObject:
    spared = [
        *(one for plan in plans for one in plan.kept),
        *(one for place in result.places for one in place.kept),
    ]
    return {
        "schema": SCHEMA,
        "dry_run": False,
        "removed": [
            _build_file_object(place.record.name, thing) for place in result.places for thing in place.removed
        ],
        "kept": [_build_kept_object(one) for one in spared],
        "not_chosen": sum(plan.unmatched_count for plan in plans),
        "bytes": sum(place.removed_bytes for place in result.places),
        "forgotten": sum(place.forgotten_count for place in result.places),
        "finished": not result.was_stopped and not result.errors,
        "troubles": [build_error_object(error) for error in result.errors],
        "seconds": result.seconds,
    }


def _format_disconnected(listing: QuarantineListing, zone: tzinfo | None) -> str:
    if listing.error is not None:
        return str(listing.error)
    if not listing.recorded_totals.copies:
        return "not connected; the catalog has nothing in quarantine there."
    lie = pluralize(listing.recorded_totals.copies, "bad copy is", "bad copies are")
    since = format_time(listing.recorded_totals.oldest_since, zone)
    return (
        f"not connected; by the catalog {lie} in quarantine there, "
        f"{format_size(listing.recorded_totals.total_bytes)}, since {since}."
    )


def _format_total(quarantine: DriveQuarantine, zone: tzinfo | None) -> str:
    since = min((thing.since for thing in quarantine.files if thing.since is not None), default=None)
    things = pluralize(len(quarantine.files), "copy is", "copies are")
    begun = "" if since is None else f", the oldest since {format_time(since, zone)}"
    return f"{things} in quarantine, {format_size(quarantine.total_bytes)}{begun}."


def _format_kept_counts(listing: QuarantineListing) -> Iterator[str]:
    """Yield why copies would be kept, counted by reason."""
    for why, number in Counter(listing.keep_reasons.values()).most_common():
        yield f"  {number:,} would stay: {why}."


def _format_kept(kept: Sequence[KeptFile], verb: str) -> Iterator[str]:
    by_why: dict[str, list[KeptFile]] = {}
    for one in kept:
        by_why.setdefault(one.reason, []).append(one)
    for why, some in by_why.items():
        yield f"  {len(some):,} {verb}, {format_size(sum(one.size for one in some))}: {why}."
        for one in some[:3]:
            yield f"    {escape_text(one.path)}"
        if len(some) > 3:
            yield f"    and {len(some) - 3:,} more"


def _is_plural(plan: PurgePlan, kept: Sequence[KeptFile]) -> bool:
    return len(plan.kept) + len(kept) > 1


def _get_display_name(file: QuarantinedFile) -> str:
    return escape_text(file.stored_file.name)


def _build_place_object(listing: QuarantineListing) -> JsonObject:
    shelf = listing.contents
    since = (
        [thing.since for thing in shelf.files if thing.since is not None]
        if shelf
        else [listing.recorded_totals.oldest_since]
    )
    return {
        "place": listing.record.name,
        "state": "away" if shelf is None and listing.error is None else "connected",
        "files": len(shelf.files) if shelf else listing.recorded_totals.copies,
        "bytes": shelf.total_bytes if shelf else listing.recorded_totals.total_bytes,
        "oldest": _format_iso_time(min((at for at in since if at is not None), default=None)),
        "things": [
            {
                **_build_file_object(listing.record.name, thing),
                "kept_because": listing.keep_reasons.get(thing.stored_file.path),
            }
            for thing in (shelf.files if shelf else ())
        ],
        "not_there": len(shelf.missing) if shelf else 0,
        "trouble": None if listing.error is None else build_error_object(listing.error),
    }


def _build_file_object(place: str, file: QuarantinedFile) -> JsonObject:
    return {
        "place": place,
        "path": to_json_text(file.stored_file.path),
        "bytes": file.stored_file.size,
        "since": _format_iso_time(file.since),
        "why": file.stored_file.reason or None,
        "digest": file.file.file.digest.hex() if file.file else None,
    }


def _build_kept_object(kept: KeptFile) -> JsonObject:
    return {"place": kept.place, "path": to_json_text(kept.path), "bytes": kept.size, "reason": kept.reason}


def _format_iso_time(ns: int | None) -> str | None:
    return None if ns is None else format_iso(ns)
