"""What `--json` prints: one object per command, `schema` 1. Names do not change once they are out."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import Any

from tripleguard.answers import Clearance, Reason
from tripleguard.catalog.journal import Event
from tripleguard.catalog.rows import KnownFile
from tripleguard.clock import SECOND, iso_utc
from tripleguard.errors import TripleguardError
from tripleguard.model import Copy, Finding
from tripleguard.names import shown
from tripleguard.places.disks import Sharing
from tripleguard.reports import numbers, whole
from tripleguard.work.answers.reporting import PlaceStatus, Report
from tripleguard.work.cards.offload import OffloadResult
from tripleguard.work.cards.topup import TopupResult
from tripleguard.work.decoding.decode import DecodeResult
from tripleguard.work.mending.mend import MendResult
from tripleguard.work.offsite.drill_offsite import OffsiteDrilled
from tripleguard.work.offsite.rescan_offsite import Cost
from tripleguard.work.rescanning.drill import DrillResult, PlaceDrilled
from tripleguard.work.rescanning.rescan import PlaceScanned, RescanResult

SCHEMA = 1
Object = dict[str, Any]


def offload(result: OffloadResult) -> Object:
    return {
        "schema": SCHEMA,
        "shoot": result.shoots[0].title if result.shoots else None,
        "shoots": [shoot.title for shoot in result.shoots],
        "files": result.files,
        "bytes": result.total_bytes,
        "copied": result.copied,
        "already_there": result.already_there,
        "resumed": result.resumed,
        "litter": result.litter,
        "verified": result.verified,
        "read_back": {
            name: {"now": held.now, "before": held.files - held.now, "oldest_before": _time(held.oldest)}
            for name, held in result.on_drives.items()
        },
        "not_copied": [{"path": text(one.path), "reason": one.reason} for one in result.not_copied],
        "changed": [{"path": text(one.path), "reason": one.reason} for one in result.changed],
        "whole": whole.as_object(result.whole, text),
        "second_reading": whole.second_object(result.second, text),
        "troubles": [trouble(error) for error in result.troubles],
        "seconds": result.seconds,
        "clearance": clearance(result.clearance),
        "numbers": numbers.as_object(result.numbers),
    }


def topup(result: TopupResult) -> Object:
    return {
        "schema": SCHEMA,
        "made": result.made,
        "verified": result.proved,
        "bytes": result.total_bytes,
        "still_owed": result.still_short,
        "no_source": result.no_source,
        "maybe_from_memory": {one.record.name: one.copies for one in result.unproved},
        "troubles": [trouble(error) for error in result.troubles],
        "seconds": result.seconds,
    }


def rescan(result: RescanResult, troubles: Sequence[TripleguardError] = (), cost: Cost | None = None) -> Object:
    places = [_scanned(one) for one in result.places]
    return {
        "schema": SCHEMA,
        "place": places[0]["place"] if len(places) == 1 else None,
        "checked": sum(one.checked for one in result.places),
        "read_back": sum(one.read_back for one in result.places),
        "from_memory": sum(one.from_memory for one in result.places),
        "bytes": sum(one.read_bytes for one in result.places),
        "unchanged": sum(one.unchanged for one in result.places),
        "findings": [finding for place in places for finding in place["findings"]],
        "finished": all(one.finished for one in result.places),
        "places": places,
        "still_open": result.still_open,
        "troubles": [trouble(error) for error in troubles],
        "cost": None if cost is None else _cost(cost),
        "seconds": result.seconds,
    }


def mend(result: MendResult) -> Object:
    return {
        "schema": SCHEMA,
        "dry_run": result.dry_run,
        "mended": [
            {"kind": str(one.kind), "place": one.place, "path": text(one.path), "how": one.how}
            for one in result.mended
        ],
        "not_mended": [
            {"kind": str(one.kind), "place": one.place, "path": text(one.path), "reason": one.how}
            for one in result.not_mended
        ],
        "troubles": [trouble(error) for error in result.troubles],
        "seconds": result.seconds,
    }


def decode(result: DecodeResult, troubles: Sequence[TripleguardError] = ()) -> Object:
    told = whole.decoded_object(result, text)
    return {"schema": SCHEMA, **told, "troubles": [trouble(error) for error in troubles]}


def drill(
    result: DrillResult, troubles: Sequence[TripleguardError] = (), there: OffsiteDrilled | None = None
) -> Object:
    found: Object = {
        "schema": SCHEMA,
        "seed": result.seed,
        "places": [_drilled(one) for one in (*result.places, *([there.place] if there else []))],
        "troubles": [trouble(error) for error in troubles],
        "seconds": result.seconds,
    }
    if there is not None:
        found |= {"cost": _cost(there.cost), "compared_sealed": there.as_they_lie}
    return found


def _cost(cost: Cost) -> Object:
    return {"bytes": cost.read_bytes, "of_bytes": cost.of_bytes, "price": cost.price}


def _drilled(one: PlaceDrilled) -> Object:
    return {
        "place": one.place,
        "copies": one.copies,
        "known_bad": one.known_bad,
        "sampled": one.sampled,
        "failed": [{"path": text(path), "reason": why} for path, why in one.failed],
        "bad_share_at_most": round(one.bound, 6),
        "confidence": 0.95,
    }


def findings(found: Report) -> Object:
    return {"schema": SCHEMA, "findings": [_finding(one) for one in found.findings]}


def _scanned(one: PlaceScanned) -> Object:
    return {
        "place": one.place,
        "checked": one.checked,
        "read_back": one.read_back,
        "from_memory": one.from_memory,
        "bytes": one.read_bytes,
        "unchanged": one.unchanged,
        "findings": [{"kind": str(kind), "place": one.place, "path": text(path)} for kind, path in one.found],
        "finished": one.finished,
        "away": one.gone,
        "trouble": one.trouble or None,
    }


def clearance(answer: Clearance) -> Object:
    return {
        "schema": SCHEMA,
        "answer": "yes" if answer.answer else "no",
        "subject": text(answer.subject),
        "at": iso_utc(answer.at),
        "answered_at": iso_utc(answer.answered_at),
        "files": answer.files,
        "bytes": answer.total_bytes,
        "covered": answer.covered,
        "list_digest": answer.list_digest.hex(),
        "reasons": [_reason(reason) for reason in answer.reasons],
        "notes": [_reason(note) for note in answer.notes],
        "numbers": {"open": numbers.open_objects(answer.numbers)},
    }


def report(found: Report) -> Object:
    last = found.last_clearance
    return {
        "schema": SCHEMA,
        "answer": "clear" if found.clear else "attention",
        "files": found.files,
        "bytes": found.total_bytes,
        "findings": [_finding(one) for one in found.findings],
        "owed": [
            {"shoot": one.shoot.title, "files": one.files, "short": one.short, "bytes": one.bytes}
            for one in found.owed
        ],
        "places": [place(status) for status in found.places],
        "counts": found.counts,
        "aside": [
            {
                "place": one.record.name,
                "copies": one.recorded.copies,
                "bytes": one.recorded.total_bytes,
                "oldest": _time(one.recorded.oldest),
                "large": one.large,
                "old": one.old,
            }
            for one in found.aside
        ],
        "habits": [whole.habit_object(one) for one in found.habits],
        "numbers": numbers.as_object(found.numbers),
        "surplus": {"files": found.surplus[0], "bytes": found.surplus[1]},
        "last_clearance": None
        if last is None
        else {"at": iso_utc(last[0]), "subject": text(last[1]), "answer": "yes" if last[2] else "no"},
    }


def drives(statuses: list[PlaceStatus], shared: list[Sharing]) -> Object:
    return {
        "schema": SCHEMA,
        "places": [place(status) for status in statuses],
        "on_one_device": [[pair.one, pair.other] for pair in shared if pair.sure],
        "maybe_on_one_device": [[pair.one, pair.other] for pair in shared if not pair.sure],
    }


def place(status: PlaceStatus) -> Object:
    return {
        "name": status.record.name,
        "id": status.record.uid,
        "kind": str(status.record.kind),
        "role": str(status.record.role),
        "state": status.state,
        "path": text(str(status.path)) if status.path else _address(status),
        "free": None if status.room is None else status.room.free,
        "total": None if status.room is None else status.room.total,
        "files": status.files,
        "bytes": status.total_bytes,
        "note": status.record.note or None,
        "last_seen": _time(status.record.last_seen_at),
        "verified_oldest": _time(status.oldest),
    }


def _address(status: PlaceStatus) -> str | None:
    return status.record.last_path if status.state == "offsite" else None


def log(events: list[Event]) -> Object:
    return {
        "schema": SCHEMA,
        "events": [
            {
                "at": iso_utc(event.at),
                "type": str(event.type),
                "outcome": str(event.outcome),
                "place": event.place,
                "shoot": event.shoot,
                "message": event.message,
            }
            for event in events
        ],
    }


def trouble(error: TripleguardError) -> Object:
    return {"what": error.what, "safe": error.safe, "do": error.do}


def text(name: str) -> str:
    """A name as JSON can hold it: as it is where it is UTF-8, else with the broken bytes escaped."""
    try:
        os.fsencode(name).decode("utf-8")
    except UnicodeDecodeError:
        return shown(name)
    return name


def captured_at(known: KnownFile) -> str | None:
    """The camera's wall time, with its offset where the camera wrote one."""
    if known.wall_ns is None:
        return None
    # The catalog counts wall time as if it were UTC, so the zone letter comes off again.
    wall = iso_utc(known.wall_ns)[:-1]
    fraction = known.wall_ns % SECOND
    if fraction:
        wall += f".{fraction:09d}".rstrip("0")
    if known.offset is None:
        return wall
    sign = "-" if known.offset < 0 else "+"
    return f"{wall}{sign}{abs(known.offset) // 60:02d}:{abs(known.offset) % 60:02d}"


def _reason(reason: Reason) -> Object:
    return {
        "kind": reason.kind,
        "count": reason.count,
        "message": reason.message,
        "examples": [text(path) for path in reason.examples],
    }


def _finding(one: Finding) -> Object:
    return {
        "kind": str(one.kind),
        "severity": str(one.severity),
        "place": one.place,
        "path": None if one.path is None else text(one.path),
        "digest": None if one.digest is None else one.digest.hex(),
        "shoot": one.shoot,
        "since": _time(one.since),
        "message": one.message,
        "next_step": one.next_step,
        "count": one.count,
        "number": one.number,
    }


def copy_object(copy: Copy, place_name: str) -> Object:
    """One copy with its evidence."""
    state = str(copy.state)
    return {
        "place": place_name,
        "path": text(copy.path),
        "state": state,
        "written_at": _time(copy.evidence.written_at),
        "verified_at": _time(copy.evidence.verified_at),
        "medium": None if copy.evidence.medium is None else str(copy.evidence.medium),
    }


def _time(ns: int | None) -> str | None:
    return None if ns is None else iso_utc(ns)
