"""The commands of a tour: each is run in this process, and held to what must be true of every command."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

from tour_system import SimulatedSystem, Trigger
from tour_world import CARDS, CardState, TourError, TourWorld
from world import Answer, World

UNFORESEEN = ("did not foresee", "Traceback")


class TourCommands:
    """Runs commands in a world, and judges their answers by what the oracle knows."""

    def __init__(self, world: TourWorld) -> None:
        self.w = world
        self.log: list[str] = []
        self.home = "home"
        self.file_system = "ext4"
        self.unknown: set[str] = set()
        self._frozen = world.root / "frozen"

    # Commands

    def command(self, *words: str, trigger: Trigger | None = None, removes: bool = False) -> Answer:
        """Run one command and hold it to what must be true of every command."""
        world = self.w
        before = self.holdings()
        cards = [self._card_state(card) for card in world.cards]
        system = self.system(trigger)
        with system.on():
            answer = world.world.run(*words)
        system.settle()
        fired = f" ({trigger})" if system.has_fired else ""
        self.log.append(f"{' '.join(words)} -> {answer.status}{fired}")
        if not system.off and any(word in answer.err for word in UNFORESEEN):
            raise TourError(f"`{' '.join(words)}` broke: {answer.err.strip()}")
        if [self._card_state(card) for card in world.cards] != cards:
            raise TourError(f"`{' '.join(words)}` changed a card")
        if not removes:
            self.nothing_removed(" ".join(words), before)
        return Answer(3, "", "the power was cut") if system.off else answer

    def system(self, trigger: Trigger | None) -> SimulatedSystem:
        """Return the operating system of the next command; media lose what was not flushed if the power goes."""
        loses = trigger is not None and trigger.fault in ("cut", "lag", "pull")
        media = tuple(self.w.drives[name].name for name in self.w.plugged()) if loses else ()
        system = SimulatedSystem(self.w.root, self.home, trigger, media, self._frozen)
        system.clock = self.w.offset
        system.file_system = self.file_system
        return system

    def holdings(self) -> dict[str, set[bytes]]:
        return {name: set(self.w.files(name).values()) for name in self.w.in_bag()}

    def nothing_removed(self, words: str, before: dict[str, set[bytes]]) -> None:
        """No command takes bytes from a drive: what is bad is moved to quarantine."""
        for name, digests in before.items():
            if lost := digests - set(self.w.files(name).values()):
                what = ", ".join(sorted(self.w.shot.get(one, "other bytes") for one in lost))
                raise TourError(f"`{words}` took the last copy of {what} from drive {name}")

    def _card_state(self, card: CardState) -> dict[str, tuple[bytes, int]]:
        return {
            path: (digest, (card.root / path).stat().st_mtime_ns) for path, digest in self.w.on_card(card).items()
        }

    def _judge_card(self, card: CardState, answer: Answer, words: tuple[str, ...]) -> bool:
        """Whether the answer is a yes; raises TourError if that is wrong."""
        clearance = json_of(answer)
        clearance = clearance.get("clearance", clearance)
        is_yes = answer.status == 0 and clearance.get("answer") == "yes"
        if (clearance.get("answer") == "yes") != (answer.status == 0):
            raise TourError(
                f"`{' '.join(words)}`: status {answer.status}, and the answer is {clearance.get('answer')}"
            )
        card.cleared = None
        if is_yes:
            on_card = self.w.on_card(card)
            if not on_card:
                raise TourError("a yes for an empty card")
            if why := self.w.lacking(on_card, self.w.plugged()):
                raise TourError(f"`{' '.join(words)}` said yes, and {why}")
            card.cleared = frozenset(on_card.values())
        return is_yes

    def _ask_card(self, card: CardState, *verb: str, wipe: bool, trigger: Trigger | None = None) -> Answer:
        words = (*verb, str(card.root), "--json")
        answer = self.command(*words, trigger=trigger)
        if self._judge_card(card, answer, words) and wipe:
            self.w.reformat(card)
        return answer

    # What a step is about

    def _card(self, number: str) -> CardState:
        return self.w.cards[int(number) % len(self.w.cards)]

    @staticmethod
    def _drive(drive: str, names: list[str]) -> str | None:
        return drive if drive in names else None

    def _some(self, drive: str, names: list[str]) -> list[str]:
        return [drive] if drive in names else []

    def _contents(self, card: CardState) -> list[tuple[str, bytes]]:
        return [(path, (card.root / path).read_bytes()) for path in sorted(self.w.on_card(card))]

    def _picture(self, drive: str, number: str) -> list[tuple[str, str]]:
        """A picture on a drive that exists: none or one."""
        if drive not in self.w.in_bag():
            return []
        paths = sorted(
            path for path in self.w.files(drive) if path.endswith(".DNG") and not path.startswith(".tripleguard/")
        )
        return [(drive, paths[int(number) % len(paths)])] if paths else []


def json_of(answer: Answer) -> dict[str, Any]:
    """Return the object that a command printed; empty if it printed none."""
    try:
        found: dict[str, Any] = json.loads(answer.out)
    except ValueError:
        return {}
    return found


def prepare_template(root: Path, store: Path) -> None:
    """Keep at store a home with the drives A and B, as `setup` leaves them at root."""
    world = World(root)
    with SimulatedSystem(root, "home", None, (), store).on():
        world.setup("A", "B")
    cards = json.dumps([str(root / name) for name in CARDS])
    world.settings(f"[watch]\nlook_at = []\nlook_also = {cards}\n")
    shutil.copytree(root, store)
