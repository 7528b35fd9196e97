"""A card that is plugged in: copy it, read it back, and answer for it; or ask, if that is how it is set.

No answer is remembered: a card that is plugged in again is read again, and what is not on the drives any more is
copied again. Only what a person was told while it stays plugged in is not told twice.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from tripleguard.answers import Clearance
from tripleguard.cameras.kinds import kind_of
from tripleguard.errors import CardGone
from tripleguard.model import Entry, Kind
from tripleguard.names import shown
from tripleguard.places.card import Card, open_card
from tripleguard.reports.words import count, size
from tripleguard.watch.errand import CardAnswer, Ended, Errand, Outcome
from tripleguard.work.cards.offload import OffloadResult, offload
from tripleguard.work.clearance.card import CardQuestion, answer_for_card
from tripleguard.work.clearance.observation import CardObservation
from tripleguard.work.kit import Kit, drives_for_writing, opened, where_drives_are
from tripleguard.work.progress import Job, Moved, Said

_MENDABLE = frozenset({"one copy", "drive away", "not verified"})
"""Reasons of a no that more copies could take away."""


def serve_card(kit: Kit, errand: Errand) -> Job[Ended]:
    """Do with a card what the settings say. Raises what `offload` raises, PlaceBusy."""
    name = shown(Path(errand.subject).name)
    card = _opened_card(kit, errand)
    observation = CardObservation(card)
    try:
        yield Moved("looking at the card", 0, 0, 0, 0, 0.0, None)
        entries = _entries(observation)
        insertion = card.insertion() or ""
        if not entries:
            return Ended(errand, Outcome.DONE, "the card holds no files", card=CardAnswer(insertion, False, 0))
        if kit.settings.watch.cards == "ask":
            total = size(sum(entry.size for entry in entries))
            message = f"{count(len(entries), 'file')}, {total}; `tripleguard offload {errand.subject}` copies it"
            tell = f"Card {name} is here: {message}."
            return Ended(errand, Outcome.DONE, message, tell, card=CardAnswer(insertion, False, len(entries)))
        found = yield from _copied(kit, observation, errand)
    finally:
        observation.close()
        card.close()
    if found is None:
        return Ended(errand, Outcome.WAITS, "no drive is connected")
    return _said(errand, _frames(name, entries), insertion, found)


def answer_again(kit: Kit, errand: Errand) -> Job[Ended]:
    """Ask once more about a card that is still here, after copies were made. Raises as `answer_for_card`."""
    name = shown(Path(errand.subject).name)
    card = _opened_card(kit, errand)
    observation = CardObservation(card)
    try:
        entries = _entries(observation)
        insertion = card.insertion() or ""
        with opened(kit, where_drives_are(kit), f"the watch: clearance of {shown(errand.subject)}") as ready:
            answer = yield from answer_for_card(kit, CardQuestion(card, observation), ready.looked_at)
    finally:
        observation.close()
        card.close()
    return _answered(errand, _frames(name, entries), insertion, answer.clearance, [])


def _frames(name: str, entries: list[Entry]) -> str:
    """A card's name with its first and last frame: cards of one maker all have one name."""
    frames = sorted(
        (entry.mtime_ns, entry.path) for entry in entries if kind_of(entry.name) in (Kind.RAW, Kind.PICTURE)
    )
    if not frames:
        return name
    first, last = (shown(path.rpartition("/")[2]) for _, path in (frames[0], frames[-1]))
    return f"{name} ({first} to {last})" if first != last else f"{name} ({first})"


@dataclass(frozen=True, slots=True)
class _Found:
    """What became of a card: the offload, the answer that counts, and active drives that are not here."""

    result: OffloadResult
    clearance: Clearance
    away: list[str]


def _copied(kit: Kit, observation: CardObservation, errand: Errand) -> Job[_Found | None]:
    """Copy the card to the drives that are here; None if none is."""
    drives = drives_for_writing(kit, ())
    away = [record.name for record, path in drives if path is None]
    with opened(kit, drives, f"the watch: offload of {shown(errand.subject)}") as ready:
        if not ready.drives:
            return None
        if away:
            here = " and ".join(drive.record.name for drive in ready.drives)
            yield Said(f"Drive {' and '.join(away)} is not here: the card is copied to {here} alone for now.")
        result = yield from offload(
            kit, observation.card, ready.drives, None, ready.refused, observation=observation
        )
        clearance = result.clearance
        if kit.settings.watch.cards == "copy and check" and clearance.answer:
            again = yield from answer_for_card(kit, CardQuestion(observation.card), ready.looked_at)
            clearance = again.clearance
    return _Found(result, clearance, away)


def _said(errand: Errand, name: str, insertion: str, found: _Found) -> Ended:
    troubles = [error.what for error in found.result.troubles]
    troubles += [f"Drive {drive} is not here." for drive in found.away]
    return _answered(errand, name, insertion, found.clearance, troubles, found.result.copied)


def _answered(
    errand: Errand, name: str, insertion: str, answer: Clearance, troubles: list[str], made: int = 0
) -> Ended:
    files = count(answer.files, "file")
    # Whoever hears that one card may be emptied empties others too.
    troubles = [*(f"A card may be missing: {one.message}." for one in answer.numbers if one.sure), *troubles]
    if answer.answer:
        note = f" {' '.join(troubles)}" if troubles else ""
        message = f"yes, it may be reformatted: {files}, each verified on its drives"
        tell = f"Card {name} may be reformatted: {files}, each verified on its drives.{note}"
        return Ended(errand, Outcome.DONE, message, tell, made, card=CardAnswer(insertion, True, answer.files))
    reason = answer.reasons[0].message if answer.reasons else "not everything on it is safe"
    why = " ".join([f"{reason[:1].upper()}{reason[1:]}.", *troubles])
    later = bool(answer.reasons) and all(one.kind in _MENDABLE for one in answer.reasons)
    return Ended(
        errand,
        Outcome.ATTENTION,
        f"no, do not reformat it: {answer.covered:,} of {files} are safe. {why}",
        f"Do not reformat card {name}: {answer.covered:,} of {files} are safe. {why}",
        made,
        card=CardAnswer(insertion, False, answer.files, later=later),
    )


def _opened_card(kit: Kit, errand: Errand) -> Card:
    """The card, held open. Raises WrongUse, PlaceTrouble, CardGone."""
    root = Path(errand.subject)
    if not os.path.exists(root):  # unlike `Path.exists` it says no where the device does not answer
        raise CardGone(
            f"The card at {shown(errand.subject)} is not there any more.",
            safe="It was only read.",
            do="Put it in again: it goes on where it stopped.",
        )
    return open_card(root, [path for _, path in where_drives_are(kit) if path])


def _entries(observation: CardObservation) -> list[Entry]:
    """What the card lists now; what is seen here is part of the question. Raises CardGone."""
    return [item for item in observation.listed() if isinstance(item, Entry)]
