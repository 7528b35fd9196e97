"""The client's folder is ready: what is not in it, and what may be in it that was not meant."""

from __future__ import annotations

from pathlib import Path

import pytest
from test_two_laptops import SIDECAR
from world import World, contents


@pytest.fixture
def after(world: World) -> World:
    """Four frames, one with a sidecar, one cut short on the card; all on A and B."""
    card = world.card()
    card.frames(4)
    card.put("DCIM/100ORREY/ORR_0001.xmp", SIDECAR.format(0).encode())
    cut = card.raw("DCIM/100ORREY/ORR_0009.DNG")
    cut.write_bytes(cut.read_bytes()[:40_000])
    assert world.run("offload", card.root, "--shoot", "Quay").status == 1
    return world


def _body(world: World, drive: str) -> Path:
    (folder,) = world.drives[drive].glob("2026/*/*/")
    return folder


def _given(root: Path) -> list[str]:
    return sorted(Path(path).name for path in contents(root / "data"))


def test_what_nobody_entered_yet_is_said_to_be_missing_from_the_bag(after: World) -> None:
    (_body(after, "A") / "ORR_0002.xmp").write_text(SIDECAR.format(4))
    exports = _body(after, "B").parent / "exports"
    exports.mkdir()
    (exports / "ORR_0001.jpg").write_bytes(b"an export")
    (exports / ".DS_Store").write_bytes(b"litter")
    answer = after.run("handover", "Quay", after.root / "early")
    assert answer.status == 1
    assert "NOT IN IT: drive A: 2026/2026-06-13 Quay/Orrery R7 7731/ORR_0002.xmp" in answer.out
    assert "NOT IN IT: drive B: 2026/2026-06-13 Quay/exports/ORR_0001.jpg" in answer.out
    assert ".DS_Store" not in answer.out
    after.run("rescan")
    after.run("adopt")
    late = after.run("handover", "Quay", after.root / "late", "--json")
    assert (late.status, late.json["not_in_it"]) == (0, [])
    assert {"ORR_0002.xmp", "ORR_0001.jpg"} <= set(_given(after.root / "late"))


def test_a_sidecar_that_was_edited_since_is_not_called_lost(after: World) -> None:
    for drive in "AB":
        (_body(after, drive) / "ORR_0001.xmp").write_text(SIDECAR.format(3) + " ")
    answer = after.run("handover", "Quay", after.root / "client", "--json")
    assert answer.status == 1
    (left,) = answer.json["left_out"]
    assert "`tripleguard rescan`" in left["reason"]
    after.run("rescan")
    assert after.run("handover", "Quay", after.root / "client").status == 0


def test_rejected_and_damaged_pictures_and_sidecars_are_told_before_they_are_given_away(after: World) -> None:
    for drive in "AB":
        (_body(after, drive) / "ORR_0003.xmp").write_text(SIDECAR.format(-1))
    after.run("rescan")
    assert after.run("selects", "learn").status == 0
    answer = after.run("handover", "Quay", after.root / "client", "--json")
    assert answer.status == 0
    named = {key: [Path(path).name for path in answer.json[key]] for key in ("rejected", "damaged")}
    assert named == {"rejected": ["ORR_0003.DNG"], "damaged": ["ORR_0009.DNG"]}
    assert answer.json["sidecars"] == 2
    told = after.run("handover", "Quay", after.root / "again").out
    assert told.count("Look before you give it away") == 3


def test_of_the_selects_only_what_belongs_to_them_is_missed(after: World) -> None:
    (_body(after, "A") / "ORR_0001.jpg").write_bytes(b"an export of a select")
    (_body(after, "A") / "ORR_0004.jpg").write_bytes(b"an export of another")
    assert after.run("selects", "add", "ORR_0001.DNG").status == 0
    answer = after.run("handover", "Quay", after.root / "client", "--selects", "--json")
    assert [Path(one["path"]).name for one in answer.json["not_in_it"]] == ["ORR_0001.jpg"]


def test_a_folder_with_a_list_and_an_unfinished_one_are_called_what_they_are(after: World) -> None:
    after.run("handover", "Quay", after.root / "plain", "--list")
    told = after.run("handover", "--check", after.root / "plain")
    assert told.status == 1
    assert "`sha256sum --check checksums.sha256`" in told.out
    (_body(after, "A") / "ORR_0002.DNG").unlink()
    (_body(after, "B") / "ORR_0002.DNG").unlink()
    assert after.run("handover", "Quay", after.root / "half").status == 1
    assert "an unfinished handover" in after.run("handover", "--check", after.root / "half").out
