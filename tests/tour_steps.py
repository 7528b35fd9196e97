"""The steps of a tour: what a person does, what befalls the devices, and the commands, each checked by the oracle.

A step is a line of words, so that a tour can be printed, shortened and replayed. A step whose condition does not
hold does nothing. A fault that the rule can't bear does not happen: one medium at a time, repaired in between.
"""

from __future__ import annotations

import re
import shutil
import sqlite3
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path

from simulated_daemon import Run, SimulatedDaemon
from tour_commands import UNFORESEEN, TourCommands, json_of
from tour_system import FAULTS, Trigger
from tour_world import CardState, TourError
from world import TestClock

from tripleguard.clock import HOUR, SECOND
from tripleguard.errors import TripleguardError

_STEP = re.compile(r"`(?:tripleguard )?([a-z]+(?: [^`]*)?)`")
_FOLLOWED = frozenset(
    {"offload", "rescan", "repair", "topup", "clearance", "retire", "adopt", "drives", "rebuild"}
)
_PATIENCE = 4


class Tour(TourCommands):
    """One tour over a world; `run` plays steps."""

    def run(self, steps: Iterable[str]) -> None:
        """Play these steps and bring the tour to its end. Raises TourError."""
        for step in steps:
            verb, *words = step.split()
            getattr(self, f"do_{verb}")(*words)
            self.w.check()
        self.do_end()

    # The person

    def do_shoot(self, card: str, count: str) -> None:
        self.w.shoot(self._card(card), int(count))

    def do_twin(self, card: str, other: str) -> None:
        """A second card gets the names, sizes and times of the first one, and other pictures."""
        first, second = self._card(card), self._card(other)
        if first is second or self.w.on_card(second) or not first.number:
            return
        second.body, second.series, second.number = first.body, first.series + 1, 0
        self.w.shoot(second, first.number)

    def do_swap(self, card: str, other: str) -> None:
        """Two cards change places in the reader: each is found where the other one was."""
        first, second = self._card(card), self._card(other)
        if first is second:
            return
        spare = self.w.root / "spare-card"
        first.root.rename(spare)
        second.root.rename(first.root)
        spare.rename(second.root)
        for one in ("body", "number", "series", "cleared"):
            mine, theirs = getattr(first, one), getattr(second, one)
            setattr(first, one, theirs)
            setattr(second, one, mine)

    def do_offload(self, card: str, wipe: str = "") -> None:
        self._ask_card(self._card(card), "offload", wipe=bool(wipe))

    def do_clear(self, card: str, wipe: str = "") -> None:
        self._ask_card(self._card(card), "clearance", "card", wipe=bool(wipe))

    def do_unplug(self, drive: str) -> None:
        if (name := self._drive(drive, self.w.plugged())) is not None:
            self.w.unplug(name)

    def do_plug(self, drive: str) -> None:
        if (name := self._drive(drive, sorted(self.w.away))) is not None:
            self._plug(name)

    def _plug(self, name: str) -> None:
        """Connect a drive; a catalog that was made without it learns of it."""
        self.w.plug(name)
        if name in self.unknown:
            self.unknown.discard(name)
            self.command("drives", "add", name, str(self.w.drives[name]))

    def do_add(self) -> None:
        """A new drive from the shop."""
        name = next(one for one in "CDEFGH" if one not in self.w.drives)
        root = self.w.root / f"drive-{name.lower()}"
        root.mkdir()
        if self.command("drives", "add", name, str(root)).status == 0:
            self.w.drives[name] = self.w.world.drives[name] = root
        else:
            shutil.rmtree(root)

    def do_night(self, hours: str) -> None:
        self.w.offset += int(hours) * HOUR

    def do_rename(self, drive: str) -> None:
        """Rename a folder of pictures."""
        for name in self._some(drive, self.w.plugged()):
            folder = next((one for one in sorted(self.w.drives[name].glob("2*/*")) if one.is_dir()), None)
            if folder is not None and not folder.with_name(f"{folder.name} x").exists():
                folder.rename(folder.with_name(f"{folder.name} x"))

    def do_handcopy(self, card: str, drive: str) -> None:
        """Copy a card by hand, which stops in the middle of a file."""
        for name in self._some(drive, self.w.plugged()):
            folder = self.w.drives[name] / "by hand"
            folder.mkdir(exist_ok=True)
            for number, (path, whole) in enumerate(self._contents(self._card(card))[:2]):
                content = whole[: 30_000 if number else None]
                target = folder / Path(path).name
                if not target.exists():
                    target.write_bytes(content)
                    self.w.known.add(self.w._digest(str(target)))

    def do_sidecar(self, drive: str, number: str) -> None:
        """An editor saves a sidecar beside a picture."""
        for name, path in self._picture(drive, number):
            target = (self.w.where(name) / path).with_suffix(".xmp")
            self.w._digests.pop(str(target), None)
            target.write_text(f"<x:xmpmeta n='{self.w.now()}'/>")
            self.w.known.add(self.w._digest(str(target)))

    def do_backup(self) -> None:
        shutil.rmtree(self.w.root / "home-backup", ignore_errors=True)
        shutil.copytree(self.w.world.home, self.w.root / "home-backup")

    def do_restore(self) -> None:
        """The laptop comes back from its backup."""
        if (self.w.root / "home-backup").exists():
            shutil.rmtree(self.w.world.home)
            shutil.copytree(self.w.root / "home-backup", self.w.world.home)

    def do_laptop(self) -> None:
        """Go on with the other laptop, which began as a copy of the first one."""
        other = self.w.root / "home-other"
        if not other.exists():
            shutil.copytree(self.w.world.home, other)
        self.w.world.home.rename(self.w.root / "home-swap")
        other.rename(self.w.world.home)
        (self.w.root / "home-swap").rename(other)

    def do_stolen(self) -> None:
        """The laptop is gone; a new one learns from the drives what there is."""
        home = self.w.world.home
        settings = (home / "settings.toml").read_text()
        shutil.rmtree(home)
        home.mkdir()
        (home / "settings.toml").write_text(settings)
        self.unknown = set(self.w.away)
        self.command("rebuild", *(str(self.w.drives[name]) for name in self.w.plugged()))

    def do_squat(self, card: str, drive: str) -> None:
        """Half a file lies under the very name that an offload will want."""
        one = self._card(card)
        for name in self._some(drive, self.w.plugged()):
            for path, content in self._contents(one):
                folder = self.w.drives[name] / f"2026/2026-06-13 untitled/Orrery R7 001{one.body}"
                folder.mkdir(parents=True, exist_ok=True)
                target = folder / Path(path).name
                if not target.exists():
                    target.write_bytes(content[:30_000])
                    self.w.known.add(self.w._digest(str(target)))
                    return

    def do_empty(self, drive: str) -> None:
        """Remove what is in quarantine on a drive: no picture may lose its last bytes by that."""
        name = self._drive(drive, self.w.plugged())
        if name is None:
            return
        before = set(self.w.files(name).values()) & set(self.w.shot)
        words = ("--older-than", "0d", "--because", "it was repaired", "--confirmed")
        self.command("quarantine", "empty", "--drive", name, *words, removes=True)
        for digest in before - set(self.w.files(name).values()):
            if len(self.w.holders(digest)) < 2:
                raise TourError(f"`quarantine empty` removed {self.w.shot[digest]}, which two drives don't hold")

    def do_clone(self, drive: str) -> None:
        """A copy of a drive, made by a disk tool; the next time the two change places."""
        for name in self._some(drive, self.w.plugged()):
            self.w.swap_clone(name)

    def do_watch(self, hours: str, *, trigger: Trigger | None = None) -> None:
        """The daemon runs for some hours; what it says of cards is acted upon."""
        clock = TestClock(self.w.now(), UTC)
        until = datetime.fromtimestamp((clock.at + int(hours) * HOUR) // SECOND, UTC)
        before = self.holdings()
        system = self.system(trigger)
        runs: list[Run] = []
        with system.on():
            try:
                with self.w.world.ctx(clock) as ctx:
                    runs = SimulatedDaemon(self.w.world, ctx, clock).run(until.strftime("%Y-%m-%dT%H:%M:%S"))
            except TripleguardError as error:
                self.log.append(f"the watch ended: {error}")
            except (OSError, sqlite3.Error) as error:
                if not system.off:
                    raise TourError(f"the watch broke: {error!r}") from error
        system.settle()
        self.w.offset += int(hours) * HOUR
        self.log.append(f"watch {hours} -> {len(runs)} tasks" + (f" ({trigger})" if system.has_fired else ""))
        self.nothing_removed("watch", before)
        if system.off:
            return
        answers = {run.result.task.subject: run.result for run in runs if run.result.card is not None}
        for run in runs:
            if any(word in run.result.message for word in UNFORESEEN):
                raise TourError(f"the watch broke: {run.result.message}")
        for card in self.w.cards:
            result = answers.get(str(card.root))
            if result is not None and result.card is not None and result.card.is_yes:
                on_card = self.w.on_card(card)
                if why := self.w.lacking(on_card, self.w.plugged()):
                    raise TourError(f"the watch said yes, and {why}")
                card.cleared = frozenset(on_card.values())
                self.w.reformat(card)

    # What befalls the drives

    def do_exfat(self) -> None:
        """From now on the media are such as keep no time of the last change, which would betray a change."""
        self.file_system = "exfat"

    def do_rot(self, drive: str, number: str) -> None:
        for name, path in self._picture(drive, number):
            if self.w.can_bear(name):
                self.w.rot(name, path, 1000 + 13 * int(number))

    def do_resave(self, drive: str, number: str) -> None:
        """An editor rewrites an original in place."""
        for name, path in self._picture(drive, number):
            if self.w.can_bear(name):
                file = self.w.where(name) / path
                file.write_bytes(file.read_bytes() + b"edited")
                self.w.known.add(self.w._digest(str(file)))

    def do_truncate(self, drive: str, number: str) -> None:
        for name, path in self._picture(drive, number):
            if self.w.can_bear(name):
                file = self.w.where(name) / path
                file.write_bytes(file.read_bytes()[:20_000])
                self.w.known.add(self.w._digest(str(file)))

    def do_delete(self, drive: str, number: str) -> None:
        for name, path in self._picture(drive, number):
            if self.w.can_bear(name):
                (self.w.where(name) / path).unlink()

    def do_lose(self, drive: str) -> None:
        """A drive is lost; the person says so, and buys another one."""
        name = self._drive(drive, self.w.in_bag())
        if name is None or not self.w.can_bear(name):
            return
        self.w.lose(name)
        self.command("drives", "lost", name)
        self.do_add()

    # Maintenance

    def do_rescan(self, how: str = "--all") -> None:
        self.command("rescan", how)

    def do_repair(self) -> None:
        self.command("repair")

    def do_topup(self) -> None:
        self.command("topup")

    def do_maintain(self) -> None:
        """An evening of care: everything is read, what is bad is put right, what is owed is copied."""
        if self.command("rescan", "--all").status != 0:
            self.command("repair")
        self.command("topup")

    def do_retire(self, drive: str, verb: str = "retire") -> None:
        """Ask whether a drive may go; after a yes it is reformatted."""
        name = self._drive(drive, self.w.plugged())
        if name is None:
            return
        words = ("retire", name, "--json") if verb == "retire" else ("clearance", "drive", name, "--json")
        answer = self.command(*words)
        if answer.status != 0:
            return
        mine = {path: digest for path, digest in self.w.files(name).items() if digest in self.w.shot}
        others = [one for one in self.w.plugged() if one != name]
        if why := self.w.lacking(mine, others):
            raise TourError(f"`{' '.join(words)}` said yes, and {why}")
        self.w.lose(name)

    # Commands that are disturbed

    def do_disturb(self, fault: str, drive: str, group: str, number: str, *words: str) -> None:
        """A fault at a call of a command: `disturb cut B write 3 offload 0`."""
        names = self.w.plugged()
        name = self._drive(drive, names)
        if name is None or fault not in FAULTS:
            return
        trigger = Trigger(fault, self.w.drives[name].name, group, int(number))
        verb = words[0]
        if verb in ("offload", "clear"):
            asked = ("offload",) if verb == "offload" else ("clearance", "card")
            self._ask_card(self._card(words[1]), *asked, wipe=len(words) > 2, trigger=trigger)
        elif verb == "watch" and fault != "stop":
            self.do_watch(words[1], trigger=trigger)
        elif verb != "watch":
            self.command(*words, trigger=trigger)

    # The end

    def do_end(self) -> None:
        """Everything is connected again: what was cleared is on two drives, and each card gets its yes."""
        world = self.w
        for name in sorted(world.away):
            self._plug(name)
        while len(world.plugged()) < 2:
            before = len(world.drives)
            self.do_add()
            if len(world.drives) == before:
                raise TourError("no drive can be added")
        self.do_maintain()
        world.check()
        for digest, what in sorted(world.safe.items()):
            if len(world.holders(digest)) < 2:
                raise TourError(f"{what} was cleared, and lies on {world.holders(digest)} after all that was done")
        for card in world.cards:
            if world.on_card(card):
                self._answered_with_yes(card)

    def _answered_with_yes(self, card: CardState) -> None:
        """Offload a card, and follow what is printed until the answer is yes."""
        answer = self._ask_card(card, "offload", wipe=False)
        for _ in range(_PATIENCE):
            if card.cleared is not None:
                return
            for step in _STEP.findall(answer.out + answer.err):
                words = step.split()
                if words[0] in _FOLLOWED and words[0] != "offload" and words[:2] != ["clearance", "card"]:
                    self.command(*words)
            answer = self._ask_card(card, "offload", wipe=False)
        reasons = [one["message"] for one in json_of(answer).get("clearance", {}).get("reasons", [])]
        raise TourError(f"no yes for {card.root.name} whatever is done: {reasons or answer.err.strip()}")
