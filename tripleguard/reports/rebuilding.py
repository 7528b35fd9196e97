"""What a rebuilt catalog knows and what it does not, and what was adopted, as lines and as JSON."""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog.shoots import totals
from tripleguard.catalog.store import Catalog
from tripleguard.names import shown
from tripleguard.reports.objects import SCHEMA, text
from tripleguard.reports.words import count, duration, size
from tripleguard.work.years.adopting import Adopted
from tripleguard.work.years.rebuild import RebuildResult

_NAMED = 20


def rebuilt(result: RebuildResult) -> Iterator[str]:
    """What it rests on, what each drive holds, what is contradictory, and what to do next."""
    yield (
        f"The catalog was rebuilt: {count(result.files, 'file')}, {size(result.total_bytes)}, in "
        f"{duration(result.seconds)}. Nothing was read yet, so nothing counts as verified."
    )
    for one in result.used:
        yield f"Snapshot {one.source}: {one.how}, {count(one.files, 'file')}"
    for unusable in result.unusable:
        yield f"Snapshot {unusable.source}: not used: {unusable.why}"
    if not result.used:
        yield "No snapshot could be used: what is known comes from the check lists."
    for place in result.places:
        parts = [f"{place.known:,} known at their path"]
        parts += [f"{place.moved:,} under another folder"] if place.moved else []
        parts += [f"{place.listed:,} only in check lists"] if place.listed else []
        parts += [f"{place.unknown:,} unknown (a rescan reads them, `adopt` enters them)"] if place.unknown else []
        parts += [f"{place.gone:,} not there any more"] if place.gone else []
        yield f"Drive {shown(place.place)}: {', '.join(parts)}"
        for path in place.out_of_reach:
            yield f"  can't be listed, so nothing is said of what is in it: {shown(path)}"
    if result.away:
        yield f"Not connected: {', '.join(map(shown, result.away))}. What they hold is known from snapshots only."
    for conflict in result.conflicts[:_NAMED]:
        where = f"drive {shown(conflict.place)}: " if conflict.place else ""
        counts = f" ({conflict.decided})" if conflict.decided else ""
        yield f"Contradiction: {where}{shown(conflict.path)}: {shown(conflict.what)}{counts}"
    if len(result.conflicts) > _NAMED:
        yield f"and {len(result.conflicts) - _NAMED:,} more contradictions; all are in the --json output"
    if any(not conflict.decided for conflict in result.conflicts):
        yield "Nothing was decided about those on a drive: a rescan reads them and says what they are."
    if result.kept:
        yield f"The catalog that was there before lies at {shown(str(result.kept))}."
    yield "Next: `tripleguard rescan` with the drives connected. Do not reformat a card before that."


def short_of(catalog: Catalog) -> int:
    """How many files have fewer verified copies than the rule asks."""
    return totals(catalog)[2]


def adopted(result: Adopted, short: int) -> Iterator[str]:
    """What was entered from each drive, what differs between them, and what to do next."""
    for name, one in result.taken.items():
        moved = f", {one.moved:,} known and moved" if one.moved else ""
        yield (
            f"Drive {shown(name)}: {count(one.entered, 'file')} entered{moved}, {size(one.total_bytes)} read back "
            f"from the medium"
        )
        for path in one.left[:_NAMED]:
            yield f"  not entered, it changed or could not be read: {shown(path)}"
        if len(one.left) > _NAMED:
            yield f"  and {len(one.left) - _NAMED:,} more"
        yield from _empty(one.empty)
        yield from (f"Trouble: {line}" for line in map(str, one.troubles))
    yield from (f"Trouble: {line}" for line in map(str, result.troubles))
    yield from (f"Can't be listed, so it was not entered: {shown(path)}" for path in result.unlisted)
    for path in result.differing[:_NAMED]:
        yield f"Differs between drives, one may be damaged: {shown(path)}"
    if len(result.differing) > _NAMED:
        yield f"and {len(result.differing) - _NAMED:,} more that differ; all are in the --json output"
    if short:
        yield f"{count(short, 'file')} now have fewer copies than the rule asks. Next: `tripleguard topup`."
    else:
        yield "Every file has the copies the rule asks for."


def _empty(paths: list[str]) -> Iterator[str]:
    if not paths:
        return
    yield f"  {count(len(paths), 'empty file')} among them, entered by name all the same:"
    yield from (f"    {shown(path)}" for path in paths[:_NAMED])
    if len(paths) > _NAMED:
        yield f"    and {len(paths) - _NAMED:,} more; all are in the --json output"
    if any(kind_of(path).is_original for path in paths):
        yield "    A picture without bytes is lost here: look for it on other drives before you let them go."


def adopted_object(result: Adopted, short: int) -> dict[str, object]:
    """The same for programs."""
    return {
        "schema": SCHEMA,
        "places": [
            {
                "name": text(name),
                "entered": one.entered,
                "moved": one.moved,
                "bytes": one.total_bytes,
                "left": [text(path) for path in one.left],
                "empty": [text(path) for path in one.empty],
            }
            for name, one in result.taken.items()
        ],
        "unlisted": [text(path) for path in result.unlisted],
        "differing": [text(path) for path in result.differing],
        "short": short,
        "seconds": result.seconds,
    }


def rebuilt_object(result: RebuildResult) -> dict[str, object]:
    """The same for programs."""
    return {
        "schema": SCHEMA,
        "files": result.files,
        "bytes": result.total_bytes,
        "snapshots": [{"source": text(one.source), "files": one.files, "used": one.how} for one in result.used],
        "unusable": [{"source": text(one.source), "reason": text(one.why)} for one in result.unusable],
        "places": [
            {
                "name": text(one.place),
                "known": one.known,
                "moved": one.moved,
                "listed": one.listed,
                "unknown": one.unknown,
                "gone": one.gone,
                "out_of_reach": [text(path) for path in one.out_of_reach],
            }
            for one in result.places
        ],
        "away": [text(name) for name in result.away],
        "conflicts": [
            {"place": text(one.place), "path": text(one.path), "what": text(one.what), "decided": one.decided}
            for one in result.conflicts
        ],
        "kept": None if result.kept is None else text(str(result.kept)),
        "seconds": result.seconds,
    }
