"""Render the selects and changes to them, as text and as JSON."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from tripleguard.jobs.offsite.choose_selects import SelectsChange, SelectsOverview
from tripleguard.jobs.offsite.import_ratings import RatingsImport
from tripleguard.names import escape_text
from tripleguard.presentation.json_output import SCHEMA, JsonObject, to_json_text
from tripleguard.presentation.words import format_size
from tripleguard.wording import pluralize

_MAX_SHOWN = 10


def format_overview(overview: SelectsOverview) -> Iterator[str]:
    """Yield one line per shoot."""
    if not overview.selects:
        yield "Nothing is chosen yet."
        yield "Next: rate pictures in your editor and run `selects learn`, or choose by name with `selects add`."
        return
    ways = ", ".join(f"{number:,} by {how}" for how, number in sorted(overview.count_by_method.items()))
    yield f"{pluralize(overview.selects, 'select')}: {ways}."
    for one in overview.shoots:
        yield (
            f"  {escape_text(one.shoot.title)}: {pluralize(one.selects, 'select')}, "
            f"{pluralize(one.files, 'file')}, "
            f"{format_size(one.bytes)}"
        )


def build_overview_object(overview: SelectsOverview) -> JsonObject:
    return {
        "schema": SCHEMA,
        "selects": overview.selects,
        "how": overview.count_by_method,
        "files": sum(one.files for one in overview.shoots),
        "bytes": sum(one.bytes for one in overview.shoots),
        "shoots": [
            {"shoot": one.shoot.title, "selects": one.selects, "files": one.files, "bytes": one.bytes}
            for one in overview.shoots
        ],
    }


def format_selection(result: SelectsChange, *, is_adding: bool) -> Iterator[str]:
    """Yield what changed, and what could not be found."""
    word = "chosen" if is_adding else "dropped"
    already = f", {result.unchanged:,} were so already" if result.unchanged else ""
    yield (
        f"{pluralize(result.frames, 'frame')} {word}{already}. {pluralize(result.total_selects, 'select')} in all."
    )
    yield from _format_not_found(result.not_found)
    if result.frames and not is_adding:
        yield "Nothing was deleted anywhere."


def build_selection_object(result: SelectsChange, *, is_adding: bool) -> JsonObject:
    return {
        "schema": SCHEMA,
        "added": result.frames if is_adding else 0,
        "dropped": 0 if is_adding else result.frames,
        "unchanged": result.unchanged,
        "selects": result.total_selects,
        "not_found": _build_reason_objects(result.not_found),
    }


def format_rating_import(result: RatingsImport, min_rating: float) -> Iterator[str]:
    """Yield what was read, and what changed because of it."""
    yield f"{pluralize(result.sidecars, 'sidecar')} and {pluralize(result.pictures, 'picture')} read."
    yield (
        f"{pluralize(result.added, 'frame')} chosen with a rating of {min_rating:g} or more, "
        f"{result.dropped:,} not any more. {pluralize(result.total_selects, 'select')} in all."
    )
    yield from _format_not_found(result.unmatched)


def build_rating_import_object(result: RatingsImport) -> JsonObject:
    return {
        "schema": SCHEMA,
        "sidecars": result.sidecars,
        "pictures": result.pictures,
        "added": result.added,
        "dropped": result.dropped,
        "selects": result.total_selects,
        "not_known": _build_reason_objects(result.unmatched),
        "seconds": result.seconds,
    }


def _format_not_found(reasons: Sequence[tuple[str, str]]) -> Iterator[str]:
    for name, why in reasons[:_MAX_SHOWN]:
        yield f"  {escape_text(name)}: {why}."
    if len(reasons) > _MAX_SHOWN:
        yield f"  and {len(reasons) - _MAX_SHOWN:,} more."


def _build_reason_objects(reasons: Sequence[tuple[str, str]]) -> list[dict[str, Any]]:
    return [{"name": to_json_text(name), "reason": to_json_text(why)} for name, why in reasons]
