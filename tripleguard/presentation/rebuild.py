"""Render what a rebuilt catalog knows and lacks, and what was adopted, as lines and as JSON."""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog.shoots import count_totals
from tripleguard.catalog.store import Catalog
from tripleguard.jobs.lifecycle.adopt import AdoptResult
from tripleguard.jobs.lifecycle.rebuild import RebuildResult
from tripleguard.names import escape_text
from tripleguard.presentation.json_output import SCHEMA, to_json_text
from tripleguard.presentation.words import format_duration, format_size
from tripleguard.wording import pluralize

_MAX_SHOWN = 20


def format_rebuild(result: RebuildResult) -> Iterator[str]:
    """Yield the sources of the catalog, what each drive holds, what is contradictory, and what to do next."""
    yield (
        f"The catalog was rebuilt: {pluralize(result.files, 'file')}, {format_size(result.total_bytes)}, in "
        f"{format_duration(result.seconds)}. Nothing was read yet, so nothing counts as verified."
    )
    for one in result.used_snapshots:
        yield f"Snapshot {one.source}: {one.role}, {pluralize(one.files, 'file')}"
    for unusable in result.unusable_snapshots:
        yield f"Snapshot {unusable.source}: not used: {unusable.reason}"
    if not result.used_snapshots:
        yield "No snapshot could be used: what is known comes from the check lists."
    for place in result.places:
        parts = [f"{place.known_at_path:,} known at their path"]
        parts += [f"{place.moved:,} under another folder"] if place.moved else []
        parts += [f"{place.listed:,} only in check lists"] if place.listed else []
        parts += [f"{place.unknown:,} unknown (a rescan reads them, `adopt` enters them)"] if place.unknown else []
        parts += [f"{place.missing:,} not there any more"] if place.missing else []
        yield f"Drive {escape_text(place.place)}: {', '.join(parts)}"
        for path in place.unreachable_paths:
            yield f"  can't be listed, so nothing is said of what is in it: {escape_text(path)}"
    if result.away:
        yield (
            f"Not connected: {', '.join(map(escape_text, result.away))}. What "
            f"they hold is known from snapshots only."
        )
    for conflict in result.conflicts[:_MAX_SHOWN]:
        where = f"drive {escape_text(conflict.place)}: " if conflict.place else ""
        counts = f" ({conflict.resolution})" if conflict.resolution else ""
        yield f"Contradiction: {where}{escape_text(conflict.path)}: {escape_text(conflict.detail)}{counts}"
    if len(result.conflicts) > _MAX_SHOWN:
        yield f"and {len(result.conflicts) - _MAX_SHOWN:,} more contradictions; all are in the --json output"
    if any(not conflict.resolution for conflict in result.conflicts):
        yield "Nothing was decided about those on a drive: a rescan reads them and says what they are."
    if result.previous_catalog:
        yield f"The catalog that was there before lies at {escape_text(str(result.previous_catalog))}."
    yield "Next: `tripleguard rescan` with the drives connected. Do not reformat a card before that."


def count_under_replicated(catalog: Catalog) -> int:
    """Return how many files have fewer verified copies than the rule requires."""
    return count_totals(catalog)[2]


def format_adoption(result: AdoptResult, under_replicated: int) -> Iterator[str]:
    """Yield what was recorded from each drive, how the drives differ, and what to do next."""
    for name, one in result.ingested.items():
        moved = f", {one.moved:,} known and moved" if one.moved else ""
        yield (
            f"Drive {escape_text(name)}: {pluralize(one.entered, 'file')} "
            f"entered{moved}, {format_size(one.total_bytes)} read back "
            f"from the medium"
        )
        for path in one.postponed[:_MAX_SHOWN]:
            yield f"  not entered, it changed or could not be read: {escape_text(path)}"
        if len(one.postponed) > _MAX_SHOWN:
            yield f"  and {len(one.postponed) - _MAX_SHOWN:,} more"
        yield from _format_empty_files(one.empty)
        yield from (f"Trouble: {line}" for line in map(str, one.errors))
    yield from (f"Trouble: {line}" for line in map(str, result.errors))
    yield from (f"Can't be listed, so it was not entered: {escape_text(path)}" for path in result.unlisted_paths)
    for path in result.conflicting_paths[:_MAX_SHOWN]:
        yield f"Differs between drives, one may be damaged: {escape_text(path)}"
    if len(result.conflicting_paths) > _MAX_SHOWN:
        yield f"and {len(result.conflicting_paths) - _MAX_SHOWN:,} more that differ; all are in the --json output"
    if under_replicated:
        yield (
            f"{pluralize(under_replicated, 'file')} now have fewer copies than "
            f"the rule asks. Next: `tripleguard topup`."
        )
    else:
        yield "Every file has the copies the rule asks for."


def _format_empty_files(paths: list[str]) -> Iterator[str]:
    if not paths:
        return
    yield f"  {pluralize(len(paths), 'empty file')} among them, entered by name all the same:"
    yield from (f"    {escape_text(path)}" for path in paths[:_MAX_SHOWN])
    if len(paths) > _MAX_SHOWN:
        yield f"    and {len(paths) - _MAX_SHOWN:,} more; all are in the --json output"
    if any(kind_of(path).is_original for path in paths):
        yield "    A picture without bytes is lost here: look for it on other drives before you let them go."


def build_adoption_object(result: AdoptResult, under_replicated: int) -> dict[str, object]:
    """Return an adoption as an object for `--json`."""
    return {
        "schema": SCHEMA,
        "places": [
            {
                "name": to_json_text(name),
                "entered": one.entered,
                "moved": one.moved,
                "bytes": one.total_bytes,
                "left": [to_json_text(path) for path in one.postponed],
                "empty": [to_json_text(path) for path in one.empty],
            }
            for name, one in result.ingested.items()
        ],
        "unlisted": [to_json_text(path) for path in result.unlisted_paths],
        "differing": [to_json_text(path) for path in result.conflicting_paths],
        "short": under_replicated,
        "seconds": result.seconds,
    }


def build_rebuild_object(result: RebuildResult) -> dict[str, object]:
    """Return a rebuild as an object for `--json`."""
    return {
        "schema": SCHEMA,
        "files": result.files,
        "bytes": result.total_bytes,
        "snapshots": [
            {"source": to_json_text(one.source), "files": one.files, "used": one.role}
            for one in result.used_snapshots
        ],
        "unusable": [
            {"source": to_json_text(one.source), "reason": to_json_text(one.reason)}
            for one in result.unusable_snapshots
        ],
        "places": [
            {
                "name": to_json_text(one.place),
                "known": one.known_at_path,
                "moved": one.moved,
                "listed": one.listed,
                "unknown": one.unknown,
                "gone": one.missing,
                "out_of_reach": [to_json_text(path) for path in one.unreachable_paths],
            }
            for one in result.places
        ],
        "away": [to_json_text(name) for name in result.away],
        "conflicts": [
            {
                "place": to_json_text(one.place),
                "path": to_json_text(one.path),
                "what": to_json_text(one.detail),
                "decided": one.resolution,
            }
            for one in result.conflicts
        ],
        "kept": None if result.previous_catalog is None else to_json_text(str(result.previous_catalog)),
        "seconds": result.seconds,
    }
