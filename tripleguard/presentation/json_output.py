"""Build the objects that `--json` prints: one per command, `schema` 1. Published names do not change."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Any

from tripleguard.catalog.event_log import CatalogEvent
from tripleguard.catalog.rows import KnownFile
from tripleguard.clearance_answer import Clearance, ClearanceReason
from tripleguard.clock import SECOND, format_iso
from tripleguard.errors import TripleguardError
from tripleguard.jobs.cards.offload import OffloadResult
from tripleguard.jobs.cards.topup import TopupResult
from tripleguard.jobs.inspect.inspect_pictures import InspectResult
from tripleguard.jobs.offsite.drill_offsite import OffsiteDrillResult
from tripleguard.jobs.offsite.rescan_offsite import ReadBackCost
from tripleguard.jobs.queries.report_query import PlaceStatus, Report
from tripleguard.jobs.repair.repair import RepairResult
from tripleguard.jobs.rescan.drill import DrillResult, PlaceDrillResult
from tripleguard.jobs.rescan.rescan_result import PlaceRescanResult, RescanResult
from tripleguard.model import Copy, Finding
from tripleguard.names import escape_text
from tripleguard.places.disks import SharedDisk
from tripleguard.presentation import frames, integrity

SCHEMA = 1
JsonObject = dict[str, Any]


def build_offload_object(result: OffloadResult) -> JsonObject:
    return {
        "schema": SCHEMA,
        "shoot": result.shoots[0].title if result.shoots else None,
        "shoots": [shoot.title for shoot in result.shoots],
        "files": result.files,
        "bytes": result.total_bytes,
        "copied": result.copied,
        "already_there": result.already_present,
        "resumed": result.resumed,
        "litter": result.litter,
        "verified": result.verified,
        "read_back": {
            name: {
                "now": held.now,
                "before": held.files - held.now,
                "oldest_before": _format_iso_time(held.oldest),
            }
            for name, held in result.on_drives.items()
        },
        "not_copied": [{"path": to_json_text(one.path), "reason": one.reason} for one in result.not_copied],
        "changed": [{"path": to_json_text(one.path), "reason": one.reason} for one in result.changed],
        "whole": integrity.build_integrity_object(result.integrity, to_json_text),
        "second_reading": integrity.build_second_reading_object(result.second_reading, to_json_text),
        "troubles": [build_error_object(error) for error in result.errors],
        "seconds": result.seconds,
        "clearance": build_clearance_object(result.clearance),
        "numbers": frames.build_frames_object(result.missing_frames),
    }


def build_topup_object(result: TopupResult) -> JsonObject:
    return {
        "schema": SCHEMA,
        "made": result.created,
        "verified": result.verified,
        "bytes": result.total_bytes,
        "still_owed": result.still_under_replicated,
        "no_source": result.without_source,
        "maybe_from_memory": {one.record.name: one.copies for one in result.cached},
        "troubles": [build_error_object(error) for error in result.errors],
        "seconds": result.seconds,
    }


def build_rescan_object(
    result: RescanResult, errors: Sequence[TripleguardError] = (), cost: ReadBackCost | None = None
) -> JsonObject:
    places = [_build_scan_object(one) for one in result.places]
    return {
        "schema": SCHEMA,
        "place": places[0]["place"] if len(places) == 1 else None,
        "checked": sum(one.checked for one in result.places),
        "read_back": sum(one.read_back for one in result.places),
        "from_memory": sum(one.read_from_cache for one in result.places),
        "bytes": sum(one.read_bytes for one in result.places),
        "unchanged": sum(one.unchanged for one in result.places),
        "findings": [finding for place in places for finding in place["findings"]],
        "finished": all(one.is_finished for one in result.places),
        "places": places,
        "still_open": result.open_finding_count,
        "troubles": [build_error_object(error) for error in errors],
        "cost": None if cost is None else _build_cost_object(cost),
        "seconds": result.seconds,
    }


def build_repair_object(result: RepairResult) -> JsonObject:
    return {
        "schema": SCHEMA,
        "dry_run": result.dry_run,
        "repaired": [
            {"kind": str(one.kind), "place": one.place, "path": to_json_text(one.path), "how": one.detail}
            for one in result.repaired
        ],
        "not_repaired": [
            {"kind": str(one.kind), "place": one.place, "path": to_json_text(one.path), "reason": one.detail}
            for one in result.not_repaired
        ],
        "troubles": [build_error_object(error) for error in result.errors],
        "seconds": result.seconds,
    }


def build_inspect_object(result: InspectResult, errors: Sequence[TripleguardError] = ()) -> JsonObject:
    inspection = integrity.build_inspection_object(result, to_json_text)
    return {"schema": SCHEMA, **inspection, "troubles": [build_error_object(error) for error in errors]}


def build_drill_object(
    result: DrillResult, errors: Sequence[TripleguardError] = (), offsite: OffsiteDrillResult | None = None
) -> JsonObject:
    found: JsonObject = {
        "schema": SCHEMA,
        "seed": result.seed,
        "places": [
            _build_drill_place_object(one) for one in (*result.places, *([offsite.place] if offsite else []))
        ],
        "troubles": [build_error_object(error) for error in errors],
        "seconds": result.seconds,
    }
    if offsite is not None:
        found |= {"cost": _build_cost_object(offsite.cost), "compared_sealed": offsite.not_decrypted}
    return found


def _build_cost_object(cost: ReadBackCost) -> JsonObject:
    return {"bytes": cost.read_bytes, "of_bytes": cost.stored_bytes, "price": cost.price}


def _build_drill_place_object(place: PlaceDrillResult) -> JsonObject:
    return {
        "place": place.place,
        "copies": place.copies,
        "known_bad": place.known_bad_copies,
        "sampled": place.sampled,
        "failed": [{"path": to_json_text(path), "reason": why} for path, why in place.failed],
        "bad_share_at_most": round(place.failure_share_bound, 6),
        "confidence": 0.95,
    }


def build_findings_object(report: Report) -> JsonObject:
    return {"schema": SCHEMA, "findings": [_build_finding_object(one) for one in report.findings]}


def _build_scan_object(place: PlaceRescanResult) -> JsonObject:
    return {
        "place": place.place,
        "checked": place.checked,
        "read_back": place.read_back,
        "from_memory": place.read_from_cache,
        "bytes": place.read_bytes,
        "unchanged": place.unchanged,
        "findings": [
            {"kind": str(kind), "place": place.place, "path": to_json_text(path)}
            for kind, path in place.new_findings
        ],
        "finished": place.is_finished,
        "away": place.is_disconnected,
        "trouble": place.error_message or None,
    }


def build_clearance_object(answer: Clearance) -> JsonObject:
    return {
        "schema": SCHEMA,
        "answer": "yes" if answer.is_yes else "no",
        "subject": to_json_text(answer.subject),
        "at": format_iso(answer.at),
        "answered_at": format_iso(answer.answered_at),
        "files": answer.files,
        "bytes": answer.total_bytes,
        "covered": answer.covered_files,
        "list_digest": answer.list_digest.hex(),
        "reasons": [_build_reason_object(reason) for reason in answer.reasons],
        "notes": [_build_reason_object(note) for note in answer.notes],
        "numbers": {"open": frames.build_gap_objects(answer.missing_frames)},
    }


def build_report_object(report: Report) -> JsonObject:
    last = report.last_clearance
    return {
        "schema": SCHEMA,
        "answer": "clear" if report.is_clear else "attention",
        "files": report.files,
        "bytes": report.total_bytes,
        "findings": [_build_finding_object(one) for one in report.findings],
        "owed": [
            {"shoot": one.shoot.title, "files": one.files, "short": one.under_replicated, "bytes": one.bytes}
            for one in report.missing_copies
        ],
        "places": [build_place_object(status) for status in report.places],
        "counts": report.counts,
        "quarantine": [
            {
                "place": one.record.name,
                "copies": one.recorded.copies,
                "bytes": one.recorded.total_bytes,
                "oldest": _format_iso_time(one.recorded.oldest_since),
                "large": one.is_large,
                "old": one.is_old,
            }
            for one in report.quarantine
        ],
        "habits": [integrity.build_maker_habit_object(one) for one in report.habits],
        "numbers": frames.build_frames_object(report.missing_frames),
        "surplus": {"files": report.offsite_surplus[0], "bytes": report.offsite_surplus[1]},
        "last_clearance": None
        if last is None
        else {"at": format_iso(last[0]), "subject": to_json_text(last[1]), "answer": "yes" if last[2] else "no"},
    }


def build_drives_object(statuses: list[PlaceStatus], shared: list[SharedDisk]) -> JsonObject:
    return {
        "schema": SCHEMA,
        "places": [build_place_object(status) for status in statuses],
        "on_one_device": [[pair.first, pair.second] for pair in shared if pair.is_certain],
        "maybe_on_one_device": [[pair.first, pair.second] for pair in shared if not pair.is_certain],
    }


def build_place_object(status: PlaceStatus) -> JsonObject:
    return {
        "name": status.record.name,
        "id": status.record.uid,
        "kind": str(status.record.kind),
        "role": str(status.record.role),
        "state": status.state,
        "path": to_json_text(str(status.path)) if status.path else _get_offsite_address(status),
        "free": None if status.space is None else status.space.free,
        "total": None if status.space is None else status.space.total,
        "files": status.files,
        "bytes": status.total_bytes,
        "note": status.record.note or None,
        "last_seen": _format_iso_time(status.record.last_seen_at),
        "verified_oldest": _format_iso_time(status.oldest_verified_at),
    }


def _get_offsite_address(status: PlaceStatus) -> str | None:
    return status.record.last_path if status.state == "offsite" else None


def build_log_object(events: list[CatalogEvent]) -> JsonObject:
    return {
        "schema": SCHEMA,
        "events": [
            {
                "at": format_iso(event.at),
                "type": str(event.type),
                "outcome": str(event.outcome),
                "place": event.place,
                "shoot": event.shoot,
                "message": event.message,
            }
            for event in events
        ],
    }


def build_error_object(error: TripleguardError) -> JsonObject:
    return {"what": error.what, "safe": error.safe, "do": error.do}


def to_json_text(name: str) -> str:
    """Return a name as JSON can hold it: unchanged if it is valid UTF-8, else with the invalid bytes escaped."""
    try:
        os.fsencode(name).decode("utf-8")
    except UnicodeDecodeError:
        return escape_text(name)
    return name


def format_capture_time(file: KnownFile) -> str | None:
    """Return the camera's local time, with its UTC offset if the camera wrote one."""
    if file.wall_ns is None:
        return None
    # The catalog counts local time as if it were UTC, so remove the zone letter.
    wall = format_iso(file.wall_ns)[:-1]
    fraction = file.wall_ns % SECOND
    if fraction:
        wall += f".{fraction:09d}".rstrip("0")
    if file.offset is None:
        return wall
    sign = "-" if file.offset < 0 else "+"
    return f"{wall}{sign}{abs(file.offset) // 60:02d}:{abs(file.offset) % 60:02d}"


def _build_reason_object(reason: ClearanceReason) -> JsonObject:
    return {
        "kind": reason.kind,
        "count": reason.count,
        "message": reason.message,
        "paths": [to_json_text(path) for path in reason.paths],
    }


def _build_finding_object(finding: Finding) -> JsonObject:
    return {
        "kind": str(finding.kind),
        "severity": str(finding.severity),
        "place": finding.place,
        "path": None if finding.path is None else to_json_text(finding.path),
        "digest": None if finding.digest is None else finding.digest.hex(),
        "shoot": finding.shoot,
        "since": _format_iso_time(finding.since),
        "message": finding.message,
        "next_step": finding.next_step,
        "count": finding.count,
        "number": finding.number,
    }


def build_copy_object(copy: Copy, place_name: str) -> JsonObject:
    """Return one copy with its evidence, as an object."""
    state = str(copy.state)
    return {
        "place": place_name,
        "path": to_json_text(copy.path),
        "state": state,
        "written_at": _format_iso_time(copy.evidence.written_at),
        "verified_at": _format_iso_time(copy.evidence.verified_at),
        "medium": None if copy.evidence.medium is None else str(copy.evidence.medium),
    }


def _format_iso_time(ns: int | None) -> str | None:
    return None if ns is None else format_iso(ns)
