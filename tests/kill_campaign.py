"""Kills a real process at a random moment, holds what is left against the oracle, and resumes until all is done.

A seed decides everything but the scheduler: the job, the signal, the moment, and whether the resumed run is killed
as well. Moments are spread evenly over the time that an undisturbed run copies, reads back and signs off.

`scripts/campaign-kills [N]` runs N seeds and prints what `docs/campaigns.md` tells.
"""

from __future__ import annotations

import argparse
import contextlib
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from disk_images import images_below, why_not
from oracle import INCOMING, Oracle, checked_lists
from sample_files import film, memo
from world import CardFolder, World

MIB = 1 << 20
_MOST_RUNS = 6
_START_LIMIT = 30.0
_SIGNALS = [signal.SIGKILL] * 6 + [signal.SIGINT, signal.SIGTERM]


@dataclass(frozen=True)
class Landed:
    """Where one kill landed. named: whole copies with a name on all drives; of_copies: how many there will be.

    redone: whole copies without a name, whose work is lost, on the drive that had most of them.
    """

    job: str
    by: str
    named: int
    of_copies: int
    redone: int
    survived: bool

    @property
    def word(self) -> str:
        if self.survived:
            return "after the end"
        if self.named == 0:
            return "before the first name"
        return "in the middle" if self.named < self.of_copies else "after the last name"


@dataclass
class Ground:
    """A card and room for drives on two file systems, used by many seeds one after another."""

    root: Path
    card: CardFolder
    volumes: tuple[Path, Path]
    spans: dict[str, float] = field(default_factory=dict)

    @contextlib.contextmanager
    def world(self) -> Iterator[World]:
        """A fresh home and two fresh drives; gone with the block."""
        home = Path(tempfile.mkdtemp(prefix="w", dir=self.root))
        made = World(home)
        try:
            for name, volume in zip("AB", self.volumes, strict=True):
                made.drives[name] = Path(tempfile.mkdtemp(prefix="d", dir=volume))
            given = [word for name, path in made.drives.items() for word in ("--drive", f"{name}={path}")]
            assert made.run("setup", "--allow-same-disk", *given).status == 0
            yield made
        finally:
            for path in (home, *made.drives.values()):
                shutil.rmtree(path, ignore_errors=True)

    def span(self, job: str) -> float:
        """Seconds from the first byte of an undisturbed run to its end, measured once."""
        if job not in self.spans:
            with self.world() as world:
                _prepare(world, self.card, job)
                process = _started(world, self.card, job)
                began = time.monotonic()
                assert process.wait(60) == 0
                self.spans[job] = time.monotonic() - began
        return self.spans[job]


@contextlib.contextmanager
def ground(root: Path, kind: str) -> Iterator[Ground]:
    """A card with what cameras write, and two drives: folders on this disk, or exFAT images."""
    card = CardFolder(root / "card")
    card.root.mkdir()
    _fill(card)
    with contextlib.ExitStack() as stack:
        if kind == "folders":
            volumes = (root / "a", root / "b")
            for volume in volumes:
                volume.mkdir()
        else:
            images = stack.enter_context(images_below(root))
            volumes = (images.mount("a", kind, 160), images.mount("b", kind, 160))
        yield Ground(root, card, volumes)


def killed(place: Ground, seed: int) -> list[Landed]:
    """Kill, audit, resume, until all is finished and right. Raises AssertionError where something is not."""
    chance = random.Random(seed)
    job = chance.choice(["offload", "offload", "offload", "topup"])
    landed: list[Landed] = []
    with place.world() as world:
        _prepare(world, place.card, job)
        oracle = Oracle(world, place.card.root)
        for run in range(_MOST_RUNS):
            if run and chance.random() > 0.35:
                break
            landed.append(_one_kill(place, world, oracle, job, chance))
        kept = _marks(world)
        answer = world.run(job, *([place.card.root] if job == "offload" else []))
        assert answer.status == 0, f"{job} after {landed}: {answer.out}{answer.err}"
        assert world.run("offload", place.card.root).status == 0
        oracle.finished()
        if place.volumes[0].stat().st_dev == place.root.stat().st_dev:
            now = _marks(world)
            assert {path: now.get(path) for path in kept} == kept, "a copy that had its name was made again"
        _read_by_b3sum(world)
    return landed


def _fill(card: CardFolder) -> None:
    sizes = random.Random(4)
    for number in range(1, 17):
        card.raw(f"DCIM/100ORREY/ORR_{number:04d}.DNG", size=sizes.randrange(200_000, 2 * MIB))
        if number % 3 == 0:
            card.put(f"DCIM/100ORREY/ORR_{number:04d}.xmp", b"<x/>" * number)
        if number % 4 == 0:
            card.picture(f"DCIM/100ORREY/ORR_{number:04d}.JPG")
    card.put("PRIVATE/CLIP/C0001.MP4", film(sound=sizes.randbytes(5 * MIB + 5)))
    card.put("PRIVATE/CLIP/C0002.WAV", memo(sizes.randbytes(4097)))
    card.put("notes.txt")


def _prepare(world: World, card: CardFolder, job: str) -> None:
    if job == "topup":
        away = world.drives["B"].with_name(f"{world.drives['B'].name}-away")
        world.drives["B"].rename(away)
        assert world.run("offload", card.root).status == 1
        away.rename(world.drives["B"])


def _started(world: World, card: CardFolder, job: str) -> subprocess.Popen[bytes]:
    """The job in a process of its own, at the moment when it begins to copy."""
    words = ["topup"] if job == "topup" else ["offload", str(card.root)]
    left = _parts(world)
    process = subprocess.Popen(
        world.command_line(*words), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )
    deadline = time.monotonic() + _START_LIMIT
    while process.poll() is None and not _parts(world) - left:
        assert time.monotonic() < deadline, f"{job} does not begin"
        time.sleep(0.001)
    return process


def _parts(world: World) -> set[Path]:
    """Unfinished copies that lie on the drives now."""
    found: set[Path] = set()
    for drive in world.drives.values():
        with contextlib.suppress(OSError):
            found |= set((drive / INCOMING).glob("*.part"))
    return found


def _one_kill(place: Ground, world: World, oracle: Oracle, job: str, chance: random.Random) -> Landed:
    share, by = chance.random(), chance.choice(_SIGNALS)
    of_copies = len(oracle.wanted) * len(world.drives)
    left = 1 - sum(oracle.on(name).total() for name in world.drives) / of_copies
    process = _started(world, place.card, job)
    time.sleep(share * left * place.span(job) * (2 if job == "topup" else 1))
    survived = process.poll() is not None
    process.send_signal(by)
    status = process.wait(60)
    if not survived and by is not signal.SIGKILL:
        # Once the job is over the signal means what it means to any process.
        assert status in (130, 0) or (status == -by and _ended(world)), f"{by.name} ended it with {status}"
    oracle.audit()
    sizes = {path.stat().st_size for path in place.card.root.rglob("*") if path.is_file()}
    return Landed(
        job=job,
        by=by.name,
        named=sum(oracle.on(name).total() for name in world.drives),
        of_copies=of_copies,
        redone=max(sum(size in sizes for size in oracle.unfinished(name)) for name in world.drives),
        survived=survived,
    )


def _ended(world: World) -> bool:
    """Whether the last job came to its end by the catalog."""
    with world.ctx() as ctx:
        return ctx.catalog.fetch_all("SELECT ended_at FROM jobs ORDER BY id DESC LIMIT 1")[0][0] is not None


def _marks(world: World) -> dict[Path, tuple[int, int]]:
    """What changes when a copy is made again: inode and time of its last change, by path."""
    found = {}
    for name, drive in world.drives.items():
        for path in world.on(name):
            status = (drive / path).stat()
            found[drive / path] = (status.st_ino, status.st_ctime_ns)
    return found


def _read_by_b3sum(world: World) -> None:
    if shutil.which("b3sum") is None:
        return
    for path in checked_lists(world):
        done = subprocess.run(["b3sum", "--check", "--quiet", path.name], cwd=path.parent, check=False)
        assert done.returncode == 0, path


def main() -> int:
    """Run a campaign and print its numbers; exit status 1 if any seed failed."""
    words = argparse.ArgumentParser(prog="campaign-kills", description=__doc__)
    words.add_argument("number", nargs="?", type=int, default=200, help="kills at least, half of them on exFAT")
    words.add_argument("--first", type=int, default=1000, help="the first seed (default 1000)")
    words.add_argument(
        "--on", choices=["folders", "exfat"], help="only there: to replay a seed with `1 --first SEED`"
    )
    asked = words.parse_args()
    kinds = [asked.on] if asked.on else ["folders", "exfat"]
    failed = 0
    for kind in kinds:
        if kind != "folders" and (why := why_not(kind)) is not None:
            print(f"{kind}: left out: {why}")
            continue
        failed += _campaign(kind, -(-asked.number // len(kinds)), asked.first)
    return 1 if failed else 0


def _campaign(kind: str, number: int, first: int) -> int:
    began, landed, failed, seed = time.monotonic(), list[Landed](), 0, first
    with (
        tempfile.TemporaryDirectory(prefix="tripleguard-kills-", dir=scratch_disk()) as root,
        ground(Path(root), kind) as place,
    ):
        while len(landed) < number and failed < 10:
            try:
                landed += killed(place, seed)
            except AssertionError as error:
                failed += 1
                print(f"FAILED: seed {seed} on {kind}: {error}", flush=True)
            seed += 1
    took = time.monotonic() - began
    print(f"{kind}: {len(landed)} kills, seeds {first} to {seed - 1}, {failed} failed, in {took:.0f} s")
    _tell("moment", [one.word for one in landed])
    _tell("job", [one.job for one in landed])
    _tell("signal", [one.by for one in landed])
    redone = [one.redone for one in landed if not one.survived]
    if redone:
        print(
            f"  whole without a name, made again: {sum(redone) / len(redone):.1f} on average, "
            f"{max(redone)} at most"
        )
    return failed


def _tell(what: str, words: list[str]) -> None:
    print(f"  {what}: " + ", ".join(f"{word} {count}" for word, count in Counter(words).most_common()))


def scratch_disk() -> Path:
    """Where a read-back can reach a device: the temporary folder, or one beside the project."""
    from tripleguard.places.cache_bypass import detect_cache_bypass

    usual, beside = Path(tempfile.gettempdir()), Path(__file__).resolve().parent.parent / "build"
    if detect_cache_bypass(usual).medium.is_from_device:
        return usual
    beside.mkdir(exist_ok=True)
    return beside


if __name__ == "__main__":
    sys.exit(main())
