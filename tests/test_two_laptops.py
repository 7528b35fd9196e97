"""Two laptops went on from one catalog, and both are gone: what each was told of the pictures is known again."""

from __future__ import annotations

import contextlib
import gzip
import os
import shutil
import sqlite3
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from archive_faults import rot
from world import World

from tripleguard.clock import SECOND

SIDECAR = '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description rdf:about="" xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="{}"/></rdf:RDF></x:xmpmeta>'  # noqa: E501


class Two:
    """The laptop at home, which knows more pictures, and the one on the road; both use A and B."""

    def __init__(self, home: World) -> None:
        self.home = home
        self.road = World(home.root / "road")
        self.road.root.mkdir()
        shutil.copytree(home.home, self.road.home)
        self.road.drives = dict(home.drives)

    def rate(self, world: World, name: str, rating: int, at: datetime) -> None:
        """A sidecar of that time in a folder of the laptop's own, and `selects learn`."""
        folder = world.root / "edited"
        folder.mkdir(exist_ok=True)
        (folder / f"{name}.xmp").write_text(SIDECAR.format(rating))
        ns = int(at.timestamp()) * SECOND
        os.utime(folder / f"{name}.xmp", ns=(ns, ns))
        world.forget_generations()
        answer = world.run("selects", "learn", folder, "--json")
        assert answer.status == 0, answer.err

    def both_gone(self, spoiled: str = "") -> dict[str, Any]:
        """Each put its snapshot onto the drives; the one at home had read more. Rebuilt from both.

        spoiled: statements that make nonsense of what the one on the road knew.
        """
        self.home.forget_generations()
        kept = self._snapshot(self.road, 1)
        if spoiled:
            plain = self.home.root / "plain.db"
            plain.write_bytes(gzip.decompress(kept))
            with contextlib.closing(sqlite3.connect(plain)) as connection:
                connection.executescript(spoiled)
            kept = gzip.compress(plain.read_bytes())
            for root in self.home.drives.values():
                for sound in (root / ".tripleguard/catalog").iterdir():
                    sound.unlink()
        # By their notes the second laptop would have taken over what the first one knew.
        self.home.forget_generations()
        self._snapshot(self.home, 6)
        (self.home.drives["A"] / ".tripleguard/catalog/catalog-20200101T000000Z-b.db.gz").write_bytes(kept)
        self.home.forget_generations()
        shutil.rmtree(self.home.home)
        answer = self.home.run("rebuild", *self.home.drives.values(), "--json")
        assert answer.status == 1, answer.err
        used = [one["used"] for one in answer.json["snapshots"]]
        assert used[:2] == ["base", "added"] if not spoiled else "added" not in used
        found: dict[str, Any] = answer.json
        return found

    def _snapshot(self, world: World, more: int) -> bytes:
        card = world.card(f"later{more}")
        card.frames(more, first=1000 * more)
        assert world.run("offload", card.root, "--shoot", "Quay").status == 0
        folder = world.drives["A"] / ".tripleguard/catalog"
        return max(folder.iterdir(), key=lambda path: path.stat().st_mtime_ns).read_bytes()


@pytest.fixture
def two(world: World) -> Two:
    """Six frames on A and B that both laptops know."""
    card = world.card()
    card.frames(6)
    assert world.run("offload", card.root, "--shoot", "Harbour").status == 0
    return Two(world)


def _chosen(world: World) -> set[str]:
    return {one["name"] for one in world.run("where", "--rating", "4", "--json").json["files"]}


def test_what_was_rated_and_chosen_on_either_laptop_is_chosen(two: Two) -> None:
    two.rate(two.home, "ORR_0001", 5, datetime(2026, 6, 15, tzinfo=UTC))
    two.rate(two.road, "ORR_0002", 4, datetime(2026, 6, 15, tzinfo=UTC))
    assert two.road.run("selects", "add", "ORR_0003").status == 0
    made = two.both_gone()
    assert made["conflicts"] == []
    assert _chosen(two.home) == {"ORR_0001.DNG", "ORR_0002.DNG"}
    assert two.home.run("selects", "--json").json["selects"] == 3


@pytest.mark.parametrize("later", ["home", "road"])
def test_two_ratings_of_one_picture_are_both_told_and_the_later_one_counts(two: Two, later: str) -> None:
    at = {"home": datetime(2026, 6, 15, tzinfo=UTC), "road": datetime(2026, 6, 15, tzinfo=UTC)}
    at[later] = datetime(2026, 6, 16, tzinfo=UTC)
    two.rate(two.home, "ORR_0001", 5, at["home"])
    two.rate(two.road, "ORR_0001", 2, at["road"])
    (conflict,) = (one for one in two.both_gone()["conflicts"] if "rated" in one["what"])
    assert conflict["path"].endswith("ORR_0001.DNG")
    assert "rated 2 (in a sidecar of 2026-06-1" in conflict["what"]
    assert "another source 5 (in" in conflict["what"]
    assert conflict["decided"] == "the later one counts"
    assert _chosen(two.home) == ({"ORR_0001.DNG"} if later == "home" else set())


def test_of_two_ratings_of_one_moment_the_higher_counts_and_both_are_told(two: Two) -> None:
    at = datetime(2026, 6, 15, tzinfo=UTC)
    two.rate(two.home, "ORR_0001", 3, at)
    two.rate(two.road, "ORR_0001", 5, at)
    (conflict,) = (one for one in two.both_gone()["conflicts"] if "rated" in one["what"])
    assert conflict["decided"] == "the higher one counts, none is later"
    assert _chosen(two.home) == {"ORR_0001.DNG"}


def test_what_a_hand_dropped_stays_dropped_though_the_other_laptop_chose_it_by_its_rating(two: Two) -> None:
    two.rate(two.home, "ORR_0001", 5, datetime(2026, 6, 15, tzinfo=UTC))
    assert two.road.run("selects", "drop", "ORR_0001").status == 0
    made = two.both_gone()
    assert any(one["decided"] == "what was not by rating counts" for one in made["conflicts"])
    two.home.run("selects", "learn")
    assert two.home.run("selects", "--json").json["selects"] == 0


def test_damage_that_one_laptop_saw_and_a_person_accepted_is_known_and_still_accepted(two: Two) -> None:
    card = two.road.card("cut")
    cut = card.raw("DCIM/100ORREY/ORR_0050.DNG")
    cut.write_bytes(cut.read_bytes()[:40_000])
    other = card.raw("DCIM/100ORREY/ORR_0051.DNG")
    other.write_bytes(other.read_bytes()[:40_000])
    assert two.road.run("offload", card.root, "--shoot", "Harbour").status == 1
    number = _finding(two.road, "ORR_0050")
    assert two.road.run("findings", "accept", number, "--because", "the client knows").status == 0
    two.both_gone()
    assert two.home.run("rescan").status in (0, 1)
    open_ones = [one["path"] for one in two.home.run("findings", "--json").json["findings"]]
    assert [Path(path).name for path in open_ones] == ["ORR_0051.DNG"]
    answer = two.home.run("clearance", "card", card.root, "--json").json
    assert {one["kind"]: one["count"] for one in answer["reasons"]} == {"damaged": 1}


def _finding(world: World, name: str) -> int:
    found = world.run("findings", "--json").json["findings"]
    return int(next(one["number"] for one in found if name in one["path"]))


def test_a_fault_on_a_drive_that_was_accepted_on_one_laptop_is_still_accepted(two: Two) -> None:
    (rotten,) = two.road.drives["B"].glob("2026/*/*/ORR_0004.DNG")
    rot(rotten)
    assert two.road.run("rescan", "--all").status == 1
    number = _finding(two.road, "ORR_0004")
    assert two.road.run("findings", "accept", number, "--because", "printed already").status == 0
    made = two.both_gone()
    assert made["conflicts"] == []
    two.home.run("rescan", "--all")
    assert [one["kind"] for one in two.home.run("findings", "--json").json["findings"]] == ["under-replicated"]


@pytest.mark.parametrize(
    "spoiled",
    [
        "PRAGMA ignore_check_constraints = ON; INSERT INTO selects VALUES (1, 1, 'whim', 5);",
        "PRAGMA ignore_check_constraints = ON; UPDATE integrity_checks SET verdict = 'dreamt';",
        "INSERT INTO selects VALUES (99999, 1, 'hand', 5);",
    ],
)
def test_of_a_laptop_whose_ratings_make_no_sense_nothing_is_taken_and_it_is_told(two: Two, spoiled: str) -> None:
    two.rate(two.home, "ORR_0001", 5, datetime(2026, 6, 15, tzinfo=UTC))
    two.rate(two.road, "ORR_0001", 2, datetime(2026, 6, 15, tzinfo=UTC))
    made = two.both_gone(spoiled)
    assert any("makes no sense" in one["reason"] for one in made["unusable"])
    assert _chosen(two.home) == {"ORR_0001.DNG"}
