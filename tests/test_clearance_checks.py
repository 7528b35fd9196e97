"""Each check of a card's yes holds alone: another one that sees the same here does not see it everywhere.

Linux tells of changes and keeps a time of change; FAT and exFAT keep none, and other systems tell of nothing.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from test_clearance_single_source import CHANGES, FRAME, EndingLate, Meddling
from world import CardFolder, TestClock, World, finished

from tripleguard.clearance_answer import Clearance
from tripleguard.clock import HOUR
from tripleguard.jobs.cards.offload import offload
from tripleguard.jobs.clearance import card_observation, counted_copies
from tripleguard.jobs.clearance.card_answer import CardQuestion
from tripleguard.jobs.clearance.card_clearance import clear_card
from tripleguard.jobs.clearance.card_observation import CardObservation, FileStamp
from tripleguard.jobs.drives import locate_drives, open_drives, select_writable_drives
from tripleguard.jobs.progress import Job, ProgressUpdate, Result
from tripleguard.model import Entry
from tripleguard.places.card import Card
from tripleguard.places.changes import ChangeMonitor, FolderChanges
from tripleguard.places.dir_handle import DirHandle


@pytest.fixture
def card(world: World) -> CardFolder:
    """A card of five frames that was offloaded."""
    card = world.card()
    card.frames(5)
    assert world.run("offload", card.root).status == 0
    return card


def asked(
    world: World, card: CardFolder, happens: Callable[[Path], object], clock: TestClock | None = None
) -> Clearance:
    """Ask about the card; in the middle of its reading something happens to it."""

    class Other(Meddling):
        opened = 0

    Other.happens = staticmethod(happens)
    with world.ctx(clock) as ctx, open_drives(ctx, locate_drives(ctx), "a test") as ready:
        held = Other(DirHandle(card.root, no_atime=True))
        try:
            return finished(clear_card(ctx, CardQuestion(held), ready.connected)).clearance
        finally:
            held.close()


def asked_as_it_is(world: World, card: CardFolder) -> Clearance:
    """Ask about the card, and nothing happens to it."""
    return asked(world, card, lambda root: None)


@pytest.mark.parametrize("change", CHANGES)
def test_two_looks_are_compared_where_the_system_tells_of_no_change(
    world: World, card: CardFolder, monkeypatch: pytest.MonkeyPatch, change: str
) -> None:
    monkeypatch.setattr(ChangeMonitor, "changes", lambda self: FolderChanges())
    assert not asked(world, card, CHANGES[change]).is_yes


def test_what_the_system_tells_counts_where_no_look_can_show_it(
    world: World, card: CardFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    def coarse(entry: Entry) -> FileStamp:
        return entry.size, entry.mtime_ns, 0

    monkeypatch.setattr(card_observation, "stamp_of", coarse)
    assert asked_as_it_is(world, card).is_yes
    assert not asked(world, card, CHANGES["rewritten with its old time"]).is_yes


def test_a_file_that_came_and_went_between_two_looks_is_a_reason(world: World, card: CardFolder) -> None:
    def comes_and_goes(root: Path) -> None:
        path = root / FRAME.replace("0001", "0099")
        shutil.copy(root / FRAME, path)
        os.unlink(path)

    answer = asked(world, card, comes_and_goes)
    assert [reason.kind for reason in answer.reasons] == ["new meanwhile"]


def test_a_file_that_could_not_be_read_again_is_a_reason_though_it_was_read_before(
    world: World, card: CardFolder
) -> None:
    with world.ctx() as ctx, open_drives(ctx, locate_drives(ctx), "a test") as ready:
        held = Meddling(DirHandle(card.root, no_atime=True))
        seen = CardObservation(held)
        try:
            question = CardQuestion(held, observation=seen)
            assert finished(clear_card(ctx, question, ready.connected)).clearance.is_yes
            again = CardQuestion(held, observation=seen, is_read=True)
            assert finished(clear_card(ctx, again, ready.connected)).clearance.is_yes
            seen.record_failure(FRAME)
            answer = finished(clear_card(ctx, again, ready.connected)).clearance
        finally:
            seen.close()
            held.close()
    assert not answer.is_yes


def test_an_empty_card_is_never_cleared(world: World) -> None:
    card = world.card()
    (card.root / "DCIM").mkdir()
    answer = asked_as_it_is(world, card)
    assert [reason.kind for reason in answer.reasons] == ["nothing"]
    assert not answer.is_yes


@pytest.mark.skipif(os.name != "posix", reason="makes a pipe")
def test_what_is_no_plain_file_keeps_the_card(world: World, card: CardFolder) -> None:
    os.mkfifo(card.root / "DCIM/100ORREY/pipe")
    answer = asked_as_it_is(world, card)
    assert [reason.kind for reason in answer.reasons] == ["odd"]


# Copies


def stopped_at(job: Job[Result], doing: str, happens: Callable[[], object]) -> Result:
    """Run a job to its end; when it says for the first time that it does this, something happens."""
    done = False
    while True:
        try:
            said = next(job)
        except StopIteration as end:
            result: Result = end.value
            assert done
            return result
        if isinstance(said, ProgressUpdate) and said.activity == doing and not done:
            happens()
            done = True


def copies_on_b(world: World, change: Callable[[Path], object]) -> Callable[[], object]:
    return lambda: [change(copy) for copy in sorted(world.drives["B"].rglob("*.DNG"))]


def zeroed(path: Path) -> None:
    """Size and time are kept."""
    status = path.stat()
    path.write_bytes(bytes(status.st_size))
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


@pytest.mark.parametrize("silent", ["the system", "the status"])
def test_copies_that_rot_after_the_first_look_do_not_count(
    world: World, card: CardFolder, monkeypatch: pytest.MonkeyPatch, silent: str
) -> None:
    if silent == "the system":
        monkeypatch.setattr(ChangeMonitor, "changes", lambda self: FolderChanges())
    else:
        monkeypatch.setattr(counted_copies, "stamp_of", lambda entry: (entry.size, entry.mtime_ns, 0))
    with world.ctx() as ctx, open_drives(ctx, locate_drives(ctx), "a test") as ready:
        held = Card(DirHandle(card.root, no_atime=True))
        try:
            job = clear_card(ctx, CardQuestion(held), ready.connected)
            answer = stopped_at(job, "looking at the card once more", copies_on_b(world, zeroed)).clearance
        finally:
            held.close()
    assert not answer.is_yes


def test_copies_that_rot_between_their_reading_back_and_the_question_do_not_count(world: World) -> None:
    card = world.card()
    card.frames(5)
    with world.ctx() as ctx:
        held = Card(DirHandle(card.root, no_atime=True))
        try:
            with open_drives(ctx, select_writable_drives(ctx, ()), "a test") as ready:
                job = offload(ctx, held, ready.writable, None, ready.unavailable)
                answer = stopped_at(job, "looking at the copies", copies_on_b(world, zeroed)).clearance
        finally:
            held.close()
    assert not answer.is_yes


def test_a_file_that_is_gone_from_the_drive_that_goes_and_short_elsewhere_keeps_it(
    world: World, card: CardFolder
) -> None:
    for drive in world.drives.values():
        next(iter(sorted(drive.rglob("*.DNG")))).unlink()
    answer = world.run("clearance", "drive", "A", "--json")
    assert answer.status == 1
    assert "gone and short" in [reason["kind"] for reason in answer.json["reasons"]]


def test_old_copies_are_read_back_for_the_question(world: World, card: CardFolder) -> None:
    clock = TestClock()
    clock.at += 25 * HOUR
    assert asked(world, card, lambda root: None, clock).is_yes
    copies_on_b(world, zeroed)()
    clock.at += 25 * HOUR
    assert not asked(world, card, lambda root: None, clock).is_yes


def test_what_was_read_of_a_card_in_another_insertion_is_read_again(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    card = world.card()
    card.frames(40)
    with pytest.raises(KeyboardInterrupt):
        world.offload_job(card.root, EndingLate)
    monkeypatch.setattr(Card, "read_insertion", lambda self: "another")
    answer = world.run("offload", card.root, "--json")
    assert (answer.status, answer.json["resumed"]) == (0, 0)


def test_a_name_of_the_leaving_drive_s_own_file_does_not_stay_behind(bare: World) -> None:
    bare.setup("A", "B", "C")
    card = bare.card()
    card.frames(2)
    assert bare.run("offload", card.root).status == 0
    assert bare.run("clearance", "drive", "A").status == 0
    for copy in sorted(bare.drives["A"].rglob("*.DNG")):
        other = bare.drives["B"] / copy.relative_to(bare.drives["A"])
        other.unlink()
        os.link(copy, other)
    assert bare.run("clearance", "drive", "A").status == 1
