"""A campaign: ten years of a touring photographer, and every answer held against an oracle.

Pairs of drives fill up and go to the shelf; two drives die, one bag with both drives of a pair is lost, some debts
are paid and some not. Then `drives lost`, `clearance drive`, `clearance card` and `where` are asked, and what they
say is compared with what a plain dictionary of the same ten years says. The catalog is filled by the functions
that jobs use; the drives that a question looks at are really there. Run by `scripts/campaign-decade`; small, it is
a test.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass, field
from datetime import date, timedelta
from pathlib import Path

from sample_files import memo
from world import CARD_FOLDERS, TestClock, World, finished

from tripleguard.catalog.file_updates import (
    FileOrigin,
    ensure_file,
    ensure_shoot,
    record_copy,
    record_copy_verified,
)
from tripleguard.catalog.places import add_place, get_place, record_place_connected
from tripleguard.clock import DAY, SECOND
from tripleguard.digest import compute_digest
from tripleguard.jobs.clearance.card_answer import CardQuestion
from tripleguard.jobs.clearance.card_clearance import clear_card
from tripleguard.jobs.clearance.drive_clearance import clear_drive
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drive_setup import set_drive_state
from tripleguard.jobs.drives import locate_drives, open_drives
from tripleguard.jobs.lifecycle.lost_drive import assess_loss
from tripleguard.model import DriveRole, Entry, File, FileKind, Medium, PlaceKind, PlaceState
from tripleguard.places.card import open_card
from tripleguard.places.drive import write_new_marker
from tripleguard.places.marker import Marker, create_marker

TAKEN = 1_750_000_000 * SECOND
RULE = 2
FRESH_DAYS = 7


@dataclass
class Truth:
    """What is so. on: drives with a good copy of each file; read_at: when each drive was last read, UTC ns."""

    files: list[tuple[str, bytes, int]] = field(default_factory=list)
    on: list[set[str]] = field(default_factory=list)
    read_at: dict[str, int] = field(default_factory=dict)
    gone: set[str] = field(default_factory=set)

    def content(self, number: int) -> bytes:
        return memo(f"frame {number}".encode())

    def left(self, drive: str) -> Counter[int]:
        """How many of a drive's files have 0, 1, 2 copies on drives in service, without it."""
        return Counter(min(2, len(on - self.gone - {drive})) for on in self.on if drive in on)


class Decade:
    """The ten years, in a catalog and in the oracle beside it."""

    def __init__(self, root: Path, seed: int, pairs: int, shoots: int, files: int) -> None:
        self.random = random.Random(seed)
        self.world = World(root)
        self.truth = Truth()
        self.clock = TestClock(at=TAKEN)
        self.pairs, self.shoots, self.files = pairs, shoots, files
        self.markers: dict[str, Marker] = {}
        self.world.drives["first"] = self.world.folder("first")
        assert (
            self.world.run("setup", "--allow-same-disk", "--drive", f"first={self.world.drives['first']}").status
            == 0
        )

    def live(self) -> None:
        """Fill the catalog with ten years."""
        with self.world.ctx(self.clock) as ctx:
            names = [f"{pair:02d}{side}" for pair in range(self.pairs) for side in "ab"]
            # Ten years in minutes touch the catalog's pages all over: reading them anew takes half of the time.
            ctx.catalog.fetch_all("PRAGMA cache_size = -2000000")
            ctx.catalog.fetch_all("PRAGMA wal_autocheckpoint = 100000")
            with ctx.catalog.transaction():
                for name in names:
                    self._add(ctx, name)
            per_shoot = self.files // self.shoots
            for shoot in range(self.shoots):
                pair = shoot * self.pairs // self.shoots
                self._shoot(ctx, shoot, per_shoot, [f"{pair:02d}a", f"{pair:02d}b"])
                self.clock.at += 3650 * DAY // self.shoots
            for name in names[: len(names) * 2 // 3]:
                set_drive_state(ctx, name, PlaceState.SHELVED)

    def lose(self, *names: str) -> None:
        """Drives die or are lost; each answer is compared at once."""
        for name in names:
            with self.world.ctx(self.clock) as ctx:
                self.truth.gone.add(name)
                left = assess_loss(ctx.catalog, set_drive_state(ctx, name, PlaceState.LOST))
            expected = self.truth.left(name)
            assert (left.without_copy.files, left.on_one_drive.files) == (expected[0], expected[1]), (
                name,
                left,
                expected,
            )
            singles = Counter(
                next(iter(on - self.truth.gone))
                for on in self.truth.on
                if name in on and len(on - self.truth.gone) == 1
            )
            assert {place.name: amount.files for place, amount in left.source_drives} == dict(singles)

    def pay_some(self, share: float) -> None:
        """A part of what is owed is copied to the newest drives and read back."""
        with self.world.ctx(self.clock) as ctx:
            target = f"{self.pairs - 1:02d}a"
            place = get_place(ctx.catalog, target)
            with ctx.catalog.transaction():
                for number, on in enumerate(self.truth.on):
                    if len(on - self.truth.gone) == 1 and target not in on and self.random.random() < share:
                        self._copy(ctx, number, place.id, target)
            self.truth.read_at[target] = self.clock.at

    def ask_for_drive(self, name: str, connected: list[str]) -> bool:
        """`clearance drive`, with these other drives really there; whether it was a yes."""
        roots = [self._there(one) for one in (name, *connected)]
        try:
            with self.world.ctx(self.clock) as ctx:
                self._plugged(ctx, [name, *connected], roots)
                with open_drives(ctx, locate_drives(ctx), "a question", for_writing=False) as ready:
                    answer = finished(clear_drive(ctx, get_place(ctx.catalog, name), ready.connected))
        finally:
            for root in roots:
                shutil.rmtree(root)
        fresh = {
            one
            for one in connected
            if one not in self.truth.gone and self.clock.at - self.truth.read_at[one] <= FRESH_DAYS * DAY
        }
        expected = {
            self.truth.files[number][0]: len(on & fresh)
            for number, on in enumerate(self.truth.on)
            if name in on and len(on & fresh) < RULE
        }
        found = {one.path: one.copies_elsewhere for one in answer.uncovered}
        assert found == expected, (name, len(found), len(expected))
        assert answer.clearance.is_yes == (not expected), name
        assert answer.clearance.files == sum(name in on for on in self.truth.on)
        return not expected

    def ask_where(self, times: int) -> None:
        """`where` for single pictures."""
        for _ in range(times):
            number = self.random.randrange(len(self.truth.files))
            _, digest, _ = self.truth.files[number]
            (found,) = self.world.run("where", digest.hex(), "--json").json["files"]
            assert {copy["place"] for copy in found["copies"]} == self.truth.on[number]

    def ask_for_card(self, numbers: list[int], connected: list[str]) -> int:
        """`clearance card` for a card with these files; connected: drives read lately. How many are covered."""
        roots = [self._there(one) for one in connected]
        card = self.world.folder("card")
        try:
            for number in numbers:
                path = card / "DCIM/100ORREY" / f"{number}.WAV"
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(self.truth.content(number))
            with self.world.ctx(self.clock) as ctx:
                self._plugged(ctx, connected, roots)
                with open_drives(ctx, locate_drives(ctx), "a question", for_writing=False) as ready:
                    held = open_card(card, roots, CARD_FOLDERS)
                    answer = finished(clear_card(ctx, CardQuestion(held), ready.connected)).clearance
                    held.close()
        finally:
            shutil.rmtree(card)
            for root in roots:
                shutil.rmtree(root)
        covered = sum(len(self.truth.on[number] & set(connected)) >= RULE for number in numbers)
        assert (answer.files, answer.covered_files) == (len(numbers), covered), answer
        assert answer.is_yes == (covered == len(numbers))
        return covered

    def copy_all(self, name: str, target: str) -> None:
        """Everything on one drive gets a copy on another."""
        with self.world.ctx(self.clock) as ctx:
            place = get_place(ctx.catalog, target)
            with ctx.catalog.transaction():
                for number, on in enumerate(self.truth.on):
                    if name in on and target not in on:
                        self._copy(ctx, number, place.id, target)

    def refresh(self, *names: str) -> None:
        """These drives were read back whole, now."""
        with self.world.ctx(self.clock) as ctx, ctx.catalog.transaction():
            for name in names:
                ctx.catalog.execute(
                    "UPDATE copies SET verified_at = ? WHERE place_id = ? AND state = 'present'",
                    self.clock.at,
                    get_place(ctx.catalog, name).id,
                )
                self.truth.read_at[name] = self.clock.at

    def _add(self, ctx: JobContext, name: str) -> None:
        marker = create_marker(name, "road", "2016-01-01T00:00:00Z", "")
        self.markers[name] = marker
        add_place(
            ctx.catalog,
            marker.id,
            name,
            kind=PlaceKind.DRIVE,
            role=DriveRole.ROAD,
            at=self.clock.at,
            path=self._root(name),
        )

    def _plugged(self, ctx: JobContext, names: list[str], roots: list[Path]) -> None:
        with ctx.catalog.transaction():
            for name, root in zip(names, roots, strict=True):
                number = get_place(ctx.catalog, name).id
                record_place_connected(ctx.catalog, number, root, self.clock.at)
                # The folder that stands for the drive is made anew for each question.
                ctx.catalog.execute("UPDATE places SET identity = NULL WHERE id = ?", number)

    def _root(self, name: str) -> Path:
        return self.world.root / f"drive-{name}"

    def _shoot(self, ctx: JobContext, shoot: int, files: int, drives: list[str]) -> None:
        day = (date(2016, 1, 2) + timedelta(days=shoot * 3650 // self.shoots)).isoformat()
        places = {name: get_place(ctx.catalog, name) for name in drives}
        with ctx.catalog.transaction():
            shoot_id = ensure_shoot(ctx.catalog, day, f"Night {shoot}", self.clock.at)
            for frame in range(files):
                number = len(self.truth.files)
                content = self.truth.content(number)
                path = f"{day[:4]}/{day} Night {shoot}/R7/ORR_{frame + 1:04d}.DNG"
                file = File(compute_digest(content), len(content))
                origin = FileOrigin(path.rpartition("/")[2], FileKind.RAW, shoot_id)
                ensure_file(ctx.catalog, file, origin, None, RULE, self.clock.at)
                self.truth.files.append((path, file.digest, shoot_id))
                self.truth.on.append(set())
                for name in drives:
                    # One in five hundred was never copied to the second drive.
                    if name.endswith("a") or self.random.random() > 0.002:
                        self._copy(ctx, number, places[name].id, name)
        for name in drives:
            self.truth.read_at[name] = self.clock.at

    def _copy(self, ctx: JobContext, number: int, place_id: int, name: str) -> None:
        path, digest, shoot_id = self.truth.files[number]
        row = ctx.catalog.fetch_one("SELECT id FROM files WHERE digest = ?", digest)
        assert row is not None
        entry = Entry(path, len(self.truth.content(number)), TAKEN)
        copy = record_copy(ctx.catalog, row[0], place_id, shoot_id, entry, self.clock.at)
        record_copy_verified(ctx.catalog, copy, Medium.DIRECT, self.clock.at)
        self.truth.on[number].add(name)

    def _there(self, name: str) -> Path:
        """The drive, plugged in: a folder with its marker and all its files."""
        root = self._root(name)
        root.mkdir()
        write_new_marker(root, self.markers[name])
        for number, on in enumerate(self.truth.on):
            if name in on:
                path = root / self.truth.files[number][0]
                path.parent.mkdir(parents=True, exist_ok=True)
                path.write_bytes(self.truth.content(number))
                os.utime(path, ns=(TAKEN, TAKEN))
        return root


def play(root: Path, seed: int, pairs: int, shoots: int, files: int) -> int:
    """Ten years and all questions; how many answers were compared. Raises AssertionError with the wrong one."""
    decade = Decade(root, seed, pairs, shoots, files)
    decade.live()
    last, old = f"{pairs - 1:02d}", f"{pairs // 3:02d}"
    decade.lose(f"{old}a", f"{pairs // 2:02d}b")
    decade.pay_some(0.7)
    decade.lose(f"{pairs - 2:02d}a", f"{pairs - 2:02d}b")
    asked = 4
    decade.clock.at += 20 * DAY
    noes = [
        decade.ask_for_drive(f"{old}b", [f"{last}a"]),
        decade.ask_for_drive("00a", ["00b"]),
    ]
    decade.copy_all("01a", f"{last}a")
    decade.refresh(f"{last}a", f"{last}b", "00b", "01b")
    noes += [
        decade.ask_for_drive(f"{old}b", [f"{last}a", f"{last}b"]),
        decade.ask_for_drive("00a", ["00b", f"{last}a"]),
    ]
    assert not any(noes)
    single = [number for number, on in enumerate(decade.truth.on) if on == {"01a"}]
    decade.copy_all("01a", "01b")
    assert decade.ask_for_drive("01a", ["01b", f"{last}a"]), single
    decade.ask_where(50)
    first, *_, final = (number for number, on in enumerate(decade.truth.on) if "01b" in on)
    covered = decade.ask_for_card([first, first + 1, final], ["01b", f"{last}a"])
    assert covered == 3
    assert decade.ask_for_card([0, first, files - 1], ["01b", f"{last}a"]) == 1
    return asked + 5 + 50 + 2


def main() -> int:
    """Play it at full size."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("files", nargs="?", type=int, default=2_000_000)
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--pairs", type=int, default=30)
    words.add_argument("--shoots", type=int, default=500)
    words.add_argument("--above", type=Path, default=Path("/var/tmp"))
    asked = words.parse_args()
    root = Path(tempfile.mkdtemp(prefix="decade-", dir=asked.above))
    try:
        answers = play(root, asked.seed, asked.pairs, asked.shoots, asked.files)
    finally:
        shutil.rmtree(root)
    print(f"{asked.pairs * 2} drives, {asked.shoots} shoots, {asked.files:,} files: {answers} answers, all right")
    return 0


if __name__ == "__main__":
    sys.exit(main())
