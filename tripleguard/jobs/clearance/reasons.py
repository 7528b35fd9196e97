"""The reasons and notes of a clearance: their sentences with the next step, and how they are counted."""

from __future__ import annotations

import shlex
from collections.abc import Sequence

from tripleguard.clearance_answer import ClearanceReason

_CARD_REASONS = {
    "not offloaded": "{files} on the card {are} not in the catalog: run `offload` for this card",
    "changed": "{files} {differ} from what was offloaded: run `offload` again, it keeps both versions",
    "unreadable": "{files} can't be read: try another reader, keep the card, ask a recovery service before "
    "anything else",
    "odd": "{things} on the card can't be copied (links, devices, folders that can't be listed or that another "
    "volume hides): look yourself",
    "nothing": "there are no files on it: is this the right folder, and is the card mounted?",
    "older catalog": "a drive that is connected has seen a later state of this catalog: run the command again, it "
    "takes over what is known there, then `rescan`",
    "copy missing": "{files} {have} a copy that is not on its drive as recorded: run `offload` again",
    "not verified": "{files} {have} a copy that was written but not read back yet: run `offload` again",
    "verified too long ago": "{files} {have} a copy that was verified longer ago than the rule allows: run "
    "`offload` again, it reads them back",
    "read from memory": "{files} {have} a copy whose read-back may have come from memory, not from the drive: "
    "unplug the drive, plug it in again, run `clearance card`; if it stays so, see accept_cached in the settings",
    "drive away": "{files} {have} a copy on a drive that is not connected: connect both drives and ask again",
    "out of service": "{files} {have} a copy on a drive that is lost or retired: run `offload` with another drive",
    "damaged": "{files} {are} broken as the camera or the card gave {them}: read the card again in another reader "
    "(`offload --read-twice`), keep it, ask a professional recovery service; --accept-damaged lives with it",
    "suspicious": "{files} may be damaged as the camera or the card gave {them}: read the card again in another "
    "reader (`offload --read-twice`) and look at the pictures; --accept-damaged lives with it",
    "could not be checked": "{files} could not be looked through, though others of such a kind can: open "
    "{them} with `inspect`, or look at {them} on a drive; --accept-damaged lives with it",
    "unsteady": "{files} gave other bytes, or none, when the card was read a second time: its reader or it is "
    "failing; try another reader with `offload --read-twice`, and keep the card",
    "frames missing": "{rows} of frames that belong among or beside those on this card {are} on no card seen, and "
    "may lie unlisted on this one: see above; keep it, or explain it with `frames close`",
    "gone meanwhile": "{files} that {were} on the card when this began {are} not there any more: keep the card, "
    "take it to another reader, and ask again",
    "new meanwhile": "{files} came onto the card while this looked: run `offload` for this card",
    "changed meanwhile": "{files} {were} changed while this looked: let nothing else write to the card, then run "
    "`offload` again",
    "not watched": "nobody can say that the card stayed as it was, as the system watches too much already: "
    "close other programs, then ask again",
    "copy changed meanwhile": "{files} {have} a copy that was changed while this looked: let nothing else write "
    "to the drives, then run `offload` again",
    "drive gone meanwhile": "{drives} went away while this looked: connect both drives and ask again",
    "catalog from the past": "a drive has seen a later catalog than this one: was an older copy of it restored? "
    "Run `offload` again, it takes over what the drive knows",
    "one disk": "{files} {have} copies on one physical disk only, and with it all are lost: use a drive that is "
    "another disk; if you accept one disk, `setup --allow-same-disk` keeps that in the settings",
    "one copy twice": "{files} {have} one copy that two drives show (a link or a mount of the same bytes): run "
    "`offload` with two real drives",
    "one copy": "{files} {are} on one drive only: connect the second drive and run `offload` again",
    "no copy": "{files} {are} on no drive: run `offload` again",
}

_DRIVE_REASONS = {
    "no good copy": "{files} {are} damaged on this drive and good on no other: keep the drive as it is; while the "
    "card still has {them}, `offload` it; else a drive from the shelf or a recovery service may have {them}",
    "only here": "{files} {are} good on this drive and on no other that counts: with the other drives connected, "
    "`retire {drive} --prepare` copies them",
    "yes given": "{files} {have} a copy on a drive that may be gone, as the answer for it was yes (see the note): "
    "if that drive stays, `clearance drive {given} --withdraw` takes the yes back; if it goes, `retire` it, then "
    "`topup`",
    "one elsewhere": "{files} {have} fewer good copies elsewhere than the rule asks: with another drive "
    "connected, `retire {drive} --prepare` makes them",
    "copy missing elsewhere": "{files} {have} a copy elsewhere that is not as recorded: `rescan`, then "
    "`retire {drive} --prepare`",
    "not proved elsewhere": "{files} {have} a copy elsewhere that was never read back from the medium: "
    "`retire {drive} --prepare` reads them",
    "not read lately": "{files} {have} a copy elsewhere that was last read back too long ago: "
    "`retire {drive} --prepare` reads them again",
    "other drive away": "{files} {have} a copy on a drive that is not connected: connect it and ask again",
    "other drive out of service": "{files} {have} a copy on a drive that is lost, leaving or retired: "
    "with another drive connected, `retire {drive} --prepare` makes others",
    "drive not here": "the drive is not connected, so nobody can look whether there is more on it: connect it and "
    "ask again; if it is dead or gone, use `drives lost`",
    "not in the catalog": "{files} on the drive {are} not in the catalog: `adopt` enters {them} as {they_lie}, or "
    "move {them} to another disk yourself, then ask again",
    "not in the catalog, leaving": "{files} on the drive {are} not in the catalog, and nothing new counts on a "
    "drive that is leaving: `drives recall {drive}`, `adopt`, then `retire {drive} --prepare`; or move {them} to "
    "another disk yourself",
    "quarantine and unknown": "{things} in the drive's folder .tripleguard/quarantine "
    "{are} in no catalog, and may be all "
    "that is left of a picture: move them to another disk yourself",
    "only in quarantine": "{things} in the drive's folder .tripleguard/quarantine "
    "{are} held nowhere else with these "
    "bytes, and may be somebody's work: move to another disk what is of use; what only rotted goes by "
    "`quarantine empty`",
    "gone and short": "{files} {are} recorded on this drive, not listed on it now, and held too few times "
    "elsewhere: look whether something hides them, then `rescan` and, with another drive connected, "
    "`retire {drive} --prepare`",
    "gone meanwhile here": "{files} on the drive {were} there when this began and {are} not now: look yourself, "
    "then ask again",
    "changed meanwhile here": "{files} on the drive {were} changed, or new, while this looked: let nothing else "
    "write to it, then ask again",
    "changed here": "{files} on the drive {are} not as recorded: `rescan`, then `repair`, then ask again",
    "changed here, leaving": "{files} on the drive {are} not as recorded, and nothing is put right on a drive "
    "that is leaving: `drives recall {drive}`, `rescan`, `repair`, then `retire {drive} --prepare`",
    "odd on the drive": "{things} on the drive can't be read as files (links, devices, folders that can't be "
    "listed): look yourself",
}

_DRIVE_NOTES = {
    "same device": "{drives} that {stay} {are} on the same physical device as this one: what happens to the "
    "device happens to both",
    "yes stands": "{drives} may be gone by now, as the answer for {them} was yes and nobody took that back: what "
    "is on {them} does not count",
    "older version": "{files} {are} older versions of sidecars; the newest one is what counts",
    "gone from the drive": "{files} {are} recorded here and no longer on the drive, so they are not lost with it",
    "litter on the drive": "{system} (thumbnails, trash, index) {are} on the drive and would go with it",
}

_CARD_NOTES = {
    "litter": "{system} (thumbnails, trash, index) {are} left on the card and not copied",
    "protected": "{files} {are} protected in the camera: someone meant to keep them",
    "unchecked accepted": "{files} could not be looked through, and that was accepted",
    "damage accepted": "{files} {are} damaged at source, and that was accepted",
    "not decoded": "{pictures} {are} not decoded yet: `inspect`, or the watch at night, sees more than a look in "
    "passing",
    "one device": "the drives are on one physical device: if it dies, all copies on it die",
    "one device allowed": "the settings allow copies on one physical disk: if it dies, all copies on it die",
}

REASON_TEXTS = _CARD_REASONS | _DRIVE_REASONS | _CARD_NOTES | _DRIVE_NOTES
"""All words that a reason or a note may have."""


def reason_text(kind: str, count: int, drive: str = "", cleared: Sequence[str] = ()) -> str:
    """Return the sentence for count files with this reason or note, without a full stop. Raises KeyError.

    Args:
        drive: The name of the drive in question, for the next step.
        cleared: The names of other drives for which the answer was yes.
    """
    one = count == 1
    return REASON_TEXTS[kind].format(
        files=f"{count:,} file{'' if one else 's'}",
        pictures=f"{count:,} picture{'' if one else 's'}",
        rows=f"{count:,} row{'' if one else 's'}",
        things=f"{count:,} thing{'' if one else 's'}",
        system=f"{count:,} system file{'' if one else 's'}",
        are="is" if one else "are",
        them="it" if one else "them",
        drives=f"{count:,} drive{'' if one else 's'}",
        stay="stays" if one else "stay",
        they_lie="it lies" if one else "they lie",
        have="has" if one else "have",
        were="was" if one else "were",
        differ="differs" if one else "differ",
        drive=shlex.quote(drive),
        given=shlex.quote(cleared[0]) if len(cleared) == 1 else "NAME",
    )


class ReasonCounter:
    """Count reason words; those in `first` come first, in that order, then the most frequent."""

    def __init__(self, first: Sequence[str] = (), *, drive: str = "", cleared: Sequence[str] = ()) -> None:
        self._first = tuple(first)
        self._drive = drive
        self._cleared = tuple(cleared)
        self._counts: dict[str, int] = {}
        self._paths: dict[str, list[str]] = {}

    def add(self, kind: str, path: str | None = None) -> None:
        """Count this word once more, with the path it is about."""
        self._counts[kind] = self._counts.get(kind, 0) + 1
        if path is not None:
            self._paths.setdefault(kind, []).append(path)

    def to_reasons(self) -> tuple[ClearanceReason, ...]:
        """Return what was counted, as sentences."""
        return tuple(
            ClearanceReason(
                word,
                count,
                reason_text(word, count, self._drive, self._cleared),
                tuple(self._paths.get(word, ())),
            )
            for word, count in sorted(self._counts.items(), key=self._rank)
        )

    def _rank(self, pair: tuple[str, int]) -> tuple[int, int]:
        word, count = pair
        return self._first.index(word) if word in self._first else len(self._first), -count
