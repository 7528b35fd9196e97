"""New files of other programs as errands: what lies on a drive is taken in, an import folder's is brought in."""

from __future__ import annotations

from pathlib import Path

from tripleguard.names import shown
from tripleguard.reports.words import count
from tripleguard.watch.errand import Ended, Errand, Outcome
from tripleguard.watch.landing import Landing
from tripleguard.work.cards.bringing_in import bring_in, open_folder
from tripleguard.work.cards.taking_in import take_in
from tripleguard.work.kit import Kit, drives_for_writing, opened, where_drives_are
from tripleguard.work.progress import Job

_NAMED = 3
"""Paths that a message names."""


def taken_in(kit: Kit, errand: Errand, landing: Landing) -> Job[Ended]:
    """Enter what has settled on a drive. Raises as `take_in`, PlaceBusy."""
    entries = landing.settled(errand.key)
    if not entries:
        return Ended(errand, Outcome.DONE, "nothing new is left")
    this = [pair for pair in drives_for_writing(kit, ()) if str(pair[1]) == errand.subject]
    with opened(kit, this, "the watch: new files") as ready:
        if not ready.drives:
            return Ended(errand, Outcome.WAITS, "the drive is not connected")
        name = ready.drives[0].record.name
        paths = [entry.path for entry in entries]
        result = yield from take_in(kit, ready.drives[0], paths)
    given_up = landing.done(errand.key, paths, result.left)
    parts = [f"drive {name}: {count(result.entered, 'new file')} entered"]
    if result.moved:
        parts.append(f"{count(result.moved, 'copy', 'copies')} found elsewhere than before")
    if result.left:
        parts.append(f"{count(len(result.left), 'file')} did not hold still or can't be read")
    troubles = [error.what for error in result.troubles]
    what = f"on drive {name} can't be read, or never hold still"
    return _ended(errand, [*parts, *troubles], _left_out(given_up, what) + troubles, result.entered)


def brought_in(kit: Kit, errand: Errand, landing: Landing) -> Job[Ended]:
    """Copy what has settled in an import folder to the drives. Raises as `bring_in`, PlaceBusy."""
    wanted = {entry.path: entry for entry in landing.settled(errand.key)}
    if not wanted:
        return Ended(errand, Outcome.DONE, "nothing new is left")
    known = [path for _, path in where_drives_are(kit) if path]
    folder = open_folder(Path(errand.subject), known, wanted)
    try:
        with opened(kit, drives_for_writing(kit, ()), f"the watch: import from {shown(errand.subject)}") as ready:
            if not ready.drives:
                return Ended(errand, Outcome.WAITS, "no drive is connected")
            result = yield from bring_in(kit, folder, ready.drives, ready.refused)
    finally:
        folder.close()
    failed = {note.path for note in result.not_copied}
    if failed and len(failed) == result.files:
        why = f"none could be copied: {result.not_copied[0].reason}"
        tell = f"New files in {shown(errand.subject)} are not protected: {why}."
        return Ended(errand, Outcome.FAILED, why, tell)
    given_up = landing.done(errand.key, wanted, failed)
    parts = [f"{count(result.files - len(failed), 'file')} brought in"]
    if failed:
        parts.append(f"{count(len(failed), 'file')} could not be copied")
    troubles = [error.what for error in result.troubles]
    reason = next((note.reason for note in result.not_copied if note.path in given_up), "")
    what = f"in {shown(errand.subject)} could not be copied to a drive ({reason})"
    return _ended(errand, [*parts, *troubles], _left_out(given_up, what) + troubles, result.copied)


def _left_out(paths: list[str], what: str) -> list[str]:
    """One line for a person about files that are not tried again by themselves; none if there are none."""
    if not paths:
        return []
    more = f" and {len(paths) - _NAMED:,} more" if len(paths) > _NAMED else ""
    names = ", ".join(shown(path) for path in paths[:_NAMED])
    return [f"{count(len(paths), 'new file')} {what}: {names}{more}. They are not protected; look at them."]


def _ended(errand: Errand, parts: list[str], tell: list[str], made: int) -> Ended:
    outcome = Outcome.ATTENTION if tell else Outcome.DONE
    return Ended(errand, outcome, "; ".join(parts), "\n".join(tell), made)
