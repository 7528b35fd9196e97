"""The tasks for a card that is plugged in: copy it, read it back, and ask for clearance; or only announce it.

No answer is remembered: a card that is plugged in again is read again, and what is no longer on the drives is
copied again. Only a notification is not repeated while the card stays plugged in.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from tripleguard.clearance_answer import Clearance
from tripleguard.errors import CardGoneError
from tripleguard.jobs.cards.offload import OffloadResult, offload
from tripleguard.jobs.clearance.card_answer import CardQuestion
from tripleguard.jobs.clearance.card_clearance import clear_card
from tripleguard.jobs.clearance.card_observation import CardObservation
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import locate_drives, open_drives, select_writable_drives
from tripleguard.jobs.progress import Job, Message, ProgressUpdate
from tripleguard.model import Entry
from tripleguard.names import escape_text
from tripleguard.places.card import Card, open_card
from tripleguard.presentation.words import format_size
from tripleguard.watch.card_description import describe_card
from tripleguard.watch.queue import CardOutcome, TaskResult, TaskStatus, WatchTask
from tripleguard.wording import pluralize

_NEEDS_COPIES = frozenset(
    {"one copy", "no copy", "not offloaded", "drive away", "not verified", "copy missing", "drive gone meanwhile"}
)
"""Reasons of a no that another drive, or more room, could take away."""
_AGAIN = "Plug the card in again: it goes on where it stopped"
_STEPS_HERE = {
    "one copy": "Next: connect the second drive; the rest is copied by itself",
    "no copy": "Next: connect a drive with room; the rest is copied by itself",
    "not offloaded": "Next: connect a drive with room; the rest is copied by itself",
    "drive away": "Next: connect both drives; the question is asked again by itself",
    "drive gone meanwhile": "Next: connect both drives; the question is asked again by itself",
    "out of service": "Next: connect another drive",
    "copy missing": _AGAIN,
    "not verified": _AGAIN,
    "verified too long ago": _AGAIN,
    "changed": f"Both versions are kept. {_AGAIN}",
    "gone meanwhile": "Keep the card, and plug it in again in another reader",
    "new meanwhile": "Wait: what is new on it is copied by itself",
    "changed meanwhile": "Let nothing else write to the card; it is looked at again by itself",
    "copy changed meanwhile": f"Let nothing else write to the drives. {_AGAIN}",
    "older catalog": _AGAIN,
    "catalog from the past": _AGAIN,
}
"""What helps while the watch runs, which does by itself what a command would do."""


def process_card(ctx: JobContext, task: WatchTask) -> Job[TaskResult]:
    """Do with a card what the settings say. Raises what `offload` raises, PlaceBusy."""
    card = _open_card(ctx, task)
    observation = CardObservation(card)
    try:
        yield ProgressUpdate("looking at the card", 0, 0, 0, 0, 0.0, None)
        entries = _list_entries(observation)
        insertion = card.read_insertion() or ""
        name = describe_card(card, entries)
        if not entries:
            return TaskResult(
                task, TaskStatus.DONE, "the card holds no files", card=CardOutcome(insertion, False, 0)
            )
        if ctx.settings.watch.cards == "ask":
            total = format_size(sum(entry.size for entry in entries))
            message = f"{pluralize(len(entries), 'file')}, {total}; `tripleguard offload {task.subject}` copies it"
            tell = f"Card {name} is here: {message}."
            return TaskResult(
                task, TaskStatus.DONE, message, tell, card=CardOutcome(insertion, False, len(entries))
            )
        found = yield from _copy_card(ctx, observation, task)
    finally:
        observation.close()
        card.close()
    if found is None:
        return TaskResult(task, TaskStatus.DEFERRED, "no drive is connected")
    return _to_result(task, name, insertion, found)


@dataclass(frozen=True, slots=True)
class _OffloadOutcome:
    """What became of a card: the offload, the answer that counts, and active drives that are not here."""

    result: OffloadResult
    clearance: Clearance
    away_drives: list[str]


def _copy_card(ctx: JobContext, observation: CardObservation, task: WatchTask) -> Job[_OffloadOutcome | None]:
    """Copy the card to the drives that are here; None if none is."""
    drives = select_writable_drives(ctx, ())
    away = [record.name for record, path in drives if path is None]
    with open_drives(ctx, drives, f"the watch: offload of {escape_text(task.subject)}") as ready:
        if not ready.writable:
            return None
        if away:
            here = " and ".join(drive.record.name for drive in ready.writable)
            yield Message(f"Drive {' and '.join(away)} is not here: the card is copied to {here} alone for now.")
        result = yield from offload(
            ctx, observation.card, ready.writable, None, ready.unavailable, observation=observation
        )
        clearance = result.clearance
        if ctx.settings.watch.cards == "copy and check" and clearance.is_yes:
            again = yield from clear_card(ctx, CardQuestion(observation.card), ready.connected)
            clearance = again.clearance
    return _OffloadOutcome(result, clearance, away)


def _to_result(task: WatchTask, name: str, insertion: str, outcome: _OffloadOutcome) -> TaskResult:
    troubles = [error.what for error in outcome.result.errors]
    troubles += [f"Drive {drive} is not here." for drive in outcome.away_drives]
    return _to_clearance_result(task, name, insertion, outcome.clearance, troubles, outcome.result.copied)


def _to_clearance_result(
    task: WatchTask, name: str, insertion: str, clearance: Clearance, problems: list[str], new_copies: int = 0
) -> TaskResult:
    files = pluralize(clearance.files, "file")
    # Whoever hears that one card may be emptied empties others too.
    problems = [
        *(f"A card may be missing: {one.message}." for one in clearance.missing_frames if one.is_card_suspected),
        *problems,
    ]
    if clearance.is_yes:
        note = f" {' '.join(problems)}" if problems else ""
        message = f"yes, it may be reformatted: {files}, each verified on its drives"
        tell = f"Card {name} may be reformatted: {files}, each verified on its drives.{note}"
        return TaskResult(
            task, TaskStatus.DONE, message, tell, new_copies, card=CardOutcome(insertion, True, clearance.files)
        )
    why = " ".join([_explain(clearance), *problems])
    needs_copies = any(one.kind in _NEEDS_COPIES for one in clearance.reasons)
    return TaskResult(
        task,
        TaskStatus.NEEDS_ATTENTION,
        f"no, do not reformat it: {clearance.covered_files:,} of {files} are safe. {why}",
        f"Do not reformat card {name}: {clearance.covered_files:,} of {files} are safe. {why}",
        new_copies,
        card=CardOutcome(insertion, False, clearance.files, needs_copies=needs_copies),
    )


def _explain(clearance: Clearance) -> str:
    """Return the first reason of a no, and what helps while the watch runs."""
    if not clearance.reasons:
        return "Not everything on it is safe."
    reason = clearance.reasons[0]
    message = reason.message
    if reason.kind in _STEPS_HERE:
        message = f"{message.partition(': ')[0]}. {_STEPS_HERE[reason.kind]}"
    return f"{message[:1].upper()}{message[1:]}{'' if message.endswith('?') else '.'}"


def _open_card(ctx: JobContext, task: WatchTask) -> Card:
    """The card, held open. Raises WrongUse, PlaceTrouble, CardGone."""
    root = Path(task.subject)
    if not os.path.exists(root):  # unlike `Path.exists` it says no where the device does not answer
        raise CardGoneError(
            f"The card at {escape_text(task.subject)} is not there any more.",
            safe="It was only read.",
            do="Put it in again: it goes on where it stopped.",
        )
    return open_card(root, [path for _, path in locate_drives(ctx) if path], ctx.settings.watch.card_folders)


def _list_entries(observation: CardObservation) -> list[Entry]:
    """What the card lists now; what is seen here is part of the question. Raises CardGone."""
    return [item for item in observation.list_entries() if isinstance(item, Entry)]
