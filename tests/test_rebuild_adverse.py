"""Rebuilding when things are worse than a stolen laptop: kills, foreign snapshots, clones, mixed-up drives."""

from __future__ import annotations

import gzip
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from world import World

from tripleguard.catalog.store import open_catalog
from tripleguard.digest import compute_digest
from tripleguard.errors import NameTakenError
from tripleguard.home import create_home, install_catalog, open_home_lock, resolve_home
from tripleguard.places.drive import open_drive
from tripleguard.places.locks import LockHolder, hold_lock

pytestmark = pytest.mark.alone


@pytest.fixture
def shot(world: World) -> World:
    """Six frames and a sidecar, on A and B."""
    card = world.card()
    card.frames(6)
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x/>")
    assert world.run("offload", card.root, "--shoot", "Harbour").status == 0
    return world


def _stolen(world: World, *, snapshots: bool = True) -> None:
    shutil.rmtree(world.home)
    world.home.mkdir()
    world.settings("")
    if not snapshots:
        for root in world.drives.values():
            shutil.rmtree(root / ".tripleguard/catalog")


def _mtime(path: Path) -> int:
    return path.stat().st_mtime_ns


def _rebuilt(world: World, *arguments: object) -> dict[str, Any]:
    answer = world.run("rebuild", *arguments, "--json")
    assert answer.status == 1, answer.err
    return answer.json


def _spoil(world: World, name: str, script: str) -> None:
    """Change what the snapshot on a drive says."""
    (packed,) = (world.drives[name] / ".tripleguard/catalog").iterdir()
    plain = world.root / "plain.db"
    plain.write_bytes(gzip.decompress(packed.read_bytes()))
    connection = sqlite3.connect(plain)
    connection.executescript(script)
    connection.close()
    packed.write_bytes(gzip.compress(plain.read_bytes()))
    plain.unlink()


def _left_wal(database: Path, wal: Path) -> None:
    """What a process leaves that is killed with a catalog open: another one's last pages, not yet in place."""
    connection = sqlite3.connect(database, isolation_level=None)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("CREATE TABLE intruder (what TEXT)")
    connection.execute("INSERT INTO intruder VALUES (?)", ("x" * 200_000,))
    shutil.copy(database.with_name(database.name + "-wal"), wal)
    connection.close()


@pytest.mark.parametrize("where", ["scratch/rebuilt.db-wal", "catalog.db-wal"])
def test_what_a_killed_run_left_does_not_get_into_the_new_catalog(shot: World, where: str) -> None:
    """SQLite plays a journal that lies beside a file into it, whoever left it (sqlite.org/howtocorrupt, 1.4)."""
    _stolen(shot)
    (shot.home / "scratch").mkdir(parents=True)
    _left_wal(shot.root / "another.db", shot.home / where)
    made = _rebuilt(shot, shot.drives["A"], shot.drives["B"])
    assert made["files"] == 7
    catalog = open_catalog(shot.home / "catalog.db")
    try:
        assert catalog.fetch_one("PRAGMA integrity_check") == ("ok",)
        assert catalog.has_known_schema()
    finally:
        catalog.close()


def test_a_catalog_that_somebody_works_with_is_not_replaced(shot: World) -> None:
    """An offload onto another drive goes on in its catalog meanwhile: it must not be pulled from under it."""
    with shot.ctx() as ctx:
        with ctx.catalog.transaction():
            ctx.catalog.execute("UPDATE places SET last_path = last_path")
        refused = shot.run("rebuild", shot.drives["A"], "--anew")
        assert refused.status == 3, refused.out
        assert "in use" in refused.err
        assert not list(shot.home.glob("catalog-before-*"))
    assert shot.run("rebuild", shot.drives["A"], "--anew").status == 1


def test_the_old_catalog_is_whole_where_it_is_kept(shot: World) -> None:
    """Its last changes may still lie in its journal, as after a kill."""
    home = resolve_home(str(shot.home))
    process = subprocess.Popen(
        [
            sys.executable,
            "-c",
            "import sqlite3, sys, time\n"
            "c = sqlite3.connect(sys.argv[1], isolation_level=None)\n"
            "c.execute(\"INSERT INTO meta VALUES ('last thing', 'noted')\")\n"
            "print('noted', flush=True)\ntime.sleep(60)",
            str(home.catalog),
        ],
        stdout=subprocess.PIPE,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == b"noted\n"
    process.send_signal(signal.SIGKILL)
    process.wait()
    process.stdout.close()
    assert home.catalog.with_name("catalog.db-wal").stat().st_size > 0
    whole = shot.root / "whole.db"
    shutil.copy(home.catalog, whole)
    kept = install_catalog(home, whole, time.time_ns())
    assert kept is not None
    connection = sqlite3.connect(kept)
    assert connection.execute("SELECT value FROM meta WHERE key = 'last thing'").fetchone() == ("noted",)
    connection.close()
    assert not home.catalog.with_name("catalog.db-wal").exists()


def test_a_file_that_lost_all_its_bytes_does_not_stop_the_rebuild(shot: World) -> None:
    """A power cut can leave a name with nothing in it; the check list still says what it held."""
    _stolen(shot, snapshots=False)
    (empty,) = shot.drives["A"].glob("2026/*/*/ORR_0004.DNG")
    empty.write_bytes(b"")
    made = _rebuilt(shot, shot.drives["A"], shot.drives["B"])
    assert made["files"] == 7
    assert any(one["path"].endswith("ORR_0004.DNG") for one in made["conflicts"])
    shot.run("rescan")
    shot.run("repair")
    shot.run("topup")
    assert shot.run("clearance", "card", shot.root / "card").status == 0


def test_a_check_list_that_calls_a_picture_empty_does_not_stop_the_rebuild(shot: World) -> None:
    _stolen(shot, snapshots=False)
    (lists,) = shot.drives["A"].glob("2026/*/checksums.b3")
    lines = lists.read_text().splitlines()
    nothing = compute_digest(b"").hex()
    lists.write_text("\n".join(nothing + line[64:] if "ORR_0002" in line else line for line in lines) + "\n")
    made = _rebuilt(shot, shot.drives["A"])
    assert made["files"] == 6
    assert made["places"][0]["unknown"] == 1


def test_a_cut_off_copy_met_first_does_not_hide_the_good_one(shot: World) -> None:
    _stolen(shot, snapshots=False)
    (short,) = shot.drives["A"].glob("2026/*/*/ORR_0004.DNG")
    with short.open("r+b") as file:
        file.truncate(1000)
    _rebuilt(shot, shot.drives["A"], shot.drives["B"])
    shot.run("rescan")
    shot.run("repair")
    shot.run("topup")
    answer = shot.run("clearance", "card", shot.root / "card", "--json")
    assert answer.status == 0, answer.out


SPOILED: dict[str, str] = {
    "a column is missing": "DROP TRIGGER file_added; ALTER TABLE files DROP COLUMN sample;",
    "a day that is none": "PRAGMA ignore_check_constraints = ON; UPDATE shoots SET day = 'soon';",
    "a path that is a number": "UPDATE folders SET path = 5;",
    "a kind that nobody knows": "UPDATE files SET kind = 'dream';",
    "a size that is wrong": "PRAGMA ignore_check_constraints = ON; UPDATE files SET size = 0;",
    "a state that nobody knows": "PRAGMA ignore_check_constraints = ON; UPDATE copies SET state = 'fine';",
    "a copy of no file": "PRAGMA foreign_keys = OFF; DELETE FROM files WHERE id = 1;",
    "a time that is none": "UPDATE places SET added_at = 9223372036854775807;",
    "a copy in the tool's own folder": "UPDATE folders SET path = '.tripleguard' WHERE id = 2;",
    "its folder spelt otherwise": "UPDATE folders SET path = '.TripleGuard/incoming' WHERE id = 2;",
    "with a letter that does not show": "UPDATE folders SET path = '.triple' || char(8204) || 'guard'"
    " WHERE id = 2;",
    "a good copy quarantine": "UPDATE folders SET path = "
    "'.tripleguard/quarantine/20260613T000000Z-00000000' WHERE id = 2;",
    "a copy that is a check list": "UPDATE copies SET name = 'Checksums.b3' WHERE id = 1;",
    "a shoot that is a path": "UPDATE shoots SET name = 'x/../../../.tripleguard';",
    "a shoot that is a path on Windows": "UPDATE shoots SET name = 'x\\y';",
    "a camera that is a path": "UPDATE bodies SET label = '../../.tripleguard';",
    "a file that is a path": "UPDATE files SET name = '../place.json' WHERE id = 1;",
    "a drive that is a path": "UPDATE places SET name = '../x' WHERE id = 1;",
    "a version in the tool's own folder": "INSERT INTO versions (shoot_id, path, number, file_id, mtime_ns,"
    " seen_at) VALUES (1, '.tripleguard/place.json', 1, 1, 1, 1);",
    "a finding in the tool's own folder": "INSERT INTO findings (kind, place_id, path, since, seen_at)"
    " VALUES ('corrupt', 1, '.tripleguard/place.json', 1, 1);",
    "a name that clears the screen": "UPDATE places SET name = name || char(27) || '[2J';",
    "a note that clears the screen": "UPDATE places SET note = char(27) || '[2J';",
    "a rule that is no number": "UPDATE meta SET value = 'many' WHERE key = 'required_copies';",
}


@pytest.mark.parametrize("how", SPOILED)
@pytest.mark.parametrize("foreign", [False, True])
def test_a_snapshot_that_says_nonsense_is_passed_over(shot: World, how: str, foreign: bool) -> None:
    """foreign: with a table of its own besides, so that only its rows are taken."""
    _stolen(shot)
    for name in ("A", "B"):
        _spoil(shot, name, SPOILED[how] + ("CREATE TABLE mine (a);" if foreign else ""))
    made = _rebuilt(shot, shot.drives["A"], shot.drives["B"])
    assert made["files"] == 7
    assert shot.run("rescan").status == 0
    assert shot.run("clearance", "card", shot.root / "card").status == 0


def test_no_snapshot_of_a_stranger_makes_a_repair_touch_the_marker(shot: World) -> None:
    """It says that a picture lies where the marker does, and that what lies there is not the picture."""
    _stolen(shot)
    own = "INSERT INTO folders (place_id, path) VALUES (1, '.tripleguard');"
    own += "INSERT INTO copies (file_id, place_id, folder_id, name, shoot_id, mtime_ns, state, state_since)"
    own += " SELECT 1, 1, id, 'place.json', 1, 1, 'corrupt', 1 FROM folders WHERE path = '.tripleguard';"
    for name in ("A", "B"):
        _spoil(shot, name, own)
    marker = (shot.drives["A"] / ".tripleguard/place.json").read_bytes()
    made = _rebuilt(shot, shot.drives["A"], shot.drives["B"])
    assert all("keeps for itself" in one["reason"] for one in made["unusable"]), made["unusable"]
    assert made["unusable"]
    for command in (("rescan",), ("repair",), ("topup",)):
        shot.run(*command)
    assert (shot.drives["A"] / ".tripleguard/place.json").read_bytes() == marker


@pytest.mark.parametrize("path", [".tripleguard/place.json", ".TRIPLEGUARD/place.json", ".tripleguard./x"])
def test_whatever_a_catalog_says_nothing_is_put_into_the_tools_own_folder_or_taken_out(
    shot: World, path: str
) -> None:
    drive = open_drive(shot.drives["A"])
    try:
        incoming = drive.begin_copy(3)
        incoming.write(memoryview(b"abc"))
        incoming.flush(1)
        with pytest.raises(NameTakenError):
            incoming.publish(path)
        incoming.discard()
        with pytest.raises(NameTakenError):
            drive.quarantine(path, "a test")
        with pytest.raises(NameTakenError):
            drive.move(next(entry.path for entry in drive.walk("")), path)
    finally:
        drive.close()


def test_two_laptops_that_went_on_from_one_catalog_both_count(shot: World) -> None:
    """The same number of events, other events: the second is not taken for a copy of the first."""
    other = World(shot.root / "other")
    other.root.mkdir()
    shutil.copytree(shot.home, other.home)
    other.drives = {name: shot.drives[name] for name in ("A", "B")}
    for world, first in ((shot, 100), (other, 200)):
        card = world.card("later")
        card.frames(2, first=first)
        assert world.run("offload", card.root, "--shoot", "Quay").status == 0
        if world is shot:
            first_one = max((shot.drives["A"] / ".tripleguard/catalog").iterdir(), key=_mtime).read_bytes()
    _stolen(shot)
    for root in shot.drives.values():
        for lists in root.glob("2026/*/checksums.b3"):
            lists.unlink()
    (shot.drives["A"] / ".tripleguard/catalog/catalog-20200101T000000Z-b.db.gz").write_bytes(first_one)
    made = _rebuilt(shot, shot.drives["A"], shot.drives["B"])
    assert made["files"] == 11, made["unusable"]


def test_a_drive_that_one_of_two_laptops_took_for_lost_does_not_count(shot: World) -> None:
    """The other one never heard of it and knows more files, so that its catalog becomes the base."""
    other = World(shot.root / "other")
    other.root.mkdir()
    shutil.copytree(shot.home, other.home)
    other.drives = dict(shot.drives)
    assert shot.run("drives", "lost", "B").status == 1
    late = shot.card("late")
    late.frames(1, first=70)
    assert shot.run("offload", late.root, "--drive", "A").status == 1
    newest = max((shot.drives["A"] / ".tripleguard/catalog").iterdir(), key=_mtime).read_bytes()
    more = other.card("more")
    more.frames(2, first=90)
    other.forget_generations()
    assert other.run("offload", more.root).status == 0
    (shot.drives["A"] / ".tripleguard/catalog/catalog-20250101T000000Z-b.db.gz").write_bytes(newest)
    _stolen(shot)
    made = _rebuilt(shot, shot.drives["A"], shot.drives["B"])
    assert [one["place"] for one in made["conflicts"]] == ["B"]
    assert {one["name"]: one["state"] for one in shot.run("drives", "--json").json["places"]}["B"] == "lost"
    shot.run("rescan")
    assert shot.run("clearance", "card", shot.root / "card").status == 1


def test_two_rebuilds_of_one_home_do_not_meet(shot: World) -> None:
    _stolen(shot)
    create_home(resolve_home(str(shot.home)))
    holder = LockHolder(1, "here", "rebuild", "now")
    with hold_lock("This home", lambda: open_home_lock(resolve_home(str(shot.home)), "rebuild"), holder):
        refused = shot.run("rebuild", shot.drives["A"])
        assert refused.status == 3
        assert "in use by rebuild" in refused.err
    assert shot.run("rebuild", shot.drives["A"]).status == 1


def test_a_clone_is_not_listed_as_the_drive_it_was_made_from(shot: World) -> None:
    clone = shot.root / "clone"
    shutil.copytree(shot.drives["A"], clone)
    _stolen(shot)
    refused = shot.run("rebuild", shot.drives["A"], clone)
    assert refused.status == 3
    assert str(clone) in refused.err
    assert "same id" in refused.err
    twice = shot.run("rebuild", shot.drives["A"], f"{shot.drives['A']}/.")
    assert twice.status == 2, twice.err
    assert "twice" in twice.err


def test_a_marker_is_not_written_anew_as_a_drive_that_is_here(shot: World) -> None:
    """A and B hold the same folders, so that what lies on them does not tell them apart."""
    marker = shot.drives["B"] / ".tripleguard/place.json"
    _stolen(shot)
    marker.write_bytes(b"\0" * 100)
    refused = shot.run("rebuild", shot.drives["A"], "--as", f"A={shot.drives['B']}")
    assert refused.status == 2, refused.err
    assert str(shot.drives["A"]) in refused.err
    assert marker.read_bytes() == b"\0" * 100
    swapped = shot.run("rebuild", "--as", f"A={shot.drives['B']}", shot.drives["A"])
    assert swapped.status == 2


def test_a_marker_is_not_written_anew_as_a_drive_that_it_fits_less_than_another(shot: World) -> None:
    late = shot.card("late")
    late.frames(2, first=90)
    assert shot.run("offload", late.root, "--shoot", "Harbour", "--drive", "A").status == 1
    marker = shot.drives["B"] / ".tripleguard/place.json"
    shutil.copytree(
        shot.drives["A"] / ".tripleguard/catalog", shot.drives["B"] / ".tripleguard/catalog", dirs_exist_ok=True
    )
    _stolen(shot)
    marker.write_bytes(b"\0" * 100)
    shot.unplug("A")
    refused = shot.run("rebuild", "--as", f"A={shot.drives['B']}")
    assert refused.status == 2, refused.err
    assert "drive B" in refused.err
    assert marker.read_bytes() == b"\0" * 100
    assert shot.run("rebuild", "--as", f"B={shot.drives['B']}").status == 1


def test_no_marker_is_written_where_the_rebuild_is_refused(shot: World) -> None:
    marker = shot.drives["B"] / ".tripleguard/place.json"
    marker.write_bytes(b"\0" * 100)
    refused = shot.run("rebuild", shot.drives["A"], "--as", f"B={shot.drives['B']}")
    assert refused.status == 2
    assert marker.read_bytes() == b"\0" * 100
