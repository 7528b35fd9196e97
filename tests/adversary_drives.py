"""Letting a drive go, and removing what lies in quarantine, while the drives change at every call.

Three drives hold the same pictures; A shall go. The oracle reads all drives with plain calls. A yes for A is wrong
if bytes lie on A that are not held on both other drives, in files of their own: only what the program had written
there itself before, and is still the same, is nobody's work. `retire` leaves A as it was. What an emptying removed
is wrong if its picture does not lie on two drives, or if it was somebody else's bytes by then.

What counts as the last look is as in `adversary_cards`: the last of at least two listings of the drive, after
everything was read; else the answer.
"""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from adversary_cards import NEVER, Said, Verdict, is_at_rest, set_up, wrong_or_rot
from adversary_changes import Change, Scene, rewritten, zeroed
from adversary_drive_changes import IN_QUARANTINE, ON_A, OTHERS
from adversary_scene import Kept, tree
from adversary_syscalls import Call, Tap
from blake3 import blake3
from world import CardFolder, World, is_own_beside

from tripleguard.clock import DAY, HOUR
from tripleguard.places.reserved import QUARANTINE_DIR, RESERVED_DIR

Ask = Callable[[Scene], Said]
_LOCK = f"{RESERVED_DIR}/lock"


def _by_command(*words: str) -> Ask:
    def ask(scene: Scene) -> Said:
        answer = scene.world.run(*words)
        if "did not foresee" in answer.err:
            return Said("unforeseen", answer.err)
        return Said({0: "yes", 1: "no"}.get(answer.status, "refused"), answer.err)

    return ask


CLEARANCE = _by_command("clearance", "drive", "A", "--json")
RETIRE = _by_command("retire", "A", "--json")
_EMPTY = ("aside", "empty", "--drive", "A", "--older-than", "0d", "--because", "it was mended", "--confirmed")
EMPTY = _by_command(*_EMPTY, "--json")
EMPTY_CHANGED = _by_command(*_EMPTY, "--changed-too", "--json")


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


def _mended(scene: Scene) -> None:
    """A copy on A rotted and was mended: the bad one lies in quarantine."""
    path = next(scene.pictures("A"))
    content = bytearray(path.read_bytes())
    content[5000] ^= 1
    rewritten(path, bytes(content), time_kept=True)
    assert scene.world.run("rescan", "--all").status == 1
    assert scene.world.run("mend").status == 0


def _edited_and_mended(scene: Scene) -> None:
    """Somebody changed a frame on A in place, and it was mended."""
    path = next(scene.pictures("A"))
    path.write_bytes(path.read_bytes() + b"edited")
    assert scene.world.run("rescan", "--all").status == 1
    assert scene.world.run("mend").status == 0


def _another_goes(scene: Scene) -> None:
    """Drive B was asked about first, and may go."""
    assert scene.world.run("clearance", "drive", "B").status == 0


SCENARIOS = (
    Scenario("clearance drive", _nothing, CLEARANCE, OTHERS + ON_A),
    Scenario("retire", _nothing, RETIRE, OTHERS + ON_A),
    Scenario("clearance drive, rot known", _rot_known, CLEARANCE, OTHERS + ON_A, expects="no"),
    Scenario("clearance drive, two months later", _nothing, CLEARANCE, OTHERS + ON_A, days=61, expects="no"),
    Scenario("clearance drive, work in quarantine", _edited_and_mended, CLEARANCE, OTHERS + ON_A, expects="no"),
    Scenario(
        "clearance drive, after a yes for B", _another_goes, CLEARANCE, OTHERS + ON_A, gone="B", expects="no"
    ),
    Scenario("aside empty", _mended, EMPTY, OTHERS + IN_QUARANTINE),
    Scenario("aside empty --changed-too", _edited_and_mended, EMPTY_CHANGED, OTHERS + IN_QUARANTINE),
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


class Ground:
    """One scenario at one place on the disk, put back before every schedule."""

    def __init__(self, root: Path, scenario: Scenario) -> None:
        live = root / "live"
        live.mkdir(parents=True)
        self.scenario = scenario
        self._spare = root / "spare"
        self._spare.mkdir()
        self._world = World(live)
        card = self._world.card()
        card.frames(3)
        card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x/>")
        CardFolder(self._spare).raw("frame.DNG", seed=7).rename(self._spare / "frame")
        set_up(self._world, "A", "B", "C")
        shutil.copytree(self._world.home, self._spare / "older-home")
        scene = Scene(self._world, self._spare, Tap(live))
        assert self._world.run("offload", card.root).status == 0
        scenario.prepare(scene)
        shutil.rmtree(card.root)
        self._tree = tree(scene.drive("A"))
        self._good = {path.name: path.read_bytes() for path in scene.pictures("C")}
        self._kept = Kept(live, root / "kept")
        self._kept.keep()

    @contextmanager
    def scene(self) -> Iterator[Scene]:
        """The prepared archive as it was."""
        self._kept.restore()
        yield Scene(self._world, self._spare, Tap(self._world.root))

    def close(self) -> None:
        """Nothing is needed besides the folder."""

    def trace(self) -> list[Call]:
        """The calls of a run that nobody disturbs."""
        with self.scene() as scene:
            tap = Tap(self._world.root, keep=True)
            said = self._asked(scene, tap)
            assert said.word in ("yes", self.scenario.expects), said
            return tap.calls

    def play(self, change: Change, at: Call, *, before: bool) -> Verdict:
        """One schedule."""
        with self.scene() as scene:
            watched = _Watched()

            def make() -> bool:
                place = scene.drive("A")
                watched.before = tree(place)
                made = change.make(scene)
                watched.after = tree(place)
                return made

            tap = Tap(self._world.root, at, before=before, change=make)
            said = self._asked(scene, tap)
            ended = time.monotonic()
            look = max(tap.seen.listed.get("drive-a", [0]))
            gap = ended - tap.seen.times[look] if look in tap.seen.times and said.word == "yes" else None
            verdict = self._judged(scene, change, tap, said, watched, before=before)
            return Verdict(verdict.word, verdict.why, gap, verdict.excused)

    def _asked(self, scene: Scene, tap: Tap) -> Said:
        tap.clock, tap.read_only = scene.tap.clock or self.scenario.days * DAY + HOUR, scene.tap.read_only
        scene.tap = tap
        with tap.on():
            return self.scenario.ask(scene)

    def _judged(
        self, scene: Scene, change: Change, tap: Tap, said: Said, watched: _Watched, *, before: bool
    ) -> Verdict:
        if said.word == "unforeseen":
            return Verdict("unforeseen", said.text)
        if self.scenario.ask in (EMPTY, EMPTY_CHANGED):
            why = self._removed(scene, tap, watched, before=before)
            return Verdict("wrong", why) if why else Verdict(said.word)
        if self.scenario.ask is RETIRE and (why := _written_to(scene, watched)):
            return Verdict("wrong", why)
        if said.word != "yes":
            return Verdict(said.word)
        if tap.fired is None:
            why = self._lacking(scene, watched)
            return Verdict("wrong", why) if why else Verdict("not reached")
        moment = _last_look(scene, tap, change.of)
        if tap.fired > moment or (tap.fired == moment and not before):
            again = self._asked(scene, Tap(self._world.root))
            why = self._lacking(scene, watched) if again.word == "yes" else ""
            if not why:
                return Verdict("yes", excused=True)
            return wrong_or_rot(change, f"asked again: {why}", at_rest=self.scenario.expects == "yes")
        why = self._lacking(scene, watched)
        # Where the answer had to be no from the start, nothing that happens makes a yes right.
        at_rest = self.scenario.expects == "yes" and is_at_rest(scene, change, tap)
        return wrong_or_rot(change, why, at_rest=at_rest) if why else Verdict("yes")

    def _lacking(self, scene: Scene, watched: _Watched) -> str:
        """What lies on A and not on both other drives; '' if nothing does."""
        place, touched = scene.drive("A"), watched.touched()
        if not place.exists():
            # Whoever pulled it out holds it in their hands all the same.
            place = next(scene.away.glob(f"{place.name}-*"))
        held = [_inodes(scene.drive(name)) for name in "BC" if name not in self.scenario.gone]
        here = frozenset().union(*_inodes(place).values())
        for path, (content, _) in sorted(tree(place).items()):
            # The program's own files, as they were or as this run wrote them.
            if _is_own(path) and path not in touched:
                continue
            found = [on.get(blake3(content).digest(), frozenset()) - here for on in held]
            if len(held) < 2 or not all(found) or len(frozenset().union(*found)) < 2:
                return f"{path} is not on both other drives"
        return ""

    def _removed(self, scene: Scene, tap: Tap, watched: _Watched, *, before: bool) -> str:
        """What the run removed and should have kept; '' if nothing."""
        place = f"{scene.drive('A').name}/"
        for path, moment in tap.seen.removed.items():
            below = path.removeprefix(place)
            if not below.startswith(f"{QUARANTINE_DIR}/") or not below.endswith(".DNG"):
                continue
            fired = tap.fired if tap.fired is not None and tap.fired <= moment else None
            if fired is not None and below in watched.touched():
                look = max((at for at in tap.seen.looked.get(path, []) if at < moment), default=NEVER)
                # Whoever says `--changed-too` speaks of all that was there when it was looked at first.
                meant = self.scenario.ask is EMPTY_CHANGED and fired <= min(tap.seen.looked.get(path, [0]))
                if not meant and (fired < look or (fired == look and before)):
                    return f"{below} was somebody's work and is removed"
            name = below.rpartition("/")[2]
            holders = frozenset().union(
                *(_inodes(scene.drive(one)).get(blake3(self._good[name]).digest(), frozenset()) for one in "ABC")
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


def _last_look(scene: Scene, tap: Tap, of: str) -> int:
    listings = tap.seen.listed.get("drive-a", [])
    drives = tuple(f"{place.name}/" for place in scene.world.drives.values())
    read = max(
        (at for path, at in tap.seen.read.items() if path.startswith(drives) and _is_picture(path)), default=0
    )
    if len(listings) < 2 or listings[-1] <= read:
        return NEVER
    if of != "others":
        return listings[-1]
    looks = [at for path, at in tap.seen.looked.items() if path.startswith(drives[1:]) and _is_picture(path)]
    look = min((at[-1] for at in looks), default=0)
    return min(listings[-1], look) if look > read and all(len(at) > 1 for at in looks) else listings[-1]


def _last_look_at(scene: Scene, tap: Tap, name: str, until: int) -> int:
    """When the copies of a picture were looked at last, each for itself; the earliest of these moments."""
    drives = tuple(f"{place.name}/" for place in scene.world.drives.values())
    looks = [
        max((at for at in moments if at <= until), default=0)
        for path, moments in tap.seen.looked.items()
        if path.startswith(drives) and path.endswith(f"/{name}") and f"/{RESERVED_DIR}/" not in path
    ]
    return min(looks, default=until)


def _is_picture(path: str) -> bool:
    return path.endswith((".DNG", ".xmp")) and f"/{RESERVED_DIR}/" not in path


def _inodes(root: Path) -> dict[bytes, frozenset[tuple[int, int]]]:
    """What lies on a drive under final names: digest to the inodes that hold it."""
    found: dict[bytes, frozenset[tuple[int, int]]] = {}
    for path, (content, _) in tree(root).items():
        if path.startswith(f"{RESERVED_DIR}/"):
            continue
        status = os.stat(root / path)
        digest = blake3(content).digest()
        found[digest] = found.get(digest, frozenset()) | {(status.st_dev, status.st_ino)}
    return found
