"""Both copies of a picture are damaged: what can be proved whole is put together, all else is kept and said.

A case is how the two are damaged, and whether one whole file is still in them. Nothing here believes the program:
what lies on the drives afterwards is read with plain calls.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass

from damage_injection import REGION, SECTOR, rewrite
from oracle import ASIDE
from rot_scenarios import Archive, Mark, all_clear

Pair = tuple[bytes, bytes]


@dataclass(frozen=True)
class Case:
    """How both copies of one file are damaged. whole: whether they hold it between them, byte for byte."""

    name: str
    whole: bool
    hurt: Callable[[bytes, random.Random], Pair]


def _garbled(good: bytes, start: int, length: int, chance: random.Random) -> bytes:
    return good[:start] + chance.randbytes(length) + good[start + length :]


def _flipped(good: bytes, offset: int) -> bytes:
    return good[:offset] + bytes([good[offset] ^ 0x10]) + good[offset + 1 :]


def _same_sector(good: bytes, chance: random.Random) -> Pair:
    start = chance.randrange(len(good) // SECTOR) * SECTOR
    return _garbled(good, start, SECTOR, chance), _garbled(good, start, SECTOR, chance)


def _same_bytes(good: bytes, chance: random.Random) -> Pair:
    """As when the fault was there before the second copy was made from the first."""
    bad = _flipped(good, chance.randrange(len(good)))
    return bad, bad


def _overlapping(good: bytes, chance: random.Random) -> Pair:
    start = chance.randrange(len(good) // REGION - 1) * REGION
    return _garbled(good, start, REGION, chance), _garbled(good, start + REGION // 2, REGION, chance)


def _one_place_in_common(good: bytes, chance: random.Random) -> Pair:
    one, other = _same_sector(good, chance)
    return _flipped(one, 2 * SECTOR), _flipped(other, len(good) - 5)


def _apart(good: bytes, chance: random.Random) -> Pair:
    region = chance.randrange(len(good) // REGION) * REGION
    beside = (region - SECTOR, region + REGION)
    free = [at for at in range(0, len(good) - SECTOR, SECTOR) if not beside[0] <= at <= beside[1]]
    return _garbled(good, region, REGION, chance), _garbled(good, chance.choice(free), SECTOR, chance)


def _many_apart(good: bytes, chance: random.Random) -> Pair:
    """Eight places, four in each."""
    places = [2 * SECTOR * place for place in chance.sample(range(len(good) // SECTOR // 2), 8)]
    one = other = good
    for place in places[:4]:
        one = _garbled(one, place, SECTOR, chance)
    for place in places[4:]:
        other = _flipped(other, place)
    return one, other


def _tail_and_bit(good: bytes, chance: random.Random) -> Pair:
    start = chance.randrange(len(good) // 2, len(good) - 1)
    return good[:start] + bytes(len(good) - start), _flipped(good, chance.randrange(len(good) // 3))


def _cut_off_twice(good: bytes, chance: random.Random) -> Pair:
    return good[: chance.randrange(1, len(good))], good[: chance.randrange(1, len(good))]


CASES = (
    Case("one sector", False, _same_sector),
    Case("the same bit", False, _same_bytes),
    Case("overlapping regions", False, _overlapping),
    Case("one place in common of several", False, _one_place_in_common),
    Case("both cut off", False, _cut_off_twice),
    Case("regions apart", True, _apart),
    Case("eight places apart", True, _many_apart),
    Case("a zero tail and a bit", True, _tail_and_bit),
)


def damage_both(place: Archive, seed: int, each: int) -> dict[str, Case]:
    """Damage both copies of so many files by each case; times stay. By path, how.

    Only in an archive that is new: a version that is in quarantine is one more to put a whole file together from.
    """
    chance = random.Random(seed)
    assert not any((root / ASIDE).exists() for root in place.world.drives.values())
    victims = chance.sample(sorted(place.originals()), each * len(CASES))
    hurt: dict[str, Case] = {}
    for number, path in enumerate(victims):
        case = CASES[number % len(CASES)]
        drives = [root / path for root in place.world.drives.values()]
        good = drives[0].read_bytes()
        for where, bad in zip(drives, case.hurt(good, chance), strict=True):
            assert bad != good
            rewrite(where, bad)
        hurt[path] = case
    return hurt


def both_damaged(place: Archive, seed: int, each: int) -> dict[str, int]:
    """Damage, find, repair; what is lost is kept and said, and the card, while it is there, pays for it.

    How many files were put together and how many could not be. Raises AssertionError.
    """
    world = place.world
    hurt = damage_both(place, seed, each)
    lost = {path for path, case in hurt.items() if not case.whole}
    damaged = place.marks()
    found = world.run("rescan", "--all", "--json").json
    assert {(one["place"], one["path"]) for one in found["findings"]} == {
        (name, path) for name in world.drives for path in hurt
    }
    done = world.run("repair", "--json")
    assert done.status == 1, f"{done.status} {done.out}{done.err}"
    _whole_or_kept(place, hurt, damaged)
    assert {one["path"] for one in done.json["repaired"]} == set(hurt) - lost
    told = [(one["path"], one["reason"]) for one in done.json["not_repaired"]]
    assert sorted(path for path, _ in told) == sorted([*lost, *lost])
    assert all("Every version was kept" in reason and "recovery service" in reason for _, reason in told)
    _said(place, lost)
    assert world.run("rescan", "--all", "--json").json["findings"] == [], "nothing new was to be found"
    _whole_or_kept(place, hurt, damaged)
    _paid_by_the_card(place, lost, damaged)
    return {"put together": len(hurt) - len(lost), "not": len(lost)}


def _whole_or_kept(place: Archive, hurt: dict[str, Case], damaged: dict[tuple[str, str], Mark]) -> None:
    for (name, path), mark in place.marks().items():
        case = hurt.get(path)
        if case is None or not case.whole:
            assert mark == damaged[name, path], f"{case and case.name}: {path} on {name} was touched"
        else:
            assert mark.digest == place.files[path], f"{case.name}: {path} on {name} is not whole"


def _said(place: Archive, lost: set[str]) -> None:
    report = place.world.run("report", "--json")
    assert report.status == 1
    findings = report.json["findings"]
    assert sorted(one["path"] for one in findings if one["path"]) == sorted([*lost, *lost])
    short = [one for one in findings if one["kind"] == "under-replicated"]
    assert [(one["severity"], one["count"]) for one in short] == [("now", len(lost))]
    assert "no verified copy" in short[0]["message"]
    assert place.world.run("clearance", "card", place.card.root).status == 1


def _paid_by_the_card(place: Archive, lost: set[str], damaged: dict[tuple[str, str], Mark]) -> None:
    """The card still has them: it is offloaded again, and all is whole; the bad copies are in quarantine.

    The bad ones had the names when the card was read, so the good ones lie under a second name as well.
    """
    world = place.world
    assert world.run("offload", place.card.root).status == 0
    assert world.run("repair").status == 0
    for name, root in world.drives.items():
        inodes = {path.stat().st_ino for path in root.rglob("*") if path.is_file()}
        assert all(damaged[name, path].inode in inodes for path in lost), f"a version on {name} is gone"
    all_clear(place, twice=len(lost))
