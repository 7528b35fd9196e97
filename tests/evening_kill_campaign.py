"""A photographer's evening under a watch that is killed again and again: what it does must come out the same.

An evening is a row of things that happen: cards are plugged in and pulled, a drive leaves and comes back, another
program writes pictures. It is lived once in peace and once with kills at random moments, each followed by a new
start. Afterwards drives, catalog and report must say the same. A seed decides the moments.

`scripts/campaign-watch [KILLS]` runs it and prints what `docs/campaigns.md` tells.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import psutil
from disk_images import images_below, why_not
from kill_campaign import scratch_disk
from oracle import INCOMING, Oracle
from sample_files import memo
from watch_process import Watching, in_reader, logged, set_watch, watching
from world import CardFolder, World

MIB = 1 << 20
SHOOT = "2026/2026-06-13 untitled"
"""The shoot of the cards as well: which of two a card goes to would depend on what was known first."""
_AIM = 6.0
"""Seconds to wait for an errand of the kind that is to be killed; then whatever is done is killed."""
_IDLE = "between errands"
_CALM = 2.5
"""Seconds that nothing may be done or wait before an evening counts as over."""


class EveningOracle(Oracle):
    """Holds every copy against all that was shot or written this evening; yeses are about one card at a time."""

    def _a_yes_is_true(self, on: Any) -> None:
        """A yes speaks of one card; the drives may lack what came after it. `clearance` is asked at the end."""


@dataclass
class Evening:
    """One evening in one world. kills: what is still to come; moments: where they landed."""

    world: World
    chance: random.Random
    size: int
    frames: int
    kills: int = 0
    landed: list[str] = field(default_factory=list)
    everything: CardFolder = field(init=False)
    oracle: EveningOracle = field(init=False)

    def __post_init__(self) -> None:
        readers = [str(in_reader(self.world, name)) for name in ("first", "second", "third")]
        self.tether = CardFolder(self.world.folder("tether"))
        set_watch(self.world, look_also=readers, settle="1s", import_folders=[str(self.tether.root)])
        self.everything = self.world.card("everything")
        self._write_all()
        self.oracle = EveningOracle(self.world, self.everything.root)

    def live(self) -> dict[str, Any]:
        """The whole evening; what is there and what is said at its end."""
        steps = self._steps()
        shares = [self.kills // len(steps) + (number < self.kills % len(steps)) for number in range(len(steps))]
        watch = Watching(self.world)
        for step, share in zip(steps, shares, strict=True):
            step()
            for _ in range(share):
                watch = self._killed(watch, step.__name__)
        self._until_over(watch)
        watch.end()
        self.oracle.audit()
        return self._seen()

    def _killed(self, watch: Watching, step: str) -> Watching:
        """Kill it at a random moment, most often in an errand of a kind drawn by lot; audit; start it again."""
        watch.until(lambda found: found["here"] is not None, "it has begun")
        wanted = self.chance.choice(["any", "any", "any", "new files", "top-up", "import", "none"])
        deadline = time.monotonic() + _AIM
        while time.monotonic() < deadline and wanted != "none":
            doing = _in_hand(self.world)
            if doing == wanted or (wanted == "any" and doing != _IDLE):
                break
            time.sleep(0.01)
        time.sleep(self.chance.random() * self.chance.choice([0.05, 0.2, 1.0]))
        watch.end(self.chance.choice([signal.SIGKILL] * 5 + [signal.SIGTERM]))
        self.landed.append(f"{step}: {_in_hand(self.world)}")
        self.oracle.audit()
        if watch.process.stderr is not None:
            watch.process.stderr.close()
        return Watching(self.world)

    def _until_over(self, watch: Watching) -> None:
        deadline, calm = time.monotonic() + 300, 0.0
        while calm < _CALM:
            assert time.monotonic() < deadline, f"the evening does not end: {watch.status()}\n{watch.log()}"
            time.sleep(0.1)
            found = watch.status()
            quiet = found["running"] and found["pid"] == watch.process.pid and len(found["here"] or []) >= 4
            calm = calm + 0.1 if quiet and not found["doing"] and not found["waiting"] else 0.0

    def _seen(self) -> dict[str, Any]:
        """What must be the same however often it was killed."""
        report = self.world.run("report", "--json").json
        with self.world.ctx() as ctx:
            copies = ctx.catalog.fetch_all(
                "SELECT p.name, d.path, c.name, f.digest, c.state, c.verified_at IS NOT NULL, s.day, s.name"
                " FROM copies c JOIN folders d ON d.id = c.folder_id JOIN files f ON f.id = c.file_id"
                " JOIN places p ON p.id = c.place_id JOIN shoots s ON s.id = c.shoot_id ORDER BY 1, 2, 3"
            )
        return {
            "drives": {name: self.world.on(name) for name in self.world.drives},
            "copies": copies,
            "answer": report["answer"],
            "files": (report["files"], report["bytes"]),
            "findings": sorted((one["kind"], one["message"]) for one in report["findings"]),
            "owed": report["owed"],
            "cards": [self.world.run("clearance", "card", path).status for path in self._cards()],
        }

    # What happens

    def _steps(self) -> list[Callable[[], None]]:
        def a_card_is_plugged_in() -> None:
            self._plug("first")

        def another_program_copies_pictures() -> None:
            target = self.world.drives["A"] / SHOOT
            target.mkdir(parents=True, exist_ok=True)
            subprocess.run(["cp", "-r", f"{self.world.root / 'landed'}/.", str(target)], check=True)

        def a_second_card_is_plugged_in() -> None:
            self._plug("second")

        def a_drive_leaves() -> None:
            self._leave("B")

        def a_third_card_is_plugged_in() -> None:
            self._plug("third")

        def the_drive_is_back() -> None:
            self.world.plug("B")

        def pictures_come_by_cable() -> None:
            shutil.copytree(self.world.root / "cable", self.tether.root / "session")

        return [
            a_card_is_plugged_in,
            another_program_copies_pictures,
            a_second_card_is_plugged_in,
            a_drive_leaves,
            a_third_card_is_plugged_in,
            the_drive_is_back,
            pictures_come_by_cable,
        ]

    def _leave(self, name: str) -> None:
        self.world.unplug(name)

    def _plug(self, name: str) -> None:
        there = in_reader(self.world, name)
        there.parent.mkdir(exist_ok=True)
        os.rename(self.world.root / name, there)

    def _cards(self) -> list[Path]:
        return [in_reader(self.world, name) for name in ("first", "second", "third")]

    def _write_all(self) -> None:
        """All that will be shot and written this evening, and once more in one folder for the oracle."""
        sizes = random.Random(7)
        for number, name in enumerate(("first", "second", "third")):
            card = self.world.card(name)
            for frame in range(1, self.frames + 1):
                card.raw(f"DCIM/100ORREY/ORR_{self.frames * number + frame:04d}.DNG", size=self._size(sizes))
            card.put(f"DCIM/100ORREY/NOTE{number}.WAV", memo(sizes.randbytes(4097 + number)))
        for number, name in enumerate(("landed", "cable")):
            folder = self.world.card(name)
            for frame in range(1, self.frames + 1):
                frame += (3 + number) * self.frames
                folder.raw(f"ORR_{frame:04d}.DNG", size=self._size(sizes))
        for name in ("first", "second", "third", "landed", "cable"):
            shutil.copytree(self.world.root / name, self.everything.root / name)

    def _size(self, sizes: random.Random) -> int:
        return sizes.randrange(self.size // 10, self.size)


def _in_hand(world: World) -> str:
    """What is being done, or was when it ended, by the log."""
    doing = ""
    for one in logged(world):
        word = one["line"]
        if word.startswith("Begins: "):
            doing = word.removeprefix("Begins: ").partition(" /")[0]
        elif doing and word.startswith(doing) and "outcome" in one:
            doing = ""
    return doing or _IDLE


def evening(
    root: Path, seed: int, kills: int, size: int = 5 * MIB, frames: int = 30
) -> tuple[dict[str, Any], list[str]]:
    """Live an evening in a fresh world below root; what came out, and where the kills landed."""
    world = World(Path(tempfile.mkdtemp(prefix="evening-", dir=root))).setup()
    lived = Evening(world, random.Random(seed), size, frames, kills)
    try:
        return lived.live(), lived.landed
    finally:
        shutil.rmtree(world.root, ignore_errors=True)


def differences(calm: dict[str, Any], killed: dict[str, Any]) -> list[str]:
    """What is not the same after kills, in words; none where all is."""
    return [
        f"{name}: {line}"
        for name in calm
        for line in sorted(_lines(calm[name]) ^ _lines(killed[name]))
        if calm[name] != killed[name]
    ]


def _lines(found: Any) -> set[str]:
    if isinstance(found, dict):
        return {f"{key}: {line}" for key, value in found.items() for line in _lines(value)}
    return {repr(one) for one in found} if isinstance(found, list | tuple) else {repr(found)}


def first_bytes(root: Path, rounds: int, frames: int) -> list[float]:
    """Seconds from the mount of an exFAT card to the first byte on a drive, so many times."""
    found: list[float] = []
    with images_below(root) as images:
        world = World(Path(tempfile.mkdtemp(prefix="mount-", dir=root))).setup()
        set_watch(world, look_at=[f"{root}/*"])
        for number in range(rounds):
            card = CardFolder(images.mount(f"card{number}", "exfat", 64 + frames // 2))
            card.frames(frames, first=1 + number * frames, size=200_000)
            images.unmount(card.root)
        with watching(world) as watch:
            watch.until_idle()
            for number in range(rounds):
                seen: list[float] = []
                looks = threading.Thread(target=_first_byte, args=(world, seen))
                looks.start()
                point = images.mount(f"card{number}", "exfat")
                mounted = time.monotonic()
                looks.join()
                found.append(seen[0] - mounted)
                watch.until_done("card", str(point), patience=300)
                images.unmount(point)
    return found


def idle_cost(root: Path, seconds: float, files: int) -> tuple[float, float]:
    """Share of a core and resident bytes of a watch that has nothing to do, after it has copied a card."""
    world = World(Path(tempfile.mkdtemp(prefix="idle-", dir=root))).setup()
    set_watch(world, look_also=[str(in_reader(world, "card"))])
    world.card().frames(files)
    there = in_reader(world, "card")
    there.parent.mkdir()
    os.rename(world.root / "card", there)
    with watching(world) as watch:
        watch.until_done("card", patience=300)
        watch.until_idle()
        time.sleep(8)
        process = psutil.Process(watch.process.pid)
        before, began = process.cpu_times(), time.monotonic()
        time.sleep(seconds)
        after, took = process.cpu_times(), time.monotonic() - began
        used = after.user + after.system - before.user - before.system
        return used / took, process.memory_info().rss


def _first_byte(world: World, seen: list[float]) -> None:
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:
        for root in world.drives.values():
            for part in (root / INCOMING).glob("*.part"):
                try:
                    if part.stat().st_size:
                        seen.append(time.monotonic())
                        return
                except OSError:
                    continue
        time.sleep(0.002)


def main() -> int:
    """Run the campaign and print its numbers; exit status 1 if anything came out otherwise."""
    words = argparse.ArgumentParser(prog="campaign-watch", description=__doc__)
    words.add_argument("kills", nargs="?", type=int, default=50, help="kills in all, 10 in an evening")
    words.add_argument("--first", type=int, default=1, help="the first seed (default 1)")
    words.add_argument("--only-kills", action="store_true", help="without mounts and idling")
    asked = words.parse_args()
    failed = 0
    with tempfile.TemporaryDirectory(prefix="tripleguard-watch-", dir=scratch_disk()) as name:
        root = Path(name)
        calm, _ = evening(root, 0, 0)
        landed: list[str] = []
        seed = asked.first
        while len(landed) < asked.kills:
            try:
                killed, where = evening(root, seed, min(10, asked.kills - len(landed)))
                wrong = differences(calm, killed)
            except AssertionError as error:
                wrong, where = [str(error)], ["?"] * 10
            landed += where
            failed += bool(wrong)
            for line in wrong:
                print(f"FAILED: seed {seed}: {line[:2000]}", flush=True)
            seed += 1
        print(f"{len(landed)} kills in {seed - asked.first} evenings, {failed} came out otherwise")
        for word, count in Counter(one.partition(": ")[2] for one in landed).most_common():
            print(f"  killed at: {word} {count}")
        if asked.only_kills:
            return 1 if failed else 0
        if (why := why_not("exfat")) is None:
            found = first_bytes(root, 10, 200)
            middle, most = statistics.median(found), max(found)
            print(
                f"mount to first byte: {middle:.2f} s in the middle, {most:.2f} s at most, "
                f"{len(found)} mounts of an exFAT card with 200 files"
            )
        else:
            print(f"mounts: left out: {why}")
        share, memory = idle_cost(root, 120, 400)
        print(f"idle after a card of 400 files: {share:.2%} of a core, {memory / 1e6:.0f} MB resident")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
