"""Every next step that an answer prints is taken as it is printed: then the reason is gone, or it is another one.

A case brings about one reason in a small world. What stands in backquotes beside that reason is run in order, with
NAME filled in; what has to be done by hand before it, connecting a drive mostly, is done as its words say so.
A new reason needs a line in CARD or DRIVE, or one in the tables of those that no command helps.
"""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from archive_faults import change, folder_on, quarantine, rot
from world import CardFolder, TestClock, World

from tripleguard.clock import DAY, SystemClock
from tripleguard.errors import NoSpaceError
from tripleguard.jobs.clearance import reasons
from tripleguard.model import FindingKind
from tripleguard.places.copy_writer import DriveCopyWriter
from tripleguard.places.drive import Drive

pytestmark = pytest.mark.alone

Ask = tuple[str, ...]
Make = Callable[["Scene"], None]


@dataclass
class Scene:
    """A world, the card in it, and how to fill in what a step leaves open."""

    world: World
    card: CardFolder
    patch: pytest.MonkeyPatch
    name: str = "A"
    path: str = ""
    number: str = ""

    def ask_card(self) -> Ask:
        return ("clearance", "card", str(self.card.root))

    def ask_drive(self) -> Ask:
        return ("clearance", "drive", "A")

    def add_drive(self, name: str) -> None:
        self.world.drives[name] = self.world.folder(f"drive-{name.lower()}")
        assert self.world.run("drives", "add", name, self.world.drives[name]).status == 0

    def offload(self, *options: str) -> None:
        assert self.world.run("offload", self.card.root, *options).status in (0, 1)

    def copy(self, drive: str, number: int = 1) -> Path:
        return folder_on(self.world, drive) / f"ORR_{number:04d}.DNG"

    def run(self, step: str) -> None:
        """Run a step as it stands between backquotes."""
        words = step.replace("NAME", self.name).replace("PATH", self.path).replace("NUMBER", self.number).split()
        given = [str(self.card.root)] if words[0] == "offload" or words[:2] == ["clearance", "card"] else []
        answer = self.world.run(*words, *given)
        assert answer.status in (0, 1), f"{step}: {answer.out}{answer.err}"
        assert "Traceback" not in answer.err


@dataclass(frozen=True)
class Case:
    """How a reason comes about, and which of its words a person acts upon before the commands.

    by_hand: words of the step, and what is done because of them. left_out: commands that are another way, for
    another case. again: options that the step adds to the question.
    """

    make: Make
    by_hand: Mapping[str, Make] = field(default_factory=dict)
    left_out: tuple[str, ...] = ()
    again: tuple[str, ...] = ()


def _plug(name: str) -> Make:
    return lambda scene: scene.world.plug(name)


def _unplug(name: str) -> Make:
    def make(scene: Scene) -> None:
        scene.world.unplug(name)

    return make


def _offloaded_and(then: Make, *options: str, third: bool = False) -> Make:
    def make(scene: Scene) -> None:
        scene.offload(*options)
        if third:
            scene.add_drive("C")
        then(scene)

    return make


def _nothing(_: Scene) -> None:
    pass


def _changed_on_card(scene: Scene) -> None:
    change(next(scene.card.root.rglob("ORR_0001.DNG")), 40_000)


def _lost_b(scene: Scene) -> None:
    assert scene.world.run("drives", "lost", "B").status in (0, 1)


def _on_b_and_c(scene: Scene) -> None:
    """What is on A is on two other drives as well, and A stays."""
    scene.add_drive("C")
    assert scene.world.run("retire", "A", "--prepare").status == 0
    for words in (("clearance", "drive", "A", "--withdraw"), ("drives", "recall", "A")):
        assert scene.world.run(*words).status in (0, 1)


def _gone_from_c(scene: Scene) -> None:
    _on_b_and_c(scene)
    scene.copy("C").unlink()


def _b_lost_of_two(scene: Scene) -> None:
    _on_b_and_c(scene)
    _lost_b(scene)


def _another_drive(scene: Scene) -> None:
    scene.add_drive("D")


def _linked(scene: Scene) -> None:
    scene.copy("B").unlink()
    os.link(scene.copy("A"), scene.copy("B"))
    os.utime(scene.copy("B"), ns=(scene.copy("A").stat().st_mtime_ns,) * 2)


def _two_real_drives(scene: Scene) -> None:
    _lost_b(scene)
    _another_drive(scene)


def _no_room(scene: Scene) -> None:
    def full(_: Drive, size: int) -> DriveCopyWriter:
        raise NoSpaceError(f"There is no room for {size} bytes.")

    scene.patch.setattr(Drive, "begin_copy", full)
    scene.offload()


def _room_again(scene: Scene) -> None:
    scene.patch.undo()


def _no_shared_disk(scene: Scene) -> None:
    file = scene.world.home / "settings.toml"
    file.write_text(file.read_text().replace("allow_same_disk = true", "allow_same_disk = false"))


def _rotten_everywhere(scene: Scene) -> None:
    for name in "AB":
        rot(scene.copy(name))
    scene.world.run("rescan", "--all")


def _yes_for_another(scene: Scene) -> None:
    assert scene.world.run("retire", "B", "--prepare").status == 0
    scene.name = "B"


def _long_ago(scene: Scene) -> None:
    scene.world.offload_job(scene.card.root, clock=TestClock(SystemClock().now() - 400 * DAY))
    scene.add_drive("C")


def _a_new_laptop(scene: Scene) -> None:
    """The catalog comes back from the drives, and nothing was read since."""
    scene.offload()
    scene.add_drive("C")
    shutil.rmtree(scene.world.home)
    for name in scene.world.drives:
        scene.world.run("rebuild", scene.world.drives[name])


def _gone_from_a(scene: Scene) -> None:
    scene.copy("A").unlink()


def _changed_on_a(scene: Scene) -> None:
    change(scene.copy("A"))


def _leaving_with(then: Make) -> Make:
    def make(scene: Scene) -> None:
        scene.add_drive("C")
        assert scene.world.run("retire", "A", "--prepare").status == 0
        then(scene)

    return make


def _a_stray(scene: Scene) -> None:
    CardFolder(scene.world.drives["A"]).raw("found/ORR_0042.DNG")


CARD: dict[str, Case] = {
    "not offloaded": Case(_nothing),
    "changed": Case(_offloaded_and(_changed_on_card)),
    "copy missing": Case(_offloaded_and(lambda scene: scene.copy("B").unlink())),
    "drive away": Case(_offloaded_and(_unplug("B")), {"connect both drives": _plug("B")}),
    "out of service": Case(_offloaded_and(_lost_b), {"another drive": _another_drive}),
    "one disk": Case(_offloaded_and(_no_shared_disk)),
    "one copy twice": Case(_offloaded_and(_linked), {"two real drives": _two_real_drives}),
    "one copy": Case(_offloaded_and(_nothing, "--drive", "A"), {"connect the second drive": _nothing}),
    "no copy": Case(_no_room, {"run `offload` again": _room_again}),
}
DRIVE: dict[str, Case] = {
    "only here": Case(_offloaded_and(_nothing, "--drive", "A", third=True)),
    "one elsewhere": Case(_offloaded_and(_nothing), {"another drive": _another_drive}),
    "copy missing elsewhere": Case(_offloaded_and(_gone_from_c)),
    "not proved elsewhere": Case(_a_new_laptop),
    "not read lately": Case(_long_ago),
    "other drive away": Case(_offloaded_and(_unplug("B"), third=True), {"connect it": _plug("B")}),
    "other drive out of service": Case(_offloaded_and(_b_lost_of_two), {"another drive": _another_drive}),
    "yes given": Case(_offloaded_and(_yes_for_another, third=True), left_out=("retire", "topup")),
    "drive not here": Case(
        _offloaded_and(_unplug("A")),
        {"connect it": _plug("A")},
        left_out=("drives lost",),
    ),
    "not in the catalog": Case(_offloaded_and(_a_stray)),
    "not in the catalog, leaving": Case(_offloaded_and(_leaving_with(_a_stray))),
    "gone and short": Case(_offloaded_and(_gone_from_a), {"another drive": _another_drive}),
    "changed here": Case(_offloaded_and(_changed_on_a)),
    "changed here, leaving": Case(_offloaded_and(_leaving_with(_changed_on_a))),
    "no good copy": Case(_offloaded_and(_rotten_everywhere)),
}

A_PERSON = {
    "unreadable": "another reader, a recovery service",
    "odd": "somebody has to look what it is",
    "nothing": "another folder is given, or the card is mounted",
    "damaged": "another reader, a recovery service; --accept-damaged is tried below",
    "suspicious": "somebody looks at the picture; --accept-damaged is tried below",
    "unsteady": "another reader",
    "could not be checked": "`inspect` is tried where a decoder is installed; somebody looks at the picture",
    "frames missing": "the other card is found, or somebody explains it",
    "not watched": "other programs are closed",
    "read from memory": "the drive is unplugged and plugged in again, or the settings are changed",
    "quarantine and unknown": "somebody moves it away; tried below",
    "only in quarantine": "somebody says what is of use, and moves it; tried below",
    "odd on the drive": "somebody has to look what it is",
}
"""Reasons that no command of ours helps against."""

A_MOMENT = {
    "gone meanwhile",
    "new meanwhile",
    "changed meanwhile",
    "copy changed meanwhile",
    "drive gone meanwhile",
    "gone meanwhile here",
    "changed meanwhile here",
}
"""Reasons that something happened during the question; the adversary's tests bring them about."""

READ_BY_THE_QUESTION = {"not verified", "verified too long ago"}
"""Reasons that only stay where the question could not read the copy back itself."""

ANOTHER_CATALOG = {"older catalog", "catalog from the past"}
"""Reasons that a drive has seen a later catalog; the tests of generations bring them about."""


@pytest.fixture
def scene(world: World, monkeypatch: pytest.MonkeyPatch) -> Scene:
    card = world.card()
    card.frames(2)
    return Scene(world, card, monkeypatch)


def _told(scene: Scene, ask: Ask) -> dict[str, str]:
    answer = scene.world.run(*ask, "--json")
    assert answer.status in (0, 1), answer.err
    return {one["kind"]: one["message"] for one in answer.json["reasons"]}


def _take(scene: Scene, message: str, case: Case) -> None:
    """Do what a message says, as it says it."""
    for words, act in case.by_hand.items():
        assert words in message, f"nobody is told to do that: {message}"
        act(scene)
    for step in re.findall(r"`([^`]+)`", message):
        if not step.startswith(case.left_out or ("-",)):
            scene.run(step)


@pytest.mark.parametrize("word", [*CARD, *DRIVE])
def test_the_next_step_of_a_reason_helps(scene: Scene, word: str) -> None:
    case = (CARD | DRIVE)[word]
    ask = scene.ask_card() if word in CARD else scene.ask_drive()
    case.make(scene)
    told = _told(scene, ask)
    assert word in told, f"the case does not bring it about: {told}"
    _take(scene, told[word], case)
    assert word not in _told(scene, ask), f"it did not help: {told[word]}"


def test_every_reason_has_its_case_or_stands_where_no_command_helps() -> None:
    cased = {*CARD, *DRIVE, *A_PERSON, *A_MOMENT, *READ_BY_THE_QUESTION, *ANOTHER_CATALOG}
    assert cased == {*reasons._CARD_REASONS, *reasons._DRIVE_REASONS}


def test_damage_that_a_person_lives_with_is_no_reason_any_more(scene: Scene) -> None:
    broken = next(scene.card.root.rglob("ORR_0001.DNG"))
    broken.write_bytes(broken.read_bytes()[:40_000])
    scene.offload()
    told = _told(scene, scene.ask_card())
    assert "damaged" in told
    scene.run("offload --read-twice")
    assert _told(scene, (*scene.ask_card(), "--accept-damaged")) == {}


def test_what_a_repair_moved_aside_on_the_drive_is_moved_away_by_hand(scene: Scene) -> None:
    scene.offload()
    scene.add_drive("C")
    change(scene.copy("A"))
    scene.world.run("rescan", "--all")
    assert scene.world.run("repair").status == 0
    assert "only in quarantine" in _told(scene, scene.ask_drive())
    for path in quarantine(scene.world, "A"):
        shutil.move(path, scene.world.root / path.name)
    assert "only in quarantine" not in _told(scene, scene.ask_drive())


def test_what_lies_aside_unknown_is_moved_away_by_hand(scene: Scene) -> None:
    scene.offload()
    scene.add_drive("C")
    strange = scene.world.drives["A"] / ".tripleguard/quarantine/x/ORR_0077.DNG"
    strange.parent.mkdir(parents=True)
    strange.write_bytes(b"all that is left")
    assert "quarantine and unknown" in _told(scene, scene.ask_drive())
    shutil.move(strange, scene.world.root / "elsewhere.DNG")
    assert "quarantine and unknown" not in _told(scene, scene.ask_drive())


# Findings


def _finding(scene: Scene, kind: str, have: str = "") -> dict[str, str] | None:
    found = scene.world.run("report", "--json").json["findings"]
    return next((one for one in found if one["kind"] == kind and have in one["message"]), None)


def _rescan(scene: Scene) -> None:
    scene.world.run("rescan", "--all")


def _gone_from_b(scene: Scene) -> None:
    scene.copy("B").unlink()
    _rescan(scene)


def _rotten_on_b(scene: Scene) -> None:
    rot(scene.copy("B"))
    _rescan(scene)


def _altered_on_b(scene: Scene) -> None:
    change(scene.copy("B"))
    _rescan(scene)


def _older_on_b(scene: Scene) -> None:
    for path in (folder_on(scene.world, name) / "ORR_0001.xmp" for name in "AB"):
        path.write_bytes(b"<x/>")
    _rescan(scene)
    (folder_on(scene.world, "A") / "ORR_0001.xmp").write_bytes(b"<x edited='1'/>")
    _rescan(scene)


def _moved_on_b(scene: Scene) -> None:
    scene.copy("B").rename(scene.world.drives["B"] / "best.DNG")
    _rescan(scene)


def _stray_on_a(scene: Scene) -> None:
    _a_stray(scene)
    _rescan(scene)


def _twins_owed(scene: Scene) -> None:
    for number in (1, 2):
        scene.card.put(f"DCIM/100ORREY/ORR_{number:04d}.xmp", b"<x/>")
    scene.offload("--drive", "A")


def _offloaded_without_b(scene: Scene) -> None:
    scene.world.unplug("B")
    scene.offload()


def _away_after(make: Make) -> Make:
    def then(scene: Scene) -> None:
        make(scene)
        scene.world.unplug("B")

    return then


FINDINGS: dict[str, tuple[FindingKind, str, Case]] = {
    "missing": (FindingKind.MISSING, "", Case(_offloaded_and(_gone_from_b), left_out=("offload",))),
    "missing, by the card": (FindingKind.MISSING, "", Case(_offloaded_and(_gone_from_b), left_out=("repair",))),
    "corrupt": (FindingKind.CORRUPT, "", Case(_offloaded_and(_rotten_on_b))),
    "altered": (FindingKind.ALTERED, "", Case(_offloaded_and(_altered_on_b))),
    "stale": (FindingKind.STALE, "", Case(_offloaded_and(_older_on_b))),
    "misplaced": (FindingKind.MISPLACED, "", Case(_offloaded_and(_moved_on_b))),
    "stray": (FindingKind.STRAY, "", Case(_offloaded_and(_stray_on_a))),
    "corrupt, away": (
        FindingKind.CORRUPT,
        "",
        Case(_offloaded_and(_away_after(_rotten_on_b)), {"connect drive B": _plug("B")}),
    ),
    "no copy": (FindingKind.UNDER_REPLICATED, "no verified copy", CARD["no copy"]),
    "one copy": (FindingKind.UNDER_REPLICATED, "one verified", Case(_offloaded_and(_nothing, "--drive", "A"))),
    "one copy, the other drive away": (
        FindingKind.UNDER_REPLICATED,
        "one verified",
        Case(
            _offloaded_without_b,
            {"Connect drive B": _plug("B")},
        ),
    ),
    "one copy, the other drive lost": (
        FindingKind.UNDER_REPLICATED,
        "one verified",
        Case(_offloaded_and(_lost_b)),
    ),
    "equal sidecars": (FindingKind.UNDER_REPLICATED, "equal sidecars", Case(_twins_owed)),
    "no copy after a repair": (
        FindingKind.UNDER_REPLICATED,
        "no verified copy",
        Case(_offloaded_and(_rotten_everywhere)),
    ),
    "overdue": (FindingKind.OVERDUE, "", Case(_long_ago)),
    "overdue, away": (
        FindingKind.OVERDUE,
        "drive B",
        Case(_away_after(_long_ago), {"Connect drive B": _plug("B")}),
    ),
}

FINDINGS_OF_A_PERSON = {FindingKind.DAMAGED_AT_SOURCE: "the card again, another reader, or accepting it"}


@pytest.mark.parametrize("name", FINDINGS)
def test_the_next_step_of_a_finding_helps(scene: Scene, name: str) -> None:
    kind, words, case = FINDINGS[name]
    case.make(scene)
    found = _finding(scene, kind, words)
    assert found is not None, scene.world.run("report").out
    scene.name, scene.path = "D", str(scene.world.folder("drive-d"))
    scene.number = str(found.get("number") or "")
    _take(scene, found["next_step"], case)
    assert _finding(scene, kind, words) is None, f"it did not help: {found['next_step']}"


def test_every_kind_of_finding_has_its_case_or_needs_a_person() -> None:
    assert {kind for kind, _, _ in FINDINGS.values()} | FINDINGS_OF_A_PERSON.keys() == set(FindingKind)
