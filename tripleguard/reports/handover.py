"""A handover and the check of a bag, as lines for a terminal and as the object that `--json` prints."""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.names import shown
from tripleguard.reports.objects import SCHEMA, Object, text
from tripleguard.reports.words import count, duration, rate, size
from tripleguard.work.handing.bagcheck import BagChecked
from tripleguard.work.handing.bagwords import Counted
from tripleguard.work.handing.handclose import LIST_NAME
from tripleguard.work.handing.handnotes import HandNotes
from tripleguard.work.handing.handover import HandoverResult

_SOME = 5


def lines(result: HandoverResult) -> Iterator[str]:
    """What was done, what was left out, and how whoever gets it can check it."""
    root = shown(str(result.root))
    pace = f", {rate(result.total_bytes / result.seconds)} read" if result.seconds >= 1 and result.copied else ""
    yield f"Shoot: {shown(result.shoot.title)}"
    yield f"Folder: {root}"
    yield (
        f"{count(result.files, 'file')}, {size(result.total_bytes)}: {result.copied:,} copied and read back, "
        f"{result.already_there:,} were there already, in {duration(result.seconds)}{pace}"
    )
    if not result.medium.reached_device:
        yield "Note: this disk could not be read past the system's memory; check it once more where it goes to."
    for stored, path in result.renamed[:_SOME]:
        yield f"Renamed: {shown(stored)} is called {shown(path)} there"
    if len(result.renamed) > _SOME:
        yield f"Renamed: {len(result.renamed) - _SOME:,} more; all are in the --json output"
    for bad in result.bad_copies[:_SOME]:
        yield f"Not taken: drive {bad.place}: {shown(bad.path)}: {bad.why}"
    if len(result.bad_copies) > _SOME:
        yield f"Not taken: {len(result.bad_copies) - _SOME:,} more; all are in the --json output"
    for one in result.left_out[:_SOME]:
        yield f"LEFT OUT: {shown(one.path)}: {one.why}"
    if len(result.left_out) > _SOME:
        yield f"LEFT OUT: {len(result.left_out) - _SOME:,} more; all are in the --json output"
    for path in result.foreign[:_SOME]:
        yield f"Left as it is: {shown(path)} in that folder is not of this handover; look at it, then move it away"
    if len(result.foreign) > _SOME:
        yield f"Left as it is: {len(result.foreign) - _SOME:,} more; all are in the --json output"
    yield from _notes(result.notes)
    yield ""
    yield from _end(result, root)


def as_object(result: HandoverResult) -> Object:
    return {
        "schema": SCHEMA,
        "shoot": result.shoot.title,
        "folder": text(str(result.root)),
        "form": result.form,
        "finished": result.finished,
        "files": result.files,
        "bytes": result.total_bytes,
        "copied": result.copied,
        "already_there": result.already_there,
        "left_out": [{"path": text(one.path), "reason": one.why} for one in result.left_out],
        "renamed": [{"stored": text(stored), "path": text(path)} for stored, path in result.renamed],
        "not_taken": [
            {"place": bad.place, "path": text(bad.path), "reason": bad.why} for bad in result.bad_copies
        ],
        "not_in_it": [{"place": text(one.place), "path": text(one.path)} for one in result.notes.beside],
        "rejected": [text(path) for path in result.notes.rejected],
        "damaged": [text(path) for path in result.notes.damaged],
        "sidecars": result.notes.sidecars,
        "not_of_it": [text(path) for path in result.foreign],
        "medium": str(result.medium),
        "seconds": result.seconds,
    }


def checked_lines(found: BagChecked) -> Iterator[str]:
    """The answer first, then why."""
    root = shown(str(found.root))
    if found.valid:
        yield f"VALID: {root} is a complete bag, and every file holds what is listed."
    elif found.complete:
        yield f"NOT VALID: {root} is a complete bag, but not every file is proved."
    else:
        yield f"NOT VALID: {root} is not a complete bag."
    if found.version:
        summed = ", ".join(found.algorithms) or "no checksum"
        yield (
            f"BagIt {found.version}, {count(found.files, 'file')}, {size(found.total_bytes)}, {summed}, "
            f"in {duration(found.seconds)}"
        )
    for flaw in found.flaws:
        yield from _counted("Why", flaw)
    for note in found.notes:
        yield from _counted("Note", note)
    if not found.valid:
        yield "Next: ask whoever made it for these files again, or take them from another copy."


def checked_object(found: BagChecked) -> Object:
    return {
        "schema": SCHEMA,
        "folder": text(str(found.root)),
        "answer": "valid" if found.valid else "not valid",
        "complete": found.complete,
        "version": found.version or None,
        "algorithms": list(found.algorithms),
        "files": found.files,
        "bytes": found.total_bytes,
        "reasons": [_counted_object(flaw) for flaw in found.flaws],
        "notes": [_counted_object(note) for note in found.notes],
        "seconds": found.seconds,
    }


def _notes(notes: HandNotes) -> Iterator[str]:
    """What is not in it, and what may be in it unmeant."""
    for one in notes.beside[:_SOME]:
        yield f"NOT IN IT: drive {shown(one.place)}: {shown(one.path)}: nobody has entered it yet"
    if len(notes.beside) > _SOME:
        yield f"NOT IN IT: {len(notes.beside) - _SOME:,} more; all are in the --json output"
    if notes.beside:
        yield "  Next: `tripleguard rescan` enters sidecars, `tripleguard adopt` the rest; then hand over anew."
    for word, paths in (("rated rejected", notes.rejected), ("damaged at source", notes.damaged)):
        if paths:
            more = f" and {len(paths) - _SOME:,} more" if len(paths) > _SOME else ""
            named = ", ".join(map(shown, paths[:_SOME]))
            yield f"Look before you give it away: {count(len(paths), 'picture')} {word}: {named}{more}"
    if notes.sidecars:
        yield (
            f"Look before you give it away: {count(notes.sidecars, 'sidecar')} with all that an editor wrote: "
            "ratings, keywords, names, places."
        )


def _end(result: HandoverResult, root: str) -> Iterator[str]:
    if not result.finished:
        yield f"NOT FINISHED: {count(len(result.left_out), 'file')} of the shoot could not be had."
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
        yield f"  Anyone can check it: `sha256sum --check {LIST_NAME}` in that folder."


def _counted(word: str, one: Counted) -> Iterator[str]:
    yield f"  {word}: {one.message} ({one.count:,})."
    for example in one.examples[:_SOME]:
        yield f"       {shown(example)}"
    if one.count > _SOME:
        yield f"       and {one.count - _SOME:,} more"


def _counted_object(one: Counted) -> Object:
    return {
        "kind": one.kind,
        "count": one.count,
        "message": one.message,
        "examples": [text(example) for example in one.examples],
    }
