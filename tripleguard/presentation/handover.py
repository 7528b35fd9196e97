"""Render a handover and the check of a bag, as lines for a terminal and as the object that `--json` prints."""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.jobs.handover.bag_check import BagCheckResult
from tripleguard.jobs.handover.bag_flaws import FlawCount
from tripleguard.jobs.handover.finalize import CHECKLIST_NAME
from tripleguard.jobs.handover.handover import HandoverResult
from tripleguard.jobs.handover.handover_warnings import HandoverWarnings
from tripleguard.names import escape_text
from tripleguard.presentation.json_output import SCHEMA, JsonObject, to_json_text
from tripleguard.presentation.words import format_duration, format_rate, format_size
from tripleguard.wording import pluralize

_MAX_SHOWN = 5


def format_handover(result: HandoverResult) -> Iterator[str]:
    """Yield what was done, what was left out, and how the recipient can check the bag."""
    root = escape_text(str(result.root))
    pace = (
        f", {format_rate(result.total_bytes / result.seconds)} read"
        if result.seconds >= 1 and result.copied
        else ""
    )
    yield f"Shoot: {escape_text(result.shoot.title)}"
    yield f"Folder: {root}"
    yield (
        f"{pluralize(result.files, 'file')}, {format_size(result.total_bytes)}: "
        f"{result.copied:,} copied and read back, "
        f"{result.already_there:,} were there already, in {format_duration(result.seconds)}{pace}"
    )
    if not result.medium.is_from_device:
        yield "Note: this disk could not be read past the system's memory; check it once more where it goes to."
    for stored, path in result.renamed[:_MAX_SHOWN]:
        yield f"Renamed: {escape_text(stored)} is called {escape_text(path)} there"
    if len(result.renamed) > _MAX_SHOWN:
        yield f"Renamed: {len(result.renamed) - _MAX_SHOWN:,} more; all are in the --json output"
    for bad in result.rejected_copies[:_MAX_SHOWN]:
        yield f"Not taken: drive {bad.place}: {escape_text(bad.path)}: {bad.reason}"
    if len(result.rejected_copies) > _MAX_SHOWN:
        yield f"Not taken: {len(result.rejected_copies) - _MAX_SHOWN:,} more; all are in the --json output"
    for one in result.left_out[:_MAX_SHOWN]:
        yield f"LEFT OUT: {escape_text(one.path)}: {one.reason}"
    if len(result.left_out) > _MAX_SHOWN:
        yield f"LEFT OUT: {len(result.left_out) - _MAX_SHOWN:,} more; all are in the --json output"
    for path in result.foreign_files[:_MAX_SHOWN]:
        yield (
            f"Left as it is: {escape_text(path)} in that folder is not of this "
            f"handover; look at it, then move it away"
        )
    if len(result.foreign_files) > _MAX_SHOWN:
        yield f"Left as it is: {len(result.foreign_files) - _MAX_SHOWN:,} more; all are in the --json output"
    yield from _format_warnings(result.warnings)
    yield ""
    yield from _format_end(result, root)


def build_handover_object(result: HandoverResult) -> JsonObject:
    return {
        "schema": SCHEMA,
        "shoot": result.shoot.title,
        "folder": to_json_text(str(result.root)),
        "form": result.form,
        "finished": result.is_finished,
        "files": result.files,
        "bytes": result.total_bytes,
        "copied": result.copied,
        "already_there": result.already_there,
        "left_out": [{"path": to_json_text(one.path), "reason": one.reason} for one in result.left_out],
        "renamed": [
            {"stored": to_json_text(stored), "path": to_json_text(path)} for stored, path in result.renamed
        ],
        "not_taken": [
            {"place": bad.place, "path": to_json_text(bad.path), "reason": bad.reason}
            for bad in result.rejected_copies
        ],
        "not_in_it": [
            {"place": to_json_text(one.place), "path": to_json_text(one.path)}
            for one in result.warnings.uncataloged
        ],
        "rejected": [to_json_text(path) for path in result.warnings.rejected],
        "damaged": [to_json_text(path) for path in result.warnings.damaged],
        "sidecars": result.warnings.sidecars,
        "not_of_it": [to_json_text(path) for path in result.foreign_files],
        "medium": str(result.medium),
        "seconds": result.seconds,
    }


def format_bag_check(check: BagCheckResult) -> Iterator[str]:
    """Yield the answer first, then the reasons."""
    root = escape_text(str(check.root))
    if check.is_valid:
        yield f"VALID: {root} is a complete bag, and every file holds what is listed."
    elif check.is_complete:
        yield f"NOT VALID: {root} is a complete bag, but not every file is proved."
    else:
        yield f"NOT VALID: {root} is not a complete bag."
    if check.version:
        summed = ", ".join(check.algorithms) or "no checksum"
        yield (
            f"BagIt {check.version}, {pluralize(check.files, 'file')}, "
            f"{format_size(check.total_bytes)}, {summed}, "
            f"in {format_duration(check.seconds)}"
        )
    for flaw in check.flaws:
        yield from _format_group("Why", flaw)
    for note in check.notes:
        yield from _format_group("Note", note)
    if not check.is_valid:
        yield "Next: ask whoever made it for these files again, or take them from another copy."


def build_bag_check_object(check: BagCheckResult) -> JsonObject:
    return {
        "schema": SCHEMA,
        "folder": to_json_text(str(check.root)),
        "answer": "valid" if check.is_valid else "not valid",
        "complete": check.is_complete,
        "version": check.version or None,
        "algorithms": list(check.algorithms),
        "files": check.files,
        "bytes": check.total_bytes,
        "reasons": [_build_group_object(flaw) for flaw in check.flaws],
        "notes": [_build_group_object(note) for note in check.notes],
        "seconds": check.seconds,
    }


def _format_warnings(warnings: HandoverWarnings) -> Iterator[str]:
    """Yield what the bag lacks, and what it may contain by mistake."""
    for one in warnings.uncataloged[:_MAX_SHOWN]:
        yield f"NOT IN IT: drive {escape_text(one.place)}: {escape_text(one.path)}: nobody has entered it yet"
    if len(warnings.uncataloged) > _MAX_SHOWN:
        yield f"NOT IN IT: {len(warnings.uncataloged) - _MAX_SHOWN:,} more; all are in the --json output"
    if warnings.uncataloged:
        yield "  Next: `tripleguard rescan` enters sidecars, `tripleguard adopt` the rest; then hand over anew."
    for word, paths in (("rated rejected", warnings.rejected), ("damaged at source", warnings.damaged)):
        if paths:
            more = f" and {len(paths) - _MAX_SHOWN:,} more" if len(paths) > _MAX_SHOWN else ""
            named = ", ".join(map(escape_text, paths[:_MAX_SHOWN]))
            yield f"Look before you give it away: {pluralize(len(paths), 'picture')} {word}: {named}{more}"
    if warnings.sidecars:
        yield (
            f"Look before you give it away: {pluralize(warnings.sidecars, 'sidecar')} "
            f"with all that an editor wrote: "
            "ratings, keywords, names, places."
        )


def _format_end(result: HandoverResult, root: str) -> Iterator[str]:
    if not result.is_finished:
        yield f"NOT FINISHED: {pluralize(len(result.left_out), 'file')} of the shoot could not be had."
        yield (
            "  Next: rescan what was changed, connect the drives that are away, run the same command again: it "
            "goes on. Or finish without these files: --leave-out."
        )
        return
    if result.form == "bag":
        yield f"Handed over: {root} is a bag (RFC 8493) with SHA-512 and SHA-256 of every file."
        yield f"  Anyone can check it with any BagIt program, or with `tripleguard handover --check {root}`."
    else:
        yield f"Handed over: {root}, with a list of SHA-256."
        yield f"  Anyone can check it: `sha256sum --check {CHECKLIST_NAME}` in that folder."


def _format_group(word: str, group: FlawCount) -> Iterator[str]:
    yield f"  {word}: {group.message} ({group.count:,})."
    for example in group.examples[:_MAX_SHOWN]:
        yield f"       {escape_text(example)}"
    if group.count > _MAX_SHOWN:
        yield f"       and {group.count - _MAX_SHOWN:,} more"


def _build_group_object(group: FlawCount) -> JsonObject:
    return {
        "kind": group.kind,
        "count": group.count,
        "message": group.message,
        "examples": [to_json_text(example) for example in group.examples],
    }
