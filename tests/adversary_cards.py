"""The questions about a card, from prepared states, and whether a yes was right.

A scenario is a prepared world and a question: `offload`, `clearance card`, or the watch's own task for a card.
What is right is decided by bytes alone: the oracle reads the card and both drives with plain calls.

A change after the last look began belongs to the next question, and then the question is asked again. The last
look is the last listing of the card, if no byte of the card was read after it; else there was none, and the answer
itself is the moment that counts. Where every copy on the drives was looked at after everything was read, that look
counts as part of it.
"""

from __future__ import annotations

import os
import shutil
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from adversary_changes import FRAME, LONG, Change, Scene, older_home, rewritten, zeroed
from adversary_scene import Kept
from adversary_syscalls import Call, Tap
from blake3 import blake3
from world import CardFolder, TestClock, World, finished

from tripleguard.clock import HOUR
from tripleguard.errors import TripleguardError
from tripleguard.watch.card_tasks import process_card
from tripleguard.watch.queue import TaskKind, WatchTask

NEVER = 1 << 60


class TappedClock(TestClock):
    """The machine's clock, as the tap lets it be seen."""

    def now(self) -> int:
        return time.time_ns()


@dataclass(frozen=True)
class Said:
    """What a question was answered with: yes, no, refused (a message, and no answer), or unforeseen (a crash)."""

    word: str
    text: str


@dataclass(frozen=True)
class Verdict:
    """How one schedule ended. word: yes, no, refused, unforeseen, wrong, rot at rest, or not reached.

    gap: s from the last look to the answer. excused: the change belonged to the next question.
    """

    word: str
    why: str = ""
    gap: float | None = None
    excused: bool = False


Ask = Callable[[Scene], Said]
Prepare = Callable[[Scene, CardFolder], None]


def by_command(*words: str) -> Ask:
    """Ask by a command; {card} stands for the card."""

    def ask(scene: Scene) -> Said:
        answer = scene.world.run(*(word.format(card=scene.card) for word in words))
        if "did not foresee" in answer.err:
            return Said("unforeseen", answer.err)
        return Said({0: "yes", 1: "no"}.get(answer.status, "refused"), answer.err)

    return ask


def by_the_watch(scene: Scene) -> Said:
    """Plug the card in while a watch runs: its task for cards."""
    try:
        with scene.world.ctx(TappedClock()) as ctx:
            ended = finished(process_card(ctx, WatchTask(TaskKind.CARD, str(scene.card))))
    except TripleguardError as error:
        return Said("refused", str(error))
    except Exception as error:  # noqa: BLE001 - the outer edge of a task: what the watch would report as unforeseen
        return Said("unforeseen", repr(error))
    yes = ended.card is not None and ended.card.is_yes and str(ended.status) == "done"
    return Said("yes" if yes else "no", ended.message)


OFFLOAD = by_command("offload", "{card}", "--json")
CLEARANCE = by_command("clearance", "card", "{card}", "--json")


@dataclass(frozen=True)
class Scenario:
    """A prepared world and a question. hours: how long after its preparation it is asked. expects: the answer."""

    name: str
    prepare: Prepare
    ask: Ask
    hours: int = 0
    expects: str = "yes"


def _nothing(scene: Scene, card: CardFolder) -> None:
    """A fresh card."""


def offloaded(scene: Scene, card: CardFolder) -> None:
    """A card that was offloaded and answered with yes."""
    said = OFFLOAD(scene)
    assert said.word == "yes", said


def _interrupted(scene: Scene, card: CardFolder) -> None:
    """A card whose offload was stopped after some files."""
    third = Call("open", f"card/{LONG}", 1)

    def stop() -> bool:
        os.kill(os.getpid(), signal.SIGINT)
        return True

    with Tap(scene.world.root, third, change=stop).on():
        said = OFFLOAD(scene)
    assert said.word == "refused", said


def _rotted_since(scene: Scene, card: CardFolder) -> None:
    offloaded(scene, card)
    for path in scene.pictures("B"):
        zeroed(path)


def _rot_known(scene: Scene, card: CardFolder) -> None:
    """A copy on B rotted and a rescan found it; an older copy of the home knows nothing of that."""
    offloaded(scene, card)
    shutil.rmtree(scene.spare / "older-home")
    shutil.copytree(scene.world.home, scene.spare / "older-home")
    zeroed(list(scene.pictures("B"))[1])
    assert scene.world.run("rescan", "--place", "B", "--all").status == 1


def _served(scene: Scene, card: CardFolder) -> None:
    assert by_the_watch(scene).word == "yes"


SCENARIOS = (
    Scenario("clearance card, offloaded", offloaded, CLEARANCE),
    Scenario("offload, fresh", _nothing, OFFLOAD),
    Scenario("offload, offloaded before", offloaded, OFFLOAD),
    Scenario("offload, resumed", _interrupted, OFFLOAD),
    Scenario("watch, fresh", _nothing, by_the_watch),
    Scenario("watch, answered before", _served, by_the_watch),
    Scenario("clearance card, rotted a day later", _rotted_since, CLEARANCE, hours=25, expects="no"),
    Scenario("offload, rotted a day later", _rotted_since, OFFLOAD, hours=25, expects="no"),
    Scenario("clearance card, rot known", _rot_known, CLEARANCE, expects="no"),
)


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
        fill(card, self._spare)
        set_up(self._world, "A", "B")
        shutil.copytree(self._world.home, self._spare / "older-home")
        scene = Scene(self._world, self._spare, Tap(live))
        scenario.prepare(scene, card)
        self._kept = Kept(live, root / "kept")
        self._kept.keep()

    @contextmanager
    def scene(self) -> Iterator[Scene]:
        """The prepared world as it was."""
        self._kept.restore()
        scene = Scene(self._world, self._spare, Tap(self._world.root))
        try:
            yield scene
        finally:
            for child in scene.children:
                child.wait(60)

    def close(self) -> None:
        """Take away what the scenario needed besides its folder."""

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
            tap = Tap(self._world.root, at, before=before, change=lambda: change.make(scene))
            said = self._asked(scene, tap)
            ended = time.monotonic()
            verdict = self._judged(scene, change, tap, said, before=before)
            look = _last_listing(tap)
            gap = ended - tap.seen.times[look] if look in tap.seen.times and said.word == "yes" else None
            return Verdict(verdict.word, verdict.why, gap, verdict.excused)

    def _asked(self, scene: Scene, tap: Tap) -> Said:
        clock, tap.read_only = scene.tap.clock, scene.tap.read_only
        tap.clock = clock or self.scenario.hours * HOUR
        scene.tap = tap
        with tap.on():
            return self.scenario.ask(scene)

    def _judged(self, scene: Scene, change: Change, tap: Tap, said: Said, *, before: bool) -> Verdict:
        for child in scene.children:
            child.wait(60)
        if said.word != "yes":
            return Verdict(said.word, said.text if said.word == "unforeseen" else "")
        if tap.fired is None:
            # The run took another way and the call never came; its yes is judged all the same.
            why = lacking(scene)
            return Verdict("wrong", why) if why else Verdict("not reached")
        moment = last_look(scene, tap, change.of)
        if tap.fired > moment or (tap.fired == moment and not before):
            again = self._asked(scene, Tap(self._world.root))
            why = lacking(scene) if again.word == "yes" else ""
            if not why:
                return Verdict("yes", excused=True)
            # The question before has just read every copy, so the evidence is as young as can be.
            return wrong_or_rot(change, f"asked again: {why}", at_rest=True)
        why = shrunk(scene, tap) or lacking(scene)
        # Where the answer had to be no from the start, nothing that happens makes a yes right.
        at_rest = self.scenario.expects == "yes" and is_at_rest(scene, change, tap)
        return wrong_or_rot(change, why, at_rest=at_rest) if why else Verdict("yes")


def set_up(world: World, *names: str) -> None:
    """Folders on one disk as drives, which has to be allowed where the program asks for that."""
    for name in names:
        world.drives[name] = world.folder(f"drive-{name.lower()}")
    given = [word for name, path in world.drives.items() for word in ("--drive", f"{name}={path}")]
    answer = world.run("setup", *given, "--allow-same-disk")
    if answer.status == 2 and "No such option" in answer.err:
        answer = world.run("setup", *given)
    assert answer.status == 0, answer.err


def fill(card: CardFolder, spare: Path) -> None:
    """Four frames and a sidecar; beside them what may take their places."""
    card.frames(3)
    card.raw(LONG, size=200_000)
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x/>")
    frame = CardFolder(spare).raw("frame.DNG", seed=7)
    frame.rename(spare / "frame")
    other = spare / "other-card"
    shutil.copytree(card.root, other)
    content = bytearray((other / LONG).read_bytes())
    content[100_000:100_512] = bytes(512)
    rewritten(other / LONG, bytes(content), time_kept=True)
    assert (other / FRAME).stat().st_mtime_ns == (card.root / FRAME).stat().st_mtime_ns


def lacking(scene: Scene) -> str:
    """What on the card is not on two drives in files of their own; '' if nothing is."""
    if not scene.card.exists():
        return "the card is gone"
    held = [_held(scene, name) for name in scene.world.drives]
    for path in sorted(scene.card.rglob("*")):
        if not path.is_file():
            continue
        found = [on.get(blake3(path.read_bytes()).digest(), frozenset()) for on in held]
        if sum(bool(one) for one in found) < 2 or len(frozenset().union(*found)) < 2:
            return f"{path.relative_to(scene.card)} is not on two drives"
    return ""


def wrong_or_rot(change: Change, why: str, *, at_rest: bool) -> Verdict:
    """A yes that was wrong; rot at rest that leaves size and time as they were is counted apart."""
    apart = at_rest and change.unseen and change.of in ("drives", "others", "leaving")
    return Verdict("rot at rest" if apart else "wrong", why)


def is_at_rest(scene: Scene, change: Change, tap: Tap) -> bool:
    """Whether a change on a drive came before the run had looked at any copy there."""
    names = tuple(f"{scene.drive(name).name}/" for name in scene.world.drives if name in change.name.split(":")[0])
    looks = [at[0] for path, at in tap.seen.looked.items() if path.startswith(names) and _is_picture(path)]
    return tap.fired is not None and all(tap.fired <= at for at in looks)


def shrunk(scene: Scene, tap: Tap) -> str:
    """A file that the run saw on the card and that is not there any more; '' if there is none."""
    gone = [path for path in tap.seen.names if path.startswith("card/") and not (scene.world.root / path).exists()]
    return f"{min(gone)} was seen and is gone" if gone else ""


def last_look(scene: Scene, tap: Tap, of: str) -> int:
    """The moment at which the last look began; NEVER if nothing was looked at after the reading."""
    card = _last_listing(tap)
    read = _latest(tap.seen.read, "card/")
    if card <= read:
        return NEVER
    if of != "drives":
        return card
    drives = tuple(f"{place.name}/" for place in scene.world.drives.values())
    copies = [
        moments[-1] for path, moments in tap.seen.looked.items() if path.startswith(drives) and _is_picture(path)
    ]
    read = max(read, *(_latest(tap.seen.read, name) for name in drives))
    look = min(copies, default=0)
    return min(card, look) if look > read else card


def _last_listing(tap: Tap) -> int:
    return max(tap.seen.listed.get("card", [0]))


def _latest(moments: dict[str, int], below: str) -> int:
    return max(
        (moment for path, moment in moments.items() if path.startswith(below) and _is_picture(path)), default=0
    )


def _is_picture(path: str) -> bool:
    return path.endswith((".DNG", ".dng", ".xmp")) and "/.tripleguard/" not in path


def _held(scene: Scene, name: str) -> dict[bytes, frozenset[tuple[int, int]]]:
    """What a drive holds under final names: digest to the inodes that hold it."""
    found: dict[bytes, frozenset[tuple[int, int]]] = {}
    for path in scene.pictures(name):
        status = path.stat()
        digest = blake3(path.read_bytes()).digest()
        found[digest] = found.get(digest, frozenset()) | {(status.st_dev, status.st_ino)}
    return found


__all__ = ["SCENARIOS", "Ground", "Scenario", "Verdict", "older_home"]
