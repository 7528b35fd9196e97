"""What exists in a simulated tour: cards, drives, homes, and an oracle that knows every byte that was ever shot.

The oracle reads everything with plain calls and never asks the program. `TourError` says which promise was broken.
"""

from __future__ import annotations

import functools
import os
import shutil
import time
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from world import CardFolder, World, is_own_beside

from tripleguard.clock import DAY
from tripleguard.demo.camera_files import make_raw
from tripleguard.digest import compute_digest
from tripleguard.places.reserved import QUARANTINE_DIR, RESERVED_DIR

SHOW = datetime(2026, 6, 13, 21, 30)
CARDS = ("card-0", "card-1", "card-2")
SIZE, LONG_SIZE = 64 << 10, 200_000


class TourError(AssertionError):
    """A promise was broken."""


@functools.lru_cache(maxsize=256)
def frame_bytes(body: int, series: int, number: int) -> bytes:
    """The raw of one frame; another series is another picture of the same size and time, and with the same ends.

    The first frame is so long that a sample of both ends can't show which picture it is.
    """
    content = bytearray(
        make_raw(
            body * 1000 + number,
            taken_at=SHOW + timedelta(seconds=number),
            subsec=0,
            offset="+02:00",
            serial=f"4001{body}",
            model="Orrery R7",
            size=LONG_SIZE if number == 1 else SIZE,
        )
    )
    if series:
        middle = len(content) // 2
        content[middle : middle + 512] = series.to_bytes(2, "big") * 256
    return bytes(content)


@dataclass
class CardState:
    """A card in the hands of a person.

    Attributes:
        body: the camera it is in; another one gives other serial numbers.
        number: of its last frame.
        series: another one shoots other pictures under the same names.
        cleared: digests of what was on it when the answer was yes; None while it may not be reformatted.
    """

    root: Path
    body: int
    number: int = 0
    series: int = 0
    cleared: frozenset[bytes] | None = None


@dataclass
class Rot:
    """Bytes that changed at rest, with size and time kept. at: the time of the simulated clock, UTC ns."""

    digest: bytes
    at: int


@dataclass
class TourWorld:
    """Everything there is. The world at root is prepared by `prepare_template` and copied for each tour."""

    root: Path
    world: World = field(init=False)
    cards: list[CardState] = field(init=False)
    drives: dict[str, Path] = field(init=False)
    away: set[str] = field(default_factory=set)
    gone: set[str] = field(default_factory=set)
    clones: dict[str, Path] = field(default_factory=dict)
    offset: int = 0
    shot: dict[bytes, str] = field(default_factory=dict)
    known: set[bytes] = field(default_factory=set)
    safe: dict[bytes, str] = field(default_factory=dict)
    rotten: dict[str, Rot] = field(default_factory=dict)
    _digests: dict[str, tuple[tuple[int, ...], bytes]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.world = World(self.root)
        self.drives = {name: self.root / f"drive-{name.lower()}" for name in "AB"}
        self.world.drives = dict(self.drives)
        self.cards = [CardState(self.root / name, body) for body, name in enumerate(CARDS)]
        for card in self.cards:
            card.root.mkdir()

    def now(self) -> int:
        return time.time_ns() + self.offset

    # What a person and the world do

    def shoot(self, card: CardState, count: int) -> None:
        """Frames on a card, numbered as the camera numbers them."""
        folder = CardFolder(card.root)
        for _ in range(count):
            card.number += 1
            content = frame_bytes(card.body, card.series, card.number)
            name = f"ORR_{card.number:04d}.DNG"
            folder.put(f"DCIM/100ORREY/{name}", content, at=SHOW + timedelta(seconds=card.number))
            digest = compute_digest(content)
            self.shot[digest] = f"{name} of body {card.body}, series {card.series}"
            self.known.add(digest)
        card.cleared = None

    def reformat(self, card: CardState) -> None:
        """Reformat a card after a yes: from now on its frames live on the drives alone."""
        assert card.cleared is not None
        for digest in card.cleared:
            self.safe[digest] = self.shot.get(digest, "a file of a card")
        shutil.rmtree(card.root)
        card.root.mkdir()
        card.cleared = None

    def plugged(self) -> list[str]:
        return [name for name in self.drives if name not in self.away and name not in self.gone]

    def in_bag(self) -> list[str]:
        """The drives that exist, connected or not."""
        return [name for name in self.drives if name not in self.gone]

    def where(self, name: str) -> Path:
        """The folder of a drive that exists, wherever it is."""
        return self.root / "bag" / self.drives[name].name if name in self.away else self.drives[name]

    def unplug(self, name: str) -> None:
        (self.root / "bag").mkdir(exist_ok=True)
        self.drives[name].rename(self.root / "bag" / self.drives[name].name)
        self.away.add(name)

    def plug(self, name: str) -> None:
        self.where(name).rename(self.drives[name])
        self.away.discard(name)

    def swap_clone(self, name: str) -> None:
        """The first time keep a copy of a drive, marker and all; later put it where the drive is, and back."""
        clone = self.root / "clones" / self.drives[name].name
        if name not in self.clones:
            shutil.copytree(self.drives[name], clone)
            self.clones[name] = clone
            return
        spare = self.root / "clones" / "spare"
        self.drives[name].rename(spare)
        clone.rename(self.drives[name])
        spare.rename(clone)

    def lose(self, name: str) -> None:
        """A drive dies or is lost, with all that is on it."""
        shutil.rmtree(self.where(name))
        self.away.discard(name)
        self.gone.add(name)

    def rot(self, name: str, path: str, offset: int) -> None:
        """One bit of a file on a drive changes; size and time stay."""
        file = self.where(name) / path
        status = file.stat()
        content = bytearray(file.read_bytes())
        before = compute_digest(bytes(content))
        content[offset % len(content)] ^= 1
        file.write_bytes(bytes(content))
        os.utime(file, ns=(status.st_atime_ns, status.st_mtime_ns))
        self._digests.pop(str(file), None)
        self.known.add(compute_digest(bytes(content)))
        self.rotten[f"{name}/{path}"] = Rot(before, self.now())

    # What the oracle knows

    def files(self, name: str) -> dict[str, bytes]:
        """What lies on a drive, its own files left out: path to digest. What is in quarantine is part of it."""
        root = self.where(name)
        found: dict[str, bytes] = {}
        for folder, _, names in os.walk(root):
            inner = os.path.relpath(folder, root)
            for one in names:
                path = one if inner == "." else f"{inner}/{one}"
                aside = path.startswith(f"{QUARANTINE_DIR}/")
                if (path.startswith(f"{RESERVED_DIR}/") and not aside) or is_own_beside(path):
                    continue
                if not (aside and path.endswith(".why.txt")):
                    found[path] = self._digest(f"{folder}/{one}")
        return found

    def _digest(self, path: str) -> bytes:
        status = os.stat(path)
        mark = (status.st_ino, status.st_size, status.st_mtime_ns, status.st_ctime_ns)
        known = self._digests.get(path)
        if known is None or known[0] != mark:
            with open(path, "rb") as file:
                known = self._digests[path] = mark, compute_digest(file.read())
        return known[1]

    def final(self, name: str) -> set[bytes]:
        """The digests under final names on a drive."""
        return {digest for path, digest in self.files(name).items() if not path.startswith(f"{RESERVED_DIR}/")}

    def holders(self, digest: bytes, among: list[str] | None = None) -> list[str]:
        """The drives that hold these bytes under a final name."""
        return [name for name in (self.in_bag() if among is None else among) if digest in self.final(name)]

    def on_card(self, card: CardState) -> dict[str, bytes]:
        return {
            str(path.relative_to(card.root)): self._digest(str(path))
            for path in sorted(card.root.rglob("*"))
            if path.is_file()
        }

    def excused(self, names: list[str]) -> dict[bytes, set[str]]:
        """Copies that rotted within the last day: a yes may still count them, by its evidence."""
        found: dict[bytes, set[str]] = {}
        for key, rot in self.rotten.items():
            name, _, path = key.partition("/")
            if name in names and self.now() - rot.at <= DAY and (self.where(name) / path).exists():
                found.setdefault(rot.digest, set()).add(name)
        return found

    def lacking(self, digests: dict[str, bytes], among: list[str]) -> str:
        """Which of these files does not lie on two of these drives; '' if all do."""
        on = {name: self.final(name) for name in among}
        excused = self.excused(among)
        for path, digest in sorted(digests.items()):
            found = {name for name in among if digest in on[name]} | excused.get(digest, set())
            if len(found) < 2:
                return f"{path} lies on {len(found)} of the drives {', '.join(among) or '(none)'}"
        return ""

    def can_bear(self, name: str) -> bool:
        """Whether everything that was cleared stays if what is on this drive is lost."""
        others = set().union(*(self.final(one) for one in self.in_bag() if one != name))
        mine = {digest for digest in self.files(name).values() if digest in self.safe}
        return mine <= others

    # What must hold

    def check(self) -> None:
        """No frame of a card that was cleared is lost, and a final name means a whole file."""
        everywhere: set[bytes] = set()
        for clone in self.clones.values():
            everywhere |= {self._digest(str(path)) for path in clone.rglob("*.DNG")}
        for name in self.in_bag():
            for path, digest in self.files(name).items():
                everywhere.add(digest)
                if digest not in self.known and not path.startswith(f"{RESERVED_DIR}/"):
                    raise TourError(f"{name}: {path} holds bytes that nobody wrote")
        for digest, what in self.safe.items():
            if digest not in everywhere:
                raise TourError(f"{what} was on a card that was cleared, and is lost")
