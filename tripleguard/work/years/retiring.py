"""Taking a drive out of service: first what it alone holds is copied elsewhere and read back, then the answer.

Nothing is ever written to the drive that leaves, and nothing on it is touched. From the moment it is leaving its
copies do not count, so that every debt this makes is seen and paid like any other, over as many evenings as it
takes.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from tripleguard import checklist
from tripleguard.catalog.journal import add_clearance, add_event, drives_given_yes, yes_given, yes_taken_back
from tripleguard.catalog.places import place_leaves, place_named, set_place_state
from tripleguard.clock import DAY, iso_utc, stamp_utc
from tripleguard.errors import CopyTrouble, PlaceBusy, PlaceTrouble, WrongUse
from tripleguard.model import EventType, Outcome, PlaceRecord, PlaceState
from tripleguard.places.own import OWN
from tripleguard.work.budget import Budget
from tripleguard.work.cards.topup import TopupResult, topup
from tripleguard.work.clearance.drive import answer_for_drive
from tripleguard.work.clearance.drive_answer import DriveAnswer
from tripleguard.work.kit import Kit, OpenDrive, agent
from tripleguard.work.progress import Job
from tripleguard.work.rescanning.rescan import RescanResult, Shared, rescan

RECORDS = f"{OWN}/records"
IN_SERVICE = (PlaceState.ACTIVE, PlaceState.SHELVED, PlaceState.LEAVING)


@dataclass(frozen=True, slots=True)
class Prepared:
    """What was done so that a drive can go: copies made, and copies read again."""

    made: TopupResult
    read: RescanResult


def drive_to_retire(kit: Kit, name: str) -> PlaceRecord:
    """The drive of that name. Raises WrongUse if it is out of service already."""
    record = place_named(kit.catalog, name)
    if record.state not in IN_SERVICE:
        raise WrongUse(
            f"Drive {record.name} is {record.state} already.",
            safe="Nothing was changed.",
            do=f"If it is back, run `tripleguard drives add {record.name} PATH`.",
        )
    return record


def mark_leaving(kit: Kit, record: PlaceRecord) -> None:
    """From now on the copies on this drive do not count."""
    if record.state is PlaceState.LEAVING:
        return
    now = kit.clock.now()
    with kit.catalog.writing():
        place_leaves(kit.catalog, record.id, now)
        add_event(
            kit.catalog,
            EventType.PLACE_CHANGE,
            Outcome.SUCCESS,
            f"drive {record.name} is leaving: its copies do not count any more",
            now,
            place_id=record.id,
        )


def prepare(
    kit: Kit, leaving: PlaceRecord, drives: Sequence[OpenDrive], besides: Sequence[OpenDrive] = ()
) -> Job[Prepared]:
    """Make the copies that are missing once the drive is gone, and read those again that will remain.

    drives: all that are open and held. besides: those that can only be read from, as a leaving one may be. Raises
    PlaceTrouble if no other drive is held, Stopped, PlaceFailed, CatalogTrouble.
    """
    others = [drive for drive in drives if drive.record.id != leaving.id]
    targets = [drive for drive in others if drive.record.state is PlaceState.ACTIVE]
    if not targets:
        raise PlaceTrouble(
            f"No drive is connected that can take what is on {leaving.name}.",
            safe=f"Nothing was copied. {leaving.name} is noted as leaving, so its copies do not count: keep it.",
            do="Connect the drives that shall hold its files, then run it again. If it shall stay after all, run "
            f"`tripleguard drives recall {leaving.name}`.",
        )
    made = yield from topup(kit, targets, sources=[one for one in (*drives, *besides) if one not in targets])
    # What is read now shall still be young enough on the day of the question.
    before = kit.clock.now() - kit.settings.clearance.drive_days * DAY // 2
    read = yield from rescan(kit, others, "due", Budget(), Shared(leaving.id, before))
    return Prepared(made, read)


def ask_and_keep(kit: Kit, record: PlaceRecord, drives: Sequence[OpenDrive]) -> Job[DriveAnswer]:
    """The answer for the drive, kept in the catalog.

    Raises as `answer_for_drive`, and PlaceBusy where another drive was given a yes meanwhile.
    """
    given = drives_given_yes(kit.catalog)
    answer = yield from answer_for_drive(kit, record, drives)
    clearance = answer.clearance
    word = "may be retired" if clearance.answer else "must be kept"
    with kit.catalog.writing():
        if clearance.answer:
            if not drives_given_yes(kit.catalog) <= given | {record.id}:
                raise PlaceBusy(
                    "Another drive was answered with yes at the same moment, and each may rest on the other.",
                    safe="Nothing was changed. There is no answer: keep the drive.",
                    do="Ask again.",
                )
            yes_given(kit.catalog, record.id, clearance.at)
        add_clearance(kit.catalog, clearance, "drive", agent())
        add_event(
            kit.catalog,
            EventType.CLEARANCE,
            Outcome.SUCCESS if clearance.answer else Outcome.FAILURE,
            f"drive {record.name} {word}: {clearance.covered:,} of {clearance.files:,} files covered without it",
            clearance.at,
            place_id=record.id,
        )
    return answer


def withdraw(kit: Kit, record: PlaceRecord) -> bool:
    """Take back the yes that was given for a drive: it stays; whether one stood."""
    with kit.catalog.writing():
        stood = yes_taken_back(kit.catalog, record.id)
        if stood:
            add_event(
                kit.catalog,
                EventType.CLEARANCE,
                Outcome.SUCCESS,
                f"the yes for drive {record.name} was taken back: it stays",
                kit.clock.now(),
                place_id=record.id,
            )
    return stood


def retire(kit: Kit, answer: DriveAnswer, drives: Sequence[OpenDrive]) -> tuple[str, ...]:
    """Take the drive that was cleared out of service; returns where the record was written.

    A drive that can't take the record is passed over: the catalog has it, and every drive gets the catalog.
    """
    assert answer.clearance.answer
    record = answer.record
    with kit.catalog.writing():
        set_place_state(kit.catalog, record.id, PlaceState.RETIRED, record.role)
        add_event(
            kit.catalog,
            EventType.DEACCESSION,
            Outcome.SUCCESS,
            f"drive {record.name} is retired",
            kit.clock.now(),
            place_id=record.id,
        )
    path = f"{RECORDS}/retired-{record.uid[:8]}-{stamp_utc(answer.clearance.at)}.txt"
    return tuple(_written(path, answer, [drive for drive in drives if drive.record.id != record.id]))


def _written(path: str, answer: DriveAnswer, drives: Iterable[OpenDrive]) -> Iterator[str]:
    for drive in drives:
        try:
            drive.place.write_own(path, _text(answer))
        except CopyTrouble:
            continue
        yield f"{drive.record.name}: {path}"


def _text(answer: DriveAnswer) -> Iterator[bytes]:
    clearance = answer.clearance
    yield (
        f"Clearance: drive {answer.record.name} ({answer.record.uid}) may be taken out of service.\n"
        f"when       {iso_utc(clearance.at)}\n"
        f"who        {agent()}\n"
        f"files      {clearance.covered:,} of {clearance.files:,}, {clearance.total_bytes:,} bytes\n"
        f"list       BLAKE3 {clearance.list_digest.hex()}\n"
        f"\nFiles as they were on the drive; each has the copies the rule asks for elsewhere:\n"
    ).encode()
    yield checklist.written(answer.covered)
