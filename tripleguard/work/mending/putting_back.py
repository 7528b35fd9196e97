"""Giving files that lie under another name their own name back.

Only a file that lies there as it was last looked at is moved: what was changed since is looked at first, else its
old evidence would speak for new bytes.
"""

from __future__ import annotations

from tripleguard.catalog import questions
from tripleguard.catalog.findings import close_at
from tripleguard.catalog.writing import copy_lies_at
from tripleguard.errors import CopyTrouble, NameTaken
from tripleguard.model import CopyState, EventType, Outcome
from tripleguard.names import shown
from tripleguard.rules import is_as_recorded
from tripleguard.work.cards.recording import Recorder
from tripleguard.work.kit import Kit, OpenDrive
from tripleguard.work.mending.wounds import CHANGED_SINCE, Wound


def why_not_back(kit: Kit, drive: OpenDrive, wound: Wound) -> str | None:
    """Why a misplaced file can't have its own name back now; None if it can."""
    finding = wound.finding
    was = finding.evidence.get("was")
    if not isinstance(was, str):
        return "where it belongs is not known. It is whole where it lies"
    if questions.copy_at(kit.catalog, drive.record.id, was) is not None:
        return "its name belongs to another file now. It is whole where it lies"
    copy = questions.copy_at(kit.catalog, drive.record.id, finding.path)
    if copy is None or copy.state is not CopyState.PRESENT or not is_as_recorded(copy, drive.seen(finding.path)):
        return CHANGED_SINCE
    try:
        taken = drive.place.taken(was)
    except CopyTrouble as error:
        return error.what
    return f"the name {shown(was)} is taken on the drive. It is whole where it lies" if taken else None


def put_back(kit: Kit, drive: OpenDrive, wound: Wound, recorder: Recorder) -> str | None:
    """Give a misplaced file its own name back, where it is free; why not, if it can't have it now."""
    why = why_not_back(kit, drive, wound)
    if why is not None:
        return why
    finding, was = wound.finding, str(wound.finding.evidence["was"])
    copy = questions.copy_at(kit.catalog, drive.record.id, finding.path)
    assert copy is not None
    try:
        entry = drive.place.move(finding.path, was)
    except NameTaken as error:
        return f"{error.what} It is whole where it lies"
    except CopyTrouble as error:
        return error.what
    with kit.catalog.writing():
        # A drive that sets another time at a rename has to show the bytes again.
        copy_lies_at(kit.catalog, copy.id, drive.record.id, entry, proved=is_as_recorded(copy, entry))
        close_at(kit.catalog, drive.record.id, finding.path, "it was moved back", kit.clock.now())
        recorder.event(
            EventType.RECOVERY,
            Outcome.SUCCESS,
            f"{shown(was)} lies in its place again",
            place_id=drive.record.id,
        )
    return None
