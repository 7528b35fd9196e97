"""The night: reading everything again, and putting right what a good copy can put right."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from world import World, contents

from tripleguard.forecast.rescan_plan import compute_bad_share_bound, plan_nightly_rescan
from tripleguard.jobs.repair.recombine import find_recipe
from tripleguard.jobs.rescan.damage import DamageClassifier


def _rot(path: Path, offset: int, length: int = 1) -> None:
    status = path.stat()
    with path.open("r+b") as file:
        file.seek(offset)
        old = file.read(length)
        file.seek(offset)
        file.write(bytes(byte ^ 1 for byte in old))
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


def _offloaded(world: World) -> tuple[Path, Path]:
    card = world.card()
    card.frames(6, size=256 << 10)
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x/>")
    assert world.run("offload", card.root).status == 0
    return next(world.drives["A"].glob("2026/*/*/")), next(world.drives["B"].glob("2026/*/*/"))


def test_an_unchanged_archive_has_no_findings(world: World) -> None:
    _offloaded(world)
    found = world.run("rescan", "--all", "--json")
    assert (found.status, found.json["findings"], found.json["finished"]) == (0, [], True)
    assert found.json["read_back"] == 14


def test_everything_that_goes_wrong_is_found_and_repaired(world: World) -> None:
    a, b = _offloaded(world)
    before = world.on("A")
    _rot(a / "ORR_0001.DNG", 1000)
    _rot(a / "ORR_0002.DNG", 65536, 65536)
    os.truncate(a / "ORR_0003.DNG", 1000)
    (a / "ORR_0004.DNG").unlink()
    (a / "chosen").mkdir()
    (a / "ORR_0005.DNG").rename(a / "chosen" / "ORR_0005.DNG")
    good = {path: os.stat(path).st_ino for path in b.iterdir()}
    kinds = {
        (one["kind"], Path(one["path"]).name) for one in world.run("rescan", "--all", "--json").json["findings"]
    }
    assert {
        ("corrupt", "ORR_0001.DNG"),
        ("corrupt", "ORR_0002.DNG"),
        ("altered", "ORR_0003.DNG"),
        ("missing", "ORR_0004.DNG"),
        ("misplaced", "ORR_0005.DNG"),
    } <= kinds
    messages = " ".join(one["message"] for one in world.run("findings", "--json").json["findings"])
    assert "one bit is flipped, at byte 1,000" in messages
    would = world.run("repair", "--dry-run", "--json").json
    assert len(would["repaired"]) == 5
    assert world.run("repair").status == 0
    assert world.on("A") == before
    assert {path: os.stat(path).st_ino for path in b.iterdir()} == good
    assert world.run("rescan", "--all").status == 0
    assert world.run("report").status == 0
    quarantine = [path for path in contents(world.drives["A"]) if "/quarantine/" in path and path.endswith(".DNG")]
    assert len(quarantine) == 3


def test_a_changed_sidecar_is_a_new_version_and_reaches_the_other_drive(world: World) -> None:
    a, b = _offloaded(world)
    (a / "ORR_0001.xmp").write_bytes(b"<x rating='5'/>")
    assert world.run("rescan", "--quick").status == 0
    assert world.run("report", "--json").json["counts"]["stale"] == 1
    assert world.run("repair").status == 0
    assert (b / "ORR_0001.xmp").read_bytes() == b"<x rating='5'/>"
    kept = [path for path in world.drives["B"].rglob("ORR_0001.xmp") if "quarantine" in path.parts]
    assert [path.read_bytes() for path in kept] == [b"<x/>"]
    assert world.run("report").status == 0


def test_without_a_good_copy_all_is_kept_and_two_bad_ones_make_a_whole(world: World) -> None:
    a, b = _offloaded(world)
    before = world.on("A")
    _rot(a / "ORR_0001.DNG", 5000)
    _rot(b / "ORR_0001.DNG", 200_000)
    _rot(a / "ORR_0002.DNG", 5000)
    _rot(b / "ORR_0002.DNG", 5000)
    world.run("rescan", "--all")
    answer = world.run("repair", "--json").json
    assert {Path(one["path"]).name for one in answer["not_repaired"]} == {"ORR_0002.DNG"}
    repaired = world.on("A")
    assert {path for path in before if repaired.get(path) != before[path]} == {
        path for path in before if path.endswith("ORR_0002.DNG")
    }


def test_a_finding_is_accepted_with_a_reason(world: World) -> None:
    a, _ = _offloaded(world)
    (a / "strange.bin").write_bytes(b"mine")
    world.run("rescan", "--quick")
    stray = world.run("findings", "--json").json["findings"][0]
    assert stray["kind"] == "stray"
    assert world.run("findings", "accept", stray["number"], "--because", "a seating plan").status == 0
    assert world.run("report").status == 0
    assert "a seating plan" in world.run("log").out


def test_a_drill_restores_and_compares(world: World) -> None:
    a, _ = _offloaded(world)
    first = world.run("drill", "--files", "7", "--seed", "3", "--json")
    assert (first.status, [one["sampled"] for one in first.json["places"]]) == (0, [7, 7])
    _rot(a / "ORR_0003.DNG", 9)
    again = world.run("drill", "--files", "7", "--seed", "3", "--json")
    assert again.status == 1
    assert again.json["places"][0]["failed"][0]["path"].endswith("ORR_0003.DNG")


def test_a_drill_without_failures_bounds_the_share_by_the_rule_of_three() -> None:
    """Hanley and Lippman-Hand, JAMA 249 (1983), from memory: at most 3/n at 95 %."""
    for sampled in (30, 100, 1000):
        assert compute_bad_share_bound(sampled, 0) == pytest.approx(1 - 0.05 ** (1 / sampled), rel=1e-9)
        assert compute_bad_share_bound(sampled, 0) == pytest.approx(3 / sampled, rel=0.06)
    assert compute_bad_share_bound(0, 0) == 1.0


def test_a_night_of_two_hours_keeps_a_full_drive_within_a_month() -> None:
    """2 TB at 120 MB/s is 4.6 hours of reading: arithmetic."""
    plan = plan_nightly_rescan(2_000_000_000_000, 120e6, 2 * 3600, 30)
    assert plan.is_enough
    assert plan.nights_needed == pytest.approx(2.3148, abs=1e-4)


@pytest.mark.parametrize(
    ("shape", "start", "length"), [("bit", 7, 0), ("sector", 1024, 512), ("region", 65536, 65536)]
)
def test_the_shapes_of_damage_are_told(shape: str, start: int, length: int) -> None:
    """Shapes: Panzer-Steindel, Data integrity, CERN 2007 (single bits, 512-byte sectors, 64 KiB regions)."""
    good = os.urandom(300_000)
    bad = bytearray(good)
    if length:
        bad[start : start + length] = bytes(byte ^ 0xFF for byte in good[start : start + length])
    else:
        bad[start] ^= 4
    comparison = DamageClassifier()
    for offset in range(0, len(good), 100_000):
        comparison.feed(bytes(bad[offset : offset + 100_000]), good[offset : offset + 100_000])
    assert comparison.classify().shape == shape


def test_a_zero_tail_and_a_truncation_are_told() -> None:
    good = bytes(range(1, 256)) * 100
    for bad, shape in ((good[:5000] + bytes(len(good) - 5000), "zero tail"), (good[:5000], "truncated")):
        comparison = DamageClassifier()
        comparison.feed(bad, good)
        assert comparison.classify().shape == shape


def test_a_recombination_is_only_offered_when_its_digest_proves_it() -> None:
    from tripleguard.digest import compute_digest
    from tripleguard.model import File

    good = os.urandom(50_000)
    one, other = bytearray(good), bytearray(good)
    one[100] ^= 1
    other[40_000] ^= 1

    def reads(data: bytes) -> object:
        return lambda offset, length: data[offset : offset + length]

    whole = File(compute_digest(good), len(good))
    assert find_recipe(whole, reads(bytes(one)), reads(bytes(other)), lambda: False) is not None  # type: ignore[arg-type]
    other[100] ^= 1
    assert find_recipe(whole, reads(bytes(one)), reads(bytes(other)), lambda: False) is None  # type: ignore[arg-type]
