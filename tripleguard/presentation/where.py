"""Render the result of `where`, as lines and as an object."""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.jobs.queries.search import CopyLocation, FetchStop, FileMatch, SearchResult
from tripleguard.model import PlaceKind, PlaceRecord, PlaceState
from tripleguard.names import escape_text
from tripleguard.presentation.json_output import (
    SCHEMA,
    JsonObject,
    build_copy_object,
    format_capture_time,
    to_json_text,
)
from tripleguard.presentation.text import format_evidence
from tripleguard.presentation.words import format_size
from tripleguard.wording import pluralize

_MAX_STOPS = 8


def format_search_result(result: SearchResult, now: int) -> Iterator[str]:
    """Yield every file with its copies, the one to fetch first on top; then which drives to connect."""
    for one in result.files:
        yield _format_file(one)
        for copy in one.copies:
            number = f"{copy.fetch_order}." if copy.fetch_order is not None else "no:"
            yield (
                f"  {number} {_format_place(copy.place, copy)}: "
                f"{escape_text(copy.copy.path)}  ({format_evidence(copy.copy, now)})"
            )
        if not one.copies:
            yield "  no copy"
    if len(result.files) > 1 and result.stops:
        yield "Fetch from: " + "; ".join(map(_format_stop, result.stops[:_MAX_STOPS])) + _format_rest(result) + "."
    if result.unavailable_files:
        yield f"Of {pluralize(result.unavailable_files, 'file')} no good copy is left."
    if result.has_more:
        yield "More files match; give more words, or a day, a shoot, a body."


def build_search_object(result: SearchResult) -> JsonObject:
    return {
        "schema": SCHEMA,
        "files": [_build_file_object(one) for one in result.files],
        "fetch_from": [
            {
                "place": stop.place.name,
                "note": stop.place.note or None,
                "connected": stop.path is not None,
                "files": stop.files,
            }
            for stop in result.stops
        ],
        "without_good_copy": result.unavailable_files,
        "more": result.has_more,
    }


def _format_file(file: FileMatch) -> str:
    parts = [
        escape_text(file.known_file.name),
        format_size(file.known_file.file.size),
        escape_text(file.shoot.title),
    ]
    taken = format_capture_time(file.known_file)
    if taken:
        parts.append(f"taken {taken}")
    if file.body:
        parts.append(escape_text(file.body))
    if file.rating is not None:
        parts.append(f"rated {file.rating:g}")
    return "  ".join(parts)


def _format_place(place: PlaceRecord, copy: CopyLocation) -> str:
    if place.kind is PlaceKind.OFFSITE:
        return "offsite"
    out = [str(place.state)] if place.state in (PlaceState.LOST, PlaceState.RETIRED, PlaceState.RETIRING) else []
    if copy.path is not None:
        return ", ".join([f"drive {place.name}", *out, "connected"])
    state = "away" if place.state is PlaceState.ACTIVE else str(place.state)
    return f"drive {place.name}, {state}{_format_note(place)}"


def _format_stop(stop: FetchStop) -> str:
    if stop.place.kind is PlaceKind.OFFSITE:
        where = "offsite"
    else:
        where = f"drive {stop.place.name}{', connected' if stop.path else _format_note(stop.place)}"
    return f"{where}: {pluralize(stop.files, 'file')}"


def _format_note(place: PlaceRecord) -> str:
    return f" ({escape_text(place.note)})" if place.note else ""


def _format_rest(result: SearchResult) -> str:
    left = len(result.stops) - _MAX_STOPS
    return f"; and {pluralize(left, 'more drive')}" if left > 0 else ""


def _build_file_object(file: FileMatch) -> JsonObject:
    return {
        "digest": file.known_file.file.digest.hex(),
        "size": file.known_file.file.size,
        "name": to_json_text(file.known_file.name),
        "kind": str(file.known_file.kind),
        "shoot": file.shoot.title,
        "captured_at": format_capture_time(file.known_file),
        "body": file.body,
        "rating": file.rating,
        "copies": [
            {
                **build_copy_object(copy.copy, copy.place.name),
                "note": copy.place.note or None,
                "place_state": str(copy.place.state),
                "connected": copy.path is not None,
                "fetch": copy.fetch_order,
            }
            for copy in file.copies
        ],
    }
