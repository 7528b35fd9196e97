"""The laptop was stolen: a new catalog from what the drives carry, and what it may claim."""

from __future__ import annotations

import gzip
import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest
from world import World

from tripleguard.catalog.store import open_catalog


@pytest.fixture
def shot(world: World) -> World:
    """Six frames and a sidecar, on A and B."""
    card = world.card()
    card.frames(6)
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x/>")
    assert world.run("offload", card.root, "--shoot", "Harbour").status == 0
    return world


def _stolen(world: World) -> None:
    shutil.rmtree(world.home)


def _rebuilt(world: World, *names: str) -> dict[str, Any]:
    answer = world.run("rebuild", *(world.drives[name] for name in names), "--json")
    assert answer.status == 1, answer.err
    return answer.json


def test_a_stolen_laptop_costs_a_night_of_reading_and_no_knowledge(shot: World) -> None:
    before = {name: shot.on(name) for name in shot.drives}
    card = shot.root / "card"
    _stolen(shot)
    made = _rebuilt(shot, "A", "B")
    assert made["files"] == 7
    assert [(one["name"], one["known"], one["gone"]) for one in made["places"]] == [("A", 7, 0), ("B", 7, 0)]
    assert made["conflicts"] == []
    # What was only told is not believed.
    assert shot.run("report", "--json").json["owed"][0]["short"] == 7
    assert shot.run("rescan").status == 0
    assert shot.run("clearance", "card", card).status == 0
    assert shot.run("report").status == 0
    found = shot.run("where", "ORR_0003", "--json").json["files"]
    assert found[0]["shoot"] == "2026-06-13 Harbour"
    assert found[0]["captured_at"]
    assert {name: shot.on(name) for name in shot.drives} == before


def test_one_drive_alone_knows_of_the_other(shot: World) -> None:
    _stolen(shot)
    made = _rebuilt(shot, "B")
    assert made["away"] == ["A"]
    copies = shot.run("where", "ORR_0003", "--json").json["files"][0]["copies"]
    assert {one["place"] for one in copies} == {"A", "B"}
    assert all(one["verified_at"] is None for one in copies)


def test_without_a_snapshot_the_check_lists_are_enough(shot: World) -> None:
    _stolen(shot)
    for root in shot.drives.values():
        shutil.rmtree(root / ".tripleguard/catalog")
    made = _rebuilt(shot, "A", "B")
    assert made["snapshots"] == []
    assert [one["listed"] for one in made["places"]] == [7, 7]
    assert shot.run("rescan").status == 0
    assert shot.run("clearance", "card", shot.root / "card").status == 0
    assert shot.run("where", "Harbour", "--json").json["files"][0]["shoot"] == "2026-06-13 Harbour"


def test_a_damaged_snapshot_is_passed_over_for_another(shot: World) -> None:
    later = shot.card("later")
    later.frames(2, first=40)
    assert shot.run("offload", later.root, "--shoot", "Harbour").status == 0
    _stolen(shot)
    for number, snapshot in enumerate(sorted((shot.drives["A"] / ".tripleguard/catalog").iterdir())):
        content = snapshot.read_bytes()
        snapshot.write_bytes(content[: len(content) // 2] if number % 2 else b"not a catalog")
    made = _rebuilt(shot, "A", "B")
    assert made["files"] == 9
    assert made["unusable"]
    assert made["snapshots"][0]["source"].startswith("B: ")


def test_the_later_snapshot_is_told_by_what_it_knows_and_not_by_its_name(shot: World) -> None:
    """A clock that was set back gives the newest snapshot the oldest name."""
    folder = shot.drives["A"] / ".tripleguard/catalog"
    (first,) = folder.iterdir()
    kept = first.read_bytes()
    later = shot.card("later")
    later.frames(2, first=40)
    assert shot.run("offload", later.root, "--shoot", "Harbour").status == 0
    tail = first.name[len("catalog-20260101T000000Z") :]
    for number, snapshot in enumerate(sorted(folder.iterdir())):
        snapshot.rename(folder / f"catalog-20200101T00000{number}Z{tail}")
    (folder / f"catalog-20300101T000000Z{tail}").write_bytes(kept)
    _stolen(shot)
    made = _rebuilt(shot, "A")
    assert made["files"] == 9
    assert made["snapshots"][0]["files"] == 9


def test_a_folder_that_was_renamed_is_found_by_its_check_list(shot: World) -> None:
    for snapshot in (shot.drives["A"] / ".tripleguard/catalog").iterdir():
        snapshot.chmod(0o644)
    year = shot.drives["A"] / "2026"
    (year / "2026-06-13 Harbour").rename(year / "the best one")
    _stolen(shot)
    made = _rebuilt(shot, "A", "B")
    (a, b) = made["places"]
    assert (a["known"], a["moved"], a["gone"]) == (0, 7, 0)
    assert (b["known"], b["gone"]) == (7, 0)
    assert shot.run("rescan").status == 0
    paths = {one["path"] for one in shot.run("where", "ORR_0003", "--json").json["files"][0]["copies"]}
    assert any(path.startswith("2026/the best one/") for path in paths)


def test_what_two_sources_say_differently_is_told_and_not_decided(shot: World) -> None:
    _stolen(shot)
    (lists,) = shot.drives["A"].glob("2026/*/checksums.b3")
    lines = lists.read_text().splitlines()
    wrong = [("0" * 64 + line[64:]) if "ORR_0002" in line else line for line in lines]
    lists.write_text("\n".join(wrong) + "\n")
    made = _rebuilt(shot, "A", "B")
    (conflict,) = made["conflicts"]
    assert conflict["path"].endswith("ORR_0002.DNG")
    assert shot.run("rescan").status == 0
    assert shot.run("clearance", "card", shot.root / "card").status == 0


def test_two_laptops_catalogs_become_one(shot: World) -> None:
    """A was also used with another laptop, which knows a shoot that this one does not."""
    other = World(shot.root / "other")
    other.root.mkdir()
    other.drives = {"A": shot.drives["A"], "C": shot.folder("drive-c")}
    for one in (shot.drives["A"] / ".tripleguard/catalog").iterdir():
        one.rename(shot.root / one.name)
    assert (
        other.run(
            "setup", "--allow-same-disk", *(f"--drive={name}={path}" for name, path in other.drives.items())
        ).status
        == 0
    )
    card = other.card("quay")
    card.frames(3, first=200)
    assert other.run("offload", card.root, "--shoot", "Quay").status == 0
    other.drives["C"].rename(shot.root / "C is at home")
    _stolen(shot)
    made = _rebuilt(shot, "A", "B")
    assert made["files"] == 10
    assert {one["used"] for one in made["snapshots"]} == {"base", "added"}
    assert made["away"] == ["C"]
    assert shot.run("rescan").status == 0
    assert shot.run("report", "--json").json["owed"][0]["short"] == 3


def test_a_drive_whose_marker_is_damaged_is_named_by_the_person_and_stays_itself(shot: World) -> None:
    marker = shot.drives["A"] / ".tripleguard/place.json"
    before = marker.read_text()
    _stolen(shot)
    marker.write_bytes(b"\0" * 100)
    refused = shot.run("rebuild", shot.drives["A"], shot.drives["B"])
    assert refused.status == 3
    assert "does not parse" in refused.err
    wrong = shot.run("rebuild", shot.drives["B"], "--as", f"A={shot.folder('empty')}")
    assert wrong.status == 2
    assert "does not look like drive A" in wrong.err
    answer = shot.run("rebuild", shot.drives["B"], "--as", f"A={shot.drives['A']}", "--json")
    assert answer.status == 1, answer.err
    assert sorted(one["known"] for one in answer.json["places"]) == [7, 7]
    assert marker.read_text().split('"id"')[1][:40] == before.split('"id"')[1][:40]


def test_a_catalog_that_is_there_is_never_lost(shot: World) -> None:
    refused = shot.run("rebuild", shot.drives["A"])
    assert refused.status == 2
    assert "catalog" in refused.err
    open_catalog(shot.home / "catalog.db").close()
    answer = shot.run("rebuild", shot.drives["A"], shot.drives["B"], "--anew", "--json")
    assert answer.status == 1, answer.err
    kept = Path(answer.json["kept"])
    connection = sqlite3.connect(kept)
    assert connection.execute("SELECT count(*) FROM files").fetchone() == (7,)
    connection.close()


def test_a_snapshot_with_tables_of_its_own_is_taken_by_its_rows_only(shot: World) -> None:
    _stolen(shot)
    for name in ("A", "B"):
        (packed,) = (shot.drives[name] / ".tripleguard/catalog").iterdir()
        plain = shot.root / "plain.db"
        plain.write_bytes(gzip.decompress(packed.read_bytes()))
        connection = sqlite3.connect(plain)
        connection.executescript(
            "CREATE TRIGGER sly AFTER UPDATE ON copies BEGIN UPDATE copies SET verified_at = 1, medium = 'direct'"
            " WHERE id = NEW.id AND verified_at IS NULL; END;"
        )
        connection.close()
        packed.write_bytes(gzip.compress(plain.read_bytes()))
        plain.unlink()
    made = _rebuilt(shot, "A", "B")
    assert [one["used"] for one in made["snapshots"]] == ["added"]
    assert shot.run("report", "--json").json["owed"][0]["short"] == 7


def test_a_file_that_was_cut_off_before_does_not_spoil_the_good_copy(shot: World) -> None:
    """Without a snapshot a size is only what the drive says; the digest decides."""
    _stolen(shot)
    for root in shot.drives.values():
        shutil.rmtree(root / ".tripleguard/catalog")
    (short,) = shot.drives["A"].glob("2026/*/*/ORR_0004.DNG")
    with short.open("r+b") as file:
        file.truncate(1000)
    _rebuilt(shot, "A")
    assert shot.run("rescan").status == 1
    assert shot.run("drives", "add", "B", shot.drives["B"]).status == 0
    assert shot.run("offload", shot.root / "card", "--shoot", "Harbour").status in (0, 1)
    (good,) = shot.drives["B"].glob("2026/*/*/ORR_0004.DNG")
    assert good.stat().st_size > 1000
    answer = shot.run("clearance", "card", shot.root / "card", "--json")
    assert answer.status == 0, answer.out
