"""Letting a drive go, and removing what lies in quarantine, while the drives change at every call.

Three drives hold the same pictures; A shall go. The oracle reads all drives with plain calls. A yes for A is wrong
if bytes lie on A that are not held on both other drives, in files of their own: only what the program had written
there itself before, and is still the same, is nobody's work. `retire` leaves A as it was. What an emptying removed
is wrong if its picture does not lie on two drives, or if it was somebody else's bytes by then.

The last look is the last of at least two listings of the drive, after everything was read.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from adversary_changes import Change, Scene, rewritten, zeroed
from adversary_drive_changes import IN_QUARANTINE, ON_A, OTHERS
from adversary_ground import NEVER, Ask, Ground, Verdict, by_command, held, latest_reading, looks_at, set_up
from adversary_scene import tree
from adversary_syscalls import Call, Tap
from blake3 import blake3
from world import CardFolder, is_own_beside

from tripleguard.clock import DAY, HOUR
from tripleguard.places.reserved import QUARANTINE_DIR, RESERVED_DIR

CLEARANCE = by_command("clearance", "drive", "A", "--json")
RETIRE = by_command("retire", "A", "--json")
_EMPTY = (
    "quarantine",
    "empty",
    "--drive",
    "A",
    "--older-than",
    "0d",
    "--because",
    "it was repaired",
    "--confirmed",
)
EMPTY = by_command(*_EMPTY, "--json")
EMPTY_CHANGED = by_command(*_EMPTY, "--changed-too", "--json")


_LOCK = f"{RESERVED_DIR}/lock"


@dataclass(frozen=True)
class Scenario:
    """A prepared archive on three drives, and what is asked for.

    days: how long after its preparation. gone: drives that were let go by an earlier yes. expects: the answer.
    """

    name: str
    prepare: Callable[[Scene], None]
    ask: Ask
    changes: tuple[Change, ...]
    days: int = 0
    gone: str = ""
    expects: str = "yes"


def _nothing(scene: Scene) -> None:
    """All is as the offload left it."""


def _rot_known(scene: Scene) -> None:
    shutil.rmtree(scene.spare / "older-home")
    shutil.copytree(scene.world.home, scene.spare / "older-home")
    zeroed(list(scene.pictures("B"))[1])
    assert scene.world.run("rescan", "--place", "B", "--all").status == 1


def _repaired(scene: Scene) -> None:
    """A copy on A rotted and was repaired: the bad one lies in quarantine."""
    path = next(scene.pictures("A"))
    content = bytearray(path.read_bytes())
    content[5000] ^= 1
    rewritten(path, bytes(content), time_kept=True)
    assert scene.world.run("rescan", "--all").status == 1
    assert scene.world.run("repair").status == 0


def _edited_and_repaired(scene: Scene) -> None:
    """Somebody changed a frame on A in place, and it was repaired."""
    path = next(scene.pictures("A"))
    path.write_bytes(path.read_bytes() + b"edited")
    assert scene.world.run("rescan", "--all").status == 1
    assert scene.world.run("repair").status == 0


def _another_goes(scene: Scene) -> None:
    """Drive B was asked about first, and may go."""
    assert scene.world.run("clearance", "drive", "B").status == 0


SCENARIOS = (
    Scenario("clearance drive", _nothing, CLEARANCE, OTHERS + ON_A),
    Scenario("retire", _nothing, RETIRE, OTHERS + ON_A),
    Scenario("clearance drive, rot known", _rot_known, CLEARANCE, OTHERS + ON_A, expects="no"),
    Scenario("clearance drive, two months later", _nothing, CLEARANCE, OTHERS + ON_A, days=61, expects="no"),
    Scenario("clearance drive, work in quarantine", _edited_and_repaired, CLEARANCE, OTHERS + ON_A, expects="no"),
    Scenario(
        "clearance drive, after a yes for B", _another_goes, CLEARANCE, OTHERS + ON_A, gone="B", expects="no"
    ),
    Scenario("quarantine empty", _repaired, EMPTY, OTHERS + IN_QUARANTINE),
    Scenario("quarantine empty --changed-too", _edited_and_repaired, EMPTY_CHANGED, OTHERS + IN_QUARANTINE),
)

Tree = dict[str, tuple[bytes, int]]


@dataclass
class _Watched:
    """A's content when the change was made: just before and just after."""

    before: Tree = field(default_factory=dict)
    after: Tree = field(default_factory=dict)

    def touched(self) -> dict[str, bytes]:
        """What the change put on A: path to bytes."""
        return {path: one[0] for path, one in self.after.items() if self.before.get(path) != one}


class DriveGround(Ground):
    """A scenario about drive A, which shall go, or about what lies in quarantine there."""

    listed = "drive-a"

    def __init__(self, root: Path, scenario: Scenario) -> None:
        super().__init__(root, scenario, scenario.days * DAY + HOUR)
        self.scenario = scenario
        self._watched = _Watched()
        card = self._world.card()
        card.frames(3)
        card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x/>")
        CardFolder(self._spare).raw("frame.DNG", seed=7).rename(self._spare / "frame")
        set_up(self._world, "A", "B", "C")
        shutil.copytree(self._world.home, self._spare / "older-home")
        scene = Scene(self._world, self._spare, Tap(self._live))
        assert self._world.run("offload", card.root).status == 0
        scenario.prepare(scene)
        shutil.rmtree(card.root)
        self._good = {path.name: path.read_bytes() for path in scene.pictures("C")}
        self.keep()

    def play(self, change: Change, at: Call, *, before: bool) -> Verdict:
        self._watched = _Watched()
        return super().play(change, at, before=before)

    def make(self, scene: Scene, change: Change) -> bool:
        place = scene.drive("A")
        self._watched.before = tree(place)
        made = change.make(scene)
        self._watched.after = tree(place)
        return made

    def is_answer(self) -> bool:
        return self.scenario.ask not in (EMPTY, EMPTY_CHANGED)

    def harm(self, scene: Scene, tap: Tap, *, before: bool) -> str:
        if not self.is_answer():
            return self._removed(scene, tap, before=before)
        return _written_to(scene, self._watched) if self.scenario.ask is RETIRE else ""

    def last_look(self, scene: Scene, tap: Tap, of: str) -> int:
        listings = tap.seen.listed.get(self.listed, [])
        drives = tuple(f"{place.name}/" for place in scene.world.drives.values())
        read = latest_reading(tap, drives)
        if len(listings) < 2 or listings[-1] <= read:
            return NEVER
        looks = looks_at(tap, drives[1:])
        look = min((moments[-1] for moments in looks), default=0)
        if of != "others" or look <= read or any(len(moments) < 2 for moments in looks):
            return listings[-1]
        return min(listings[-1], look)

    def lacking(self, scene: Scene) -> str:
        """What lies on A and not on both other drives; '' if nothing does."""
        place, touched = scene.drive("A"), self._watched.touched()
        if not place.exists():
            # Whoever pulled it out holds it in their hands all the same.
            place = next(scene.away.glob(f"{place.name}-*"))
        others = [held(scene.drive(name)) for name in "BC" if name not in self.scenario.gone]
        here = frozenset().union(*held(place).values())
        for path, (content, _) in sorted(tree(place).items()):
            # The program's own files, as they were or as this run wrote them.
            if _is_own(path) and path not in touched:
                continue
            found = [on.get(blake3(content).digest(), frozenset()) - here for on in others]
            if len(others) < 2 or not all(found) or len(frozenset().union(*found)) < 2:
                return f"{path} is not on both other drives"
        return ""

    def _removed(self, scene: Scene, tap: Tap, *, before: bool) -> str:
        """What the run removed and should have kept; '' if nothing."""
        place = f"{scene.drive('A').name}/"
        for path, moment in tap.seen.removed.items():
            below = path.removeprefix(place)
            if not below.startswith(f"{QUARANTINE_DIR}/") or not below.endswith(".DNG"):
                continue
            if tap.fired is not None and tap.fired > moment:
                continue  # What happens after a removal is no fault of it.
            fired = tap.fired
            if fired is not None and below in self._watched.touched():
                look = max((at for at in tap.seen.looked.get(path, []) if at < moment), default=NEVER)
                # Whoever says `--changed-too` speaks of all that was there when it was looked at first.
                meant = self.scenario.ask is EMPTY_CHANGED and fired <= min(tap.seen.looked.get(path, [0]))
                if not meant and (fired < look or (fired == look and before)):
                    return f"{below} was somebody's work and is removed"
            name = below.rpartition("/")[2]
            holders = frozenset().union(
                *(held(scene.drive(one)).get(blake3(self._good[name]).digest(), frozenset()) for one in "ABC")
            )
            if len(holders) < 2 and (fired is None or fired <= _last_look_at(scene, tap, name, moment)):
                return f"{below} is removed, and its picture lies in {len(holders)} files"
        return ""


def _is_own(path: str) -> bool:
    """Whether a path is one of the program's own; what lies in quarantine came from elsewhere."""
    if path.startswith(f"{QUARANTINE_DIR}/"):
        return not path.endswith((".DNG", ".xmp"))
    return path.startswith(f"{RESERVED_DIR}/") or is_own_beside(path)


def _written_to(scene: Scene, watched: _Watched) -> str:
    """What a run changed on the drive that goes, after the adversary did; its lock left out."""
    if not watched.after:
        return ""
    now = tree(scene.drive("A"))
    paths = sorted(path for path in {*now, *watched.after} if now.get(path) != watched.after.get(path))
    paths = [path for path in paths if path != _LOCK]
    return f"the drive was written to: {paths[0]}" if paths else ""


def _last_look_at(scene: Scene, tap: Tap, name: str, until: int) -> int:
    """When the copies of a picture were looked at last, each for itself; the earliest of these moments."""
    drives = tuple(f"{place.name}/" for place in scene.world.drives.values())
    looks = [
        max((at for at in moments if at <= until), default=0)
        for path, moments in tap.seen.looked.items()
        if path.startswith(drives) and path.endswith(f"/{name}") and f"/{RESERVED_DIR}/" not in path
    ]
    return min(looks, default=until)
