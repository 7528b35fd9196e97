"""The game that every scenario plays: a prepared world, one question, one change at one call, and a judgement.

What is right is decided by bytes alone: the oracle of a scenario reads card and drives with plain calls.

A change after the last look began belongs to the next question, and then the question is asked again. What counts
as the last look is the scenario's to say; where there was none, the answer itself is the moment that counts.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from adversary_changes import Change, Scene
from adversary_scene import Kept, tree
from adversary_syscalls import Call, Tap
from blake3 import blake3
from world import World

from tripleguard.clock import SECOND
from tripleguard.places.reserved import RESERVED_DIR

NEVER = 1 << 60


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


class Question(Protocol):
    """What a ground has to know of its scenario. expects: the answer if nobody disturbs it."""

    @property
    def ask(self) -> Ask: ...
    @property
    def expects(self) -> str: ...


def by_command(*words: str) -> Ask:
    """Ask by a command; {card} stands for the card."""

    def ask(scene: Scene) -> Said:
        answer = scene.world.run(*(word.format(card=scene.card) for word in words))
        if "did not foresee" in answer.err:
            return Said("unforeseen", answer.err)
        return Said({0: "yes", 1: "no"}.get(answer.status, "refused"), answer.err)

    return ask


class Ground:
    """One scenario at one place on the disk, put back before every schedule.

    listed: the folder below the scene whose listing is a look at what the question is about. delay: ns from the
    preparation to the question. A subclass prepares the world, calls `keep`, and says what is right.
    """

    listed: str

    def __init__(self, root: Path, question: Question, delay: int = 0) -> None:
        self._question = question
        # Two seconds on, no name that holds a second is one of the preparation's.
        self._delay = delay + 2 * SECOND
        self._live = root / "live"
        self._live.mkdir(parents=True)
        self._spare = root / "spare"
        self._spare.mkdir()
        self._store = root / "kept"
        self._world = World(self._live)

    def keep(self, folder: Path | None = None) -> None:
        """Everything is prepared: keep it, or only that folder of it."""
        self._kept = Kept(folder or self._live, self._store)
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
            assert said.word in ("yes", self._question.expects), said
            return tap.calls

    def play(self, change: Change, at: Call, *, before: bool) -> Verdict:
        """One schedule."""
        with self.scene() as scene:
            tap = Tap(self._world.root, at, before=before, change=lambda: self.make(scene, change))
            said = self._asked(scene, tap)
            ended = time.monotonic()
            for child in scene.children:
                child.wait(60)
            verdict = self._judged(scene, change, tap, said, before=before)
            look = max(tap.seen.listed.get(self.listed, [0]))
            gap = ended - tap.seen.times[look] if look in tap.seen.times and said.word == "yes" else None
            return Verdict(verdict.word, verdict.why, gap, verdict.excused)

    def make(self, scene: Scene, change: Change) -> bool:
        """Make the change; False if it can't be made just now."""
        return change.make(scene)

    def lacking(self, scene: Scene) -> str:
        """Why a yes would be wrong now; '' if it would be right."""
        raise NotImplementedError

    def missed(self, scene: Scene, tap: Tap) -> str:
        """Why the yes of a run was wrong by what the run itself had seen; '' if it was not."""
        return ""

    def harm(self, scene: Scene, tap: Tap, *, before: bool) -> str:
        """What a run did that is wrong whatever it answered; '' if nothing."""
        return ""

    def last_look(self, scene: Scene, tap: Tap, of: str) -> int:
        """The moment at which the last look began; NEVER if there was none. of: what the change was about."""
        raise NotImplementedError

    def _asked(self, scene: Scene, tap: Tap) -> Said:
        tap.clock, tap.read_only = scene.tap.clock or self._delay, scene.tap.read_only
        scene.tap = tap
        with tap.on():
            return self._question.ask(scene)

    def _judged(self, scene: Scene, change: Change, tap: Tap, said: Said, *, before: bool) -> Verdict:
        if said.word == "unforeseen":
            return Verdict("unforeseen", said.text)
        if why := self.harm(scene, tap, before=before):
            return Verdict("wrong", why)
        if said.word != "yes" or not self.is_answer():
            return Verdict(said.word)
        if tap.fired is None:
            # The run took another way and the call never came; its yes is judged all the same.
            why = self.lacking(scene)
            return Verdict("wrong", why) if why else Verdict("not reached")
        # Where the answer had to be no from the start, nothing that happens makes a yes right.
        expected = self._question.expects == "yes"
        moment = self.last_look(scene, tap, change.of)
        if tap.fired > moment or (tap.fired == moment and not before):
            again = self._asked(scene, Tap(self._world.root))
            why = self.lacking(scene) if again.word == "yes" else ""
            if not why:
                return Verdict("yes", excused=True)
            # The question before has just read every copy, so the evidence is as young as can be.
            return wrong_or_rot(change, f"asked again: {why}", at_rest=expected)
        why = self.missed(scene, tap) or self.lacking(scene)
        at_rest = expected and is_at_rest(scene, change, tap)
        return wrong_or_rot(change, why, at_rest=at_rest) if why else Verdict("yes")

    def is_answer(self) -> bool:
        """Whether what is asked for is an answer; else a job, of which only `harm` can be wrong."""
        return True


def set_up(world: World, *names: str) -> None:
    """Folders on one disk as drives, which has to be allowed where the program asks for that."""
    for name in names:
        world.drives[name] = world.folder(f"drive-{name.lower()}")
    given = [word for name, path in world.drives.items() for word in ("--drive", f"{name}={path}")]
    answer = world.run("setup", *given, "--allow-same-disk")
    assert answer.status == 0, answer.err


def wrong_or_rot(change: Change, why: str, *, at_rest: bool) -> Verdict:
    """A yes that was wrong; rot at rest that leaves size and time as they were is counted apart."""
    apart = at_rest and change.unseen and change.of in ("drives", "others", "leaving")
    return Verdict("rot at rest" if apart else "wrong", why)


def is_at_rest(scene: Scene, change: Change, tap: Tap) -> bool:
    """Whether a change on a drive came before the run had looked at any copy there."""
    names = tuple(f"{scene.drive(name).name}/" for name in scene.world.drives if name in change.name.split(":")[0])
    looks = [at[0] for path, at in tap.seen.looked.items() if path.startswith(names) and is_picture(path)]
    return tap.fired is not None and all(tap.fired <= at for at in looks)


def latest_reading(tap: Tap, below: tuple[str, ...]) -> int:
    """When a picture below one of these folders was read last; 0 if none was."""
    return max(
        (moment for path, moment in tap.seen.read.items() if path.startswith(below) and is_picture(path)),
        default=0,
    )


def looks_at(tap: Tap, below: tuple[str, ...]) -> list[list[int]]:
    """The moments at which each picture below one of these folders was looked at."""
    return [at for path, at in tap.seen.looked.items() if path.startswith(below) and is_picture(path)]


def is_picture(path: str) -> bool:
    """Whether a path below the scene is one of the photographer's files."""
    return path.endswith((".DNG", ".dng", ".xmp")) and f"/{RESERVED_DIR}/" not in path


def held(root: Path) -> dict[bytes, frozenset[tuple[int, int]]]:
    """What lies below root, the program's own folder left out: digest to the inodes that hold it."""
    found: dict[bytes, frozenset[tuple[int, int]]] = {}
    for path, (content, _) in tree(root).items():
        if path.startswith(f"{RESERVED_DIR}/"):
            continue
        status = os.stat(root / path)
        digest = blake3(content).digest()
        found[digest] = found.get(digest, frozenset()) | {(status.st_dev, status.st_ino)}
    return found
