"""What `where` found, as lines and as an object."""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.model import PlaceKind, PlaceRecord, PlaceState
from tripleguard.names import shown
from tripleguard.reports.objects import SCHEMA, Object, captured_at, copy_object, text
from tripleguard.reports.text import evidence
from tripleguard.reports.words import count, size
from tripleguard.work.answers.finding import Found, FoundCopy, FoundFile, Stop

_SOME_STOPS = 8


def lines(found: Found, now: int) -> Iterator[str]:
    """Every file with its copies, the one to fetch first on top; then which drives to take along."""
    for one in found.files:
        yield _file(one)
        for copy in one.copies:
            number = f"{copy.fetch}." if copy.fetch is not None else "no:"
            yield f"  {number} {_place(copy.place, copy)}: {shown(copy.copy.path)}  ({evidence(copy.copy, now)})"
        if not one.copies:
            yield "  no copy"
    if len(found.files) > 1 and found.stops:
        yield "Fetch from: " + "; ".join(map(_stop, found.stops[:_SOME_STOPS])) + _rest(found) + "."
    if found.without:
        yield f"Of {count(found.without, 'file')} no good copy is left."
    if found.more:
        yield "More files match; give more words, or a day, a shoot, a body."


def as_object(found: Found) -> Object:
    return {
        "schema": SCHEMA,
        "files": [_file_object(one) for one in found.files],
        "fetch_from": [
            {
                "place": stop.place.name,
                "note": stop.place.note or None,
                "connected": stop.path is not None,
                "files": stop.files,
            }
            for stop in found.stops
        ],
        "without_good_copy": found.without,
        "more": found.more,
    }


def _file(one: FoundFile) -> str:
    parts = [shown(one.known.name), size(one.known.file.size), shown(one.shoot.title)]
    taken = captured_at(one.known)
    if taken:
        parts.append(f"taken {taken}")
    if one.body:
        parts.append(shown(one.body))
    if one.rating is not None:
        parts.append(f"rated {one.rating:g}")
    return "  ".join(parts)


def _place(place: PlaceRecord, copy: FoundCopy) -> str:
    if place.kind is PlaceKind.OFFSITE:
        return "offsite"
    out = [str(place.state)] if place.state in (PlaceState.LOST, PlaceState.RETIRED, PlaceState.LEAVING) else []
    if copy.path is not None:
        return ", ".join([f"drive {place.name}", *out, "connected"])
    state = "away" if place.state is PlaceState.ACTIVE else str(place.state)
    return f"drive {place.name}, {state}{_note(place)}"


def _stop(stop: Stop) -> str:
    if stop.place.kind is PlaceKind.OFFSITE:
        where = "offsite"
    else:
        where = f"drive {stop.place.name}{', connected' if stop.path else _note(stop.place)}"
    return f"{where}: {count(stop.files, 'file')}"


def _note(place: PlaceRecord) -> str:
    return f" ({shown(place.note)})" if place.note else ""


def _rest(found: Found) -> str:
    left = len(found.stops) - _SOME_STOPS
    return f"; and {count(left, 'more drive')}" if left > 0 else ""


def _file_object(one: FoundFile) -> Object:
    return {
        "digest": one.known.file.digest.hex(),
        "size": one.known.file.size,
        "name": text(one.known.name),
        "kind": str(one.known.kind),
        "shoot": one.shoot.title,
        "captured_at": captured_at(one.known),
        "body": one.body,
        "rating": one.rating,
        "copies": [
            {
                **copy_object(copy.copy, copy.place.name),
                "note": copy.place.note or None,
                "place_state": str(copy.place.state),
                "connected": copy.path is not None,
                "fetch": copy.fetch,
            }
            for copy in one.copies
        ],
    }
