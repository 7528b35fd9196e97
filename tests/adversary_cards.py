"""The questions about a card, from prepared states, and whether a yes was right.

A scenario is a prepared world and a question: `offload`, `clearance card`, or the watch's own task for a card.
What is right is decided by bytes alone: the oracle reads the card and both drives with plain calls.

The last look is the last listing of the card, if no byte of the card was read after it. Where every copy on the
drives was looked at after everything was read, that look counts as part of it.
"""

from __future__ import annotations

import os
import shutil
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from adversary_changes import FRAME, LONG, Scene, rewritten, zeroed
from adversary_ground import NEVER, Ask, Ground, Said, by_command, held, latest_reading, looks_at, set_up
from adversary_syscalls import Call, Tap
from blake3 import blake3
from world import CardFolder, TestClock, finished

from tripleguard.clock import HOUR
from tripleguard.errors import TripleguardError
from tripleguard.watch.card_tasks import process_card
from tripleguard.watch.queue import TaskKind, WatchTask


class TappedClock(TestClock):
    """The machine's clock, as the tap lets it be seen."""

    def now(self) -> int:
        return time.time_ns()


Prepare = Callable[[Scene, CardFolder], None]


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


class CardGround(Ground):
    """A scenario about the card below the scene."""

    listed = "card"

    def __init__(self, root: Path, scenario: Scenario) -> None:
        super().__init__(root, scenario, scenario.hours * HOUR)
        card = self._world.card()
        fill(card, self._spare)
        set_up(self._world, "A", "B")
        shutil.copytree(self._world.home, self._spare / "older-home")
        scenario.prepare(Scene(self._world, self._spare, Tap(self._live)), card)
        self.keep()

    def lacking(self, scene: Scene) -> str:
        return lacking(scene)

    def missed(self, scene: Scene, tap: Tap) -> str:
        """A file that the run saw on the card and that is not there any more."""
        gone = [path for path in tap.seen.names if path.startswith("card/") and not (self._live / path).exists()]
        return f"{min(gone)} was seen and is gone" if gone else ""

    def last_look(self, scene: Scene, tap: Tap, of: str) -> int:
        card = max(tap.seen.listed.get("card", [0]))
        read = latest_reading(tap, ("card/",))
        if card <= read:
            return NEVER
        if of != "drives":
            return card
        drives = tuple(f"{place.name}/" for place in scene.world.drives.values())
        read = max(read, latest_reading(tap, drives))
        look = min((moments[-1] for moments in looks_at(tap, drives)), default=0)
        return min(card, look) if look > read else card


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
    on_drives = [held(scene.drive(name)) for name in scene.world.drives]
    for path in sorted(scene.card.rglob("*")):
        if not path.is_file():
            continue
        digest = blake3(path.read_bytes()).digest()
        found = [on.get(digest, frozenset()) for on in on_drives]
        if sum(bool(one) for one in found) < 2 or len(frozenset().union(*found)) < 2:
            return f"{path.relative_to(scene.card)} is not on two drives"
    return ""
