"""A card that is plugged in: copy it, prove it, and answer for it; or ask, if that is how it is set.

A card that was answered with yes and lies there as it was then is not read again: its list and both ends of its
newest files are compared. That is no new answer, only no new work.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

from blake3 import blake3

from tripleguard.answers import Clearance
from tripleguard.cameras.kinds import kind_of
from tripleguard.errors import CardGone
from tripleguard.model import Entry, Kind
from tripleguard.names import shown
from tripleguard.places.card import Card, open_card
from tripleguard.reports.words import count, size
from tripleguard.watch.errand import CardAnswer, Ended, Errand, Outcome
from tripleguard.watch.notes import Notes
from tripleguard.work.cards.offload import OffloadResult, offload
from tripleguard.work.clearance.card import CardQuestion, answer_for_card
from tripleguard.work.kit import Kit, drives_for_writing, opened, where_drives_are
from tripleguard.work.progress import Job, Moved, Said

_HEADS = 8
_HEAD = 64 * 1024
_MENDABLE = frozenset({"one copy", "drive away", "not verified"})
"""Reasons of a no that more copies could take away."""


def serve_card(kit: Kit, errand: Errand, notes: Notes) -> Job[Ended]:
    """Do with a card what the settings say. Raises what `offload` raises, PlaceBusy."""
    name = shown(Path(errand.subject).name)
    card = _opened_card(kit, errand)
    try:
        yield Moved("looking at the card", 0, 0, 0, 0, 0.0, None)
        before, entries = _list_of(card)
        known = _as_answered(card, before, entries, notes)
        if known is not None:
            message = f"as it was when it was answered with yes; {count(known.files, 'file')}, nothing new"
            return Ended(errand, Outcome.DONE, message, card=known)
        if not entries:
            return Ended(errand, Outcome.DONE, "the card holds no files", card=CardAnswer(before, False, 0))
        if kit.settings.watch.cards == "ask":
            total = size(sum(entry.size for entry in entries))
            message = f"{count(len(entries), 'file')}, {total}; `tripleguard offload {errand.subject}` copies it"
            tell = f"Card {name} is here: {message}."
            return Ended(errand, Outcome.DONE, message, tell, card=CardAnswer(before, False, len(entries)))
        found = yield from _copied(kit, card, errand)
        print_ = _fingerprint(card, before, entries)
    finally:
        card.close()
    if found is None:
        return Ended(errand, Outcome.WAITS, "no drive is connected")
    return _said(errand, _frames(name, entries), print_, found)


def answer_again(kit: Kit, errand: Errand) -> Job[Ended]:
    """Ask once more about a card that is still here, after copies were made. Raises as `answer_for_card`."""
    name = shown(Path(errand.subject).name)
    card = _opened_card(kit, errand)
    try:
        before, entries = _list_of(card)
        with opened(kit, where_drives_are(kit), f"the watch: clearance of {shown(errand.subject)}") as ready:
            answer = yield from answer_for_card(kit, CardQuestion(card), ready.looked_at)
        print_ = _fingerprint(card, before, entries)
    finally:
        card.close()
    return _answered(errand, _frames(name, entries), print_, answer.clearance, [])


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


def _copied(kit: Kit, card: Card, errand: Errand) -> Job[_Found | None]:
    """Copy the card to the drives that are here; None if none is."""
    drives = drives_for_writing(kit, ())
    away = [record.name for record, path in drives if path is None]
    with opened(kit, drives, f"the watch: offload of {shown(errand.subject)}") as ready:
        if not ready.drives:
            return None
        if away:
            here = " and ".join(drive.record.name for drive in ready.drives)
            yield Said(f"Drive {' and '.join(away)} is not here: the card is copied to {here} alone for now.")
        result = yield from offload(kit, card, ready.drives, None, ready.refused)
        clearance = result.clearance
        if kit.settings.watch.cards == "copy and check" and clearance.answer:
            again = yield from answer_for_card(kit, CardQuestion(card), ready.looked_at)
            clearance = again.clearance
    return _Found(result, clearance, away)


def _said(errand: Errand, name: str, print_: str, found: _Found) -> Ended:
    troubles = [error.what for error in found.result.troubles]
    troubles += [f"Drive {drive} is not here." for drive in found.away]
    return _answered(errand, name, print_, found.clearance, troubles, found.result.copied)


def _answered(
    errand: Errand, name: str, print_: str, answer: Clearance, troubles: list[str], made: int = 0
) -> Ended:
    files = count(answer.files, "file")
    # Whoever hears that one card may be emptied empties others too.
    troubles = [*(f"A card may be missing: {one.message}." for one in answer.numbers if one.sure), *troubles]
    if answer.answer:
        note = f" {' '.join(troubles)}" if troubles else ""
        message = f"yes, it may be reformatted: {files}, each verified on its drives"
        tell = f"Card {name} may be reformatted: {files}, each verified on its drives.{note}"
        return Ended(errand, Outcome.DONE, message, tell, made, card=CardAnswer(print_, True, answer.files))
    reason = answer.reasons[0].message if answer.reasons else "not everything on it is safe"
    why = " ".join([f"{reason[:1].upper()}{reason[1:]}.", *troubles])
    later = bool(answer.reasons) and all(one.kind in _MENDABLE for one in answer.reasons)
    return Ended(
        errand,
        Outcome.ATTENTION,
        f"no, do not reformat it: {answer.covered:,} of {files} are safe. {why}",
        f"Do not reformat card {name}: {answer.covered:,} of {files} are safe. {why}",
        made,
        card=CardAnswer(print_, False, answer.files, later=later),
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


def _list_of(card: Card) -> tuple[str, list[Entry]]:
    """A digest of what a card lists now, and the list. Raises CardGone."""
    entries = [item for item in card.listed() if isinstance(item, Entry)]
    hasher = blake3()
    for entry in sorted(entries, key=lambda one: one.path):
        hasher.update(f"{entry.path}\0{entry.size}\0{entry.mtime_ns}\0".encode("utf-8", "surrogateescape"))
    return hasher.hexdigest(), entries


def _fingerprint(card: Card, before: str, entries: list[Entry]) -> str:
    """What a card looked like before it was read, and the first bytes of its newest files.

    '' if its list is another one by now: what came meanwhile was not answered for. Raises CardGone.
    """
    if _list_of(card)[0] != before:
        return ""
    return f"{before}-{_heads(card, entries)}"


def _as_answered(card: Card, listed: str, entries: list[Entry], notes: Notes) -> CardAnswer | None:
    """The yes that was given for this card, if it looks as it did then."""
    alike = [
        known for known in notes.cards.values() if known.answer and known.fingerprint.startswith(f"{listed}-")
    ]
    if not alike:
        return None
    return notes.cards.get(f"{listed}-{_heads(card, entries)}")


def _heads(card: Card, entries: list[Entry]) -> str:
    hasher = blake3()
    for entry in sorted(entries, key=lambda one: (-one.mtime_ns, one.path))[:_HEADS]:
        try:
            hasher.update(card.read_at(entry.path, 0, _HEAD))
        except OSError:
            hasher.update(b"unreadable")
    return hasher.hexdigest()
