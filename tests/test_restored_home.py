"""The home comes back from an older copy: what the drives have seen since counts, and no yes rests on memory.

And the evenings on which nothing of the kind happened, on which nobody may be alarmed.
"""

from __future__ import annotations

import contextlib
import gzip
import json
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from archive_faults import archive, folder_on, rot
from world import CardFolder, World

from tripleguard.catalog.store import open_catalog
from tripleguard.jobs.drives import explain_outdated_catalog, locate_drives, open_drives
from tripleguard.places.place_writer import PlaceWriter

pytestmark = pytest.mark.alone

ALARM = "restored from an older copy"


@contextlib.contextmanager
def _rows(world: World) -> Iterator[sqlite3.Connection]:
    with contextlib.closing(sqlite3.connect(world.home / "catalog.db", isolation_level=None)) as connection:
        yield connection


def _verified(world: World) -> int:
    with _rows(world) as catalog:
        found: int = catalog.execute("SELECT count(*) FROM copies WHERE verified_at IS NOT NULL").fetchone()[0]
        return found


def _copied(world: World) -> Path:
    """A copy of the home as it is now, as a backup makes one."""
    kept = world.root / "home-before"
    shutil.copytree(world.home, kept)
    return kept


def _restored(world: World, kept: Path) -> None:
    shutil.rmtree(world.home)
    shutil.copytree(kept, world.home)


def _notes(world: World, name: str) -> list[Path]:
    return sorted((world.drives[name] / ".tripleguard/generations").glob("*.json"))


@pytest.fixture
def rotten(world: World) -> tuple[World, CardFolder]:
    """The home as before one copy on B rotted, which a rescan found."""
    card, _, on_b = archive(world)
    kept = _copied(world)
    rot(on_b / "ORR_0002.DNG")
    assert world.run("rescan", "--all").status == 1
    _restored(world, kept)
    return world, card


def test_a_card_is_not_cleared_from_what_an_older_copy_of_the_home_remembers(
    rotten: tuple[World, CardFolder],
) -> None:
    world, card = rotten
    answer = world.run("clearance", "card", card.root, "--json")
    assert (answer.status, answer.json["answer"]) == (1, "no")
    assert answer.err.count(ALARM) == 2, answer.err
    assert "rescan" in answer.err


def test_a_drive_is_not_cleared_from_it_either(world: World) -> None:
    world.drives["C"] = world.folder("drive-c")
    assert world.run("drives", "add", "C", world.drives["C"]).status == 0
    archive(world)
    assert world.run("clearance", "drive", "A").status == 0
    kept = _copied(world)
    rot(folder_on(world, "B") / "ORR_0002.DNG")
    assert world.run("rescan", "--all").status == 1
    for _ in range(2):
        _restored(world, kept)
        answer = world.run("clearance", "drive", "A", "--json")
        assert (answer.status, answer.json["answer"]) == (1, "no")
        assert ALARM in answer.err
    assert world.run("retire", "A").status == 1


def test_an_offload_reads_the_copies_again_and_finds_what_had_been_found(rotten: tuple[World, CardFolder]) -> None:
    world, card = rotten
    answer = world.run("offload", card.root, "--json")
    assert ALARM in answer.err
    print(answer.out)
    good = card.digests()["DCIM/100ORREY/ORR_0002.DNG"]
    assert answer.json["clearance"]["answer"] == "no" or good in world.on("B").values()


def test_it_is_told_once_and_kept_in_the_log(rotten: tuple[World, CardFolder]) -> None:
    world, card = rotten
    world.run("rescan", "--quick")
    assert _verified(world) == 0
    log = world.run("log").out
    assert "has seen a later state of this catalog" in " ".join(log.split())
    assert ALARM not in world.run("rescan", "--all").err
    assert ALARM not in world.run("offload", card.root).err
    assert ALARM not in world.run("clearance", "card", card.root).err


def test_what_the_drive_carries_of_later_evenings_is_taken_over(world: World) -> None:
    archive(world)
    kept = _copied(world)
    rot(folder_on(world, "B") / "ORR_0002.DNG")
    assert world.run("rescan", "--all").status == 1
    later = world.card("later")
    later.frames(3, first=50)
    assert world.run("offload", later.root, "--shoot", "Quay").status == 0
    _restored(world, kept)
    world.run("clearance", "card", later.root)
    files = world.run("where", "ORR_0050", "--json").json["files"]
    assert len(files) == 1
    assert {one["place"] for one in files[0]["copies"]} == {"A", "B"}
    (rotten,) = world.run("where", "ORR_0002.DNG", "--json").json["files"]
    assert {one["place"]: one["state"] for one in rotten["copies"]} == {"A": "present", "B": "corrupt"}
    assert ("corrupt", "B") in {
        (one["kind"], one["place"]) for one in world.run("findings", "--json").json["findings"]
    }
    # What is whole counts again once it was read.
    world.run("rescan", "--all")
    assert world.run("clearance", "card", later.root).status == 0


@pytest.mark.parametrize(
    "spoiled", [b"", b"no snapshot", gzip.compress(b"no catalog")], ids=["empty", "no gzip", "no catalog"]
)
def test_with_a_snapshot_that_can_not_be_read_nothing_counts_all_the_same(world: World, spoiled: bytes) -> None:
    archive(world)
    kept = _copied(world)
    assert world.run("rescan", "--all").status == 0
    for root in world.drives.values():
        for snapshot in (root / ".tripleguard/catalog").glob("*.db.gz"):
            snapshot.write_bytes(spoiled)
    _restored(world, kept)
    answer = world.run("rescan", "--quick")
    assert "no snapshot of the catalog that lies there could be used" in " ".join(answer.err.split())
    assert _verified(world) == 0


def test_a_hostile_snapshot_changes_nothing_but_that_nothing_counts(world: World) -> None:
    archive(world)
    kept = _copied(world)
    assert world.run("offload", world.card("two").frames(2, first=60)[0].parents[2]).status == 0
    for root in world.drives.values():
        for snapshot in (root / ".tripleguard/catalog").glob("*.db.gz"):
            plain = world.root / "plain.db"
            plain.write_bytes(gzip.decompress(snapshot.read_bytes()))
            with contextlib.closing(sqlite3.connect(plain, isolation_level=None)) as connection:
                connection.execute(
                    "INSERT INTO findings (kind, place_id, path, since, seen_at, evidence)"
                    " VALUES ('made up', 1, 'x', 1, 1, '[]')"
                )
            snapshot.write_bytes(gzip.compress(plain.read_bytes()))
    _restored(world, kept)
    world.run("rescan", "--quick")
    assert _verified(world) == 0
    assert world.run("findings").status in (0, 1)
    assert not world.run("where", "ORR_0060", "--json").json["files"]


_KILLED = """
import os, sys
from tripleguard.catalog import generations
from tripleguard.cli import main
before, left = getattr(generations, sys.argv.pop(1)), []
def cut(*given, **named):
    os._exit(9)
setattr(generations, before.__name__, cut)
main()
"""


@pytest.mark.parametrize("at", ["import_faults", "mark_evidence_inherited", "assign_new_id", "begin_generation"])
def test_a_kill_while_it_catches_up_leaves_all_of_it_to_the_next_time(world: World, at: str) -> None:
    card, *_ = archive(world)
    kept = _copied(world)
    later = world.card("later")
    later.frames(1, first=50)
    assert world.run("offload", later.root).status == 0
    _restored(world, kept)
    before = _verified(world)
    arguments = ["--home", str(world.home), "clearance", "card", str(card.root)]
    done = subprocess.run(
        [sys.executable, "-c", _KILLED, at, *arguments], capture_output=True, timeout=60, check=False
    )
    assert done.returncode == 9, done.stderr
    assert _verified(world) == before > 0
    assert not world.run("where", "ORR_0050", "--json").json["files"]
    answer = world.run("rescan", "--quick")
    assert ALARM in answer.err
    assert _verified(world) == 0
    assert world.run("where", "ORR_0050", "--json").json["files"]


def test_what_the_two_say_differently_is_told(world: World) -> None:
    archive(world)
    kept = _copied(world)
    assert world.run("selects", "drop", "ORR_0001").status == 0
    assert world.run("offload", world.card("two").frames(1, first=60)[0].parents[2]).status == 0
    _restored(world, kept)
    answer = world.run("selects", "add", "ORR_0001")
    assert answer.status == 0
    told = " ".join(answer.err.split())
    assert "Contradiction:" in told
    assert "the later one counts" in told
    assert world.run("selects", "--json").json["selects"] == 1


# No alarm where nothing is wrong.


def test_ordinary_evenings_alarm_nobody(world: World) -> None:
    card, *_ = archive(world)
    for command in (
        ("rescan", "--all"),
        ("offload", card.root),
        ("topup",),
        ("drill", "--files", "2"),
        ("clearance", "card", card.root),
        ("clearance", "drive", "A"),
        ("retire", "A"),
        ("selects", "learn"),
        ("repair",),
    ):
        assert world.run(*command).err == "", command


def test_a_drive_that_was_away_for_long_is_behind_and_no_alarm(world: World) -> None:
    archive(world)
    world.unplug("B")
    for first in (20, 30, 40):
        card = world.card(f"card{first}")
        card.frames(1, first=first)
        world.run("offload", card.root)
    world.plug("B")
    before = _verified(world)
    answer = world.run("topup")
    assert (answer.status, answer.err) == (0, "")
    assert _verified(world) > before


def test_two_laptops_with_catalogs_of_their_own_do_not_alarm_each_other(world: World) -> None:
    card, *_ = archive(world)
    other = World(world.root / "road")
    other.root.mkdir()
    other.drives = world.drives
    given = [part for name, path in world.drives.items() for part in ("--drive", f"{name}={path}")]
    assert other.run("setup", "--allow-same-disk", *given).status == 0
    for _ in range(2):
        for one in (world, other):
            answer = one.run("offload", card.root)
            assert (answer.status, answer.err) == (0, ""), answer.err
    assert len(_notes(world, "A")) == 2


def test_of_two_laptops_that_went_on_from_one_catalog_only_the_second_is_alarmed_and_once(world: World) -> None:
    card, *_ = archive(world)
    other = World(world.root / "road")
    other.root.mkdir()
    other.drives = world.drives
    shutil.copytree(world.home, other.home)
    alarms = []
    for one in (world, other, world, other, other, world):
        alarms.append(ALARM in one.run("rescan", "--all").err)
    assert alarms == [False, True, False, False, False, False]
    assert world.run("clearance", "card", card.root).status == 0
    assert other.run("clearance", "card", card.root).status == 0


def test_a_rebuilt_catalog_alarms_nobody(world: World) -> None:
    archive(world)
    shutil.rmtree(world.home)
    world.run("rebuild", *world.drives.values())
    for command in (("rescan", "--all"), ("topup",), ("rescan", "--all")):
        answer = world.run(*command)
        assert (answer.status, answer.err) == (0, "")


def test_after_a_rebuild_an_older_home_is_from_the_past(world: World) -> None:
    card, _, on_b = archive(world)
    kept = _copied(world)
    world.run("rebuild", "--anew", *world.drives.values())
    assert world.run("rescan", "--all").status == 0
    rot(on_b / "ORR_0002.DNG")
    assert world.run("rescan", "--all").status == 1
    _restored(world, kept)
    answer = world.run("clearance", "card", card.root)
    assert answer.status == 1
    assert ALARM in answer.err


def test_a_catalog_without_generations_gets_them_and_alarms_nobody(world: World) -> None:
    archive(world)
    for name in ("A", "B"):
        for note in _notes(world, name):
            note.unlink()
    with _rows(world) as catalog:
        catalog.execute("DELETE FROM generations")
    answer = world.run("rescan", "--all")
    assert (answer.status, answer.err) == (0, "")
    assert len(_notes(world, "A")) == 1


# The note itself.


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"[]",
        b"\xff\xfe",
        b'{"catalog": "CATALOG", "number": 1, "token": "../../x"}',
        b'{"catalog": "CATALOG", "number": -1, "token": "00000000000000000000000000000000"}',
        b'{"catalog": "else", "number": 1, "token": "00000000000000000000000000000000"}',
        b"[" * 100_000,
        b" " * 10_000_000,
    ],
    ids=["empty", "cut off", "a list", "no text", "no token", "no number", "another", "deep", "large"],
)
def test_a_damaged_note_counts_for_a_state_that_is_not_known(world: World, content: bytes) -> None:
    card, *_ = archive(world)
    (note,) = _notes(world, "B")
    known_as = note.stem
    note.write_bytes(content.replace(b"CATALOG", known_as.encode()))
    answer = world.run("rescan", "--quick")
    assert "damaged" in answer.err
    assert _verified(world) == 0
    world.run("rescan", "--all")
    answer = world.run("clearance", "card", card.root)
    assert (answer.status, answer.err) == (0, "")


@pytest.mark.parametrize("kind", ["folder", "link"])
def test_what_stands_where_the_note_lies_is_not_followed(world: World, kind: str) -> None:
    card, *_ = archive(world)
    (note,) = _notes(world, "B")
    content = note.read_bytes()
    note.unlink()
    if kind == "folder":
        note.mkdir()
    else:
        (world.root / "elsewhere").write_bytes(content)
        note.symlink_to(world.root / "elsewhere")
    world.run("rescan", "--quick")
    assert (world.root / "elsewhere").exists() is (kind == "link")
    world.run("rescan", "--all")
    assert world.run("clearance", "card", card.root).status == 0


def test_a_power_cut_between_the_two_names_of_the_note_alarms_nobody(world: World) -> None:
    card, *_ = archive(world)
    (note,) = _notes(world, "B")
    note.rename(note.with_name(note.name + ".old"))
    answer = world.run("clearance", "card", card.root)
    assert (answer.status, answer.err) == (0, "")


def test_a_power_cut_between_the_catalog_and_the_note_alarms_nobody(world: World) -> None:
    card, *_ = archive(world)
    (note,) = _notes(world, "B")
    content = note.read_bytes()
    assert world.run("rescan", "--all").status == 0
    note.write_bytes(content)
    answer = world.run("clearance", "card", card.root)
    assert (answer.status, answer.err) == (0, "")


def test_the_catalog_knows_a_generation_before_a_drive_does(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    archive(world)
    unknown: list[str] = []
    write_own = PlaceWriter.write_own

    def watched(self: PlaceWriter, path: str, content: Any, **how: Any) -> None:
        pieces = list(content)
        if "/generations/" in path:
            token = json.loads(b"".join(pieces))["token"]
            with _rows(world) as catalog:
                if not catalog.execute("SELECT 1 FROM generations WHERE token = ?", (token,)).fetchone():
                    unknown.append(token)
        write_own(self, path, pieces, **how)

    monkeypatch.setattr(PlaceWriter, "write_own", watched)
    assert world.run("rescan", "--all").status == 0
    assert unknown == []


def test_a_drive_that_can_not_take_its_note_holds_up_nobody(world: World) -> None:
    card, *_ = archive(world)
    # As NameTaken is what a full or strange file system gives here: the folder's place is taken by a file.
    for root in world.drives.values():
        shutil.rmtree(root / ".tripleguard/generations")
        (root / ".tripleguard/generations").write_bytes(b"")
    answer = world.run("rescan", "--all")
    # What stands there is somebody else's file, and told as such; the reading went on to its end.
    assert answer.status == 1
    assert "could not note which state of the catalog" in " ".join(answer.err.split())
    assert world.run("clearance", "card", card.root).status == 0


def test_nothing_is_noted_on_a_drive_that_leaves(world: World) -> None:
    archive(world)
    before = {path: path.read_bytes() for path in _notes(world, "A")}
    world.run("retire", "A")
    assert {path: path.read_bytes() for path in _notes(world, "A")} == before
    world.run("retire", "A", "--prepare")
    world.run("rescan", "--all")
    assert {path: path.read_bytes() for path in _notes(world, "A")} == before
    assert not world.run("rescan", "--all").err


# For who answers.


def test_a_question_can_ask_once_more_at_its_end(world: World) -> None:
    archive(world)
    kept = _copied(world)
    assert world.run("rescan", "--all").status == 0
    with world.ctx() as ctx, open_drives(ctx, locate_drives(ctx), "a test") as ready:
        assert explain_outdated_catalog(ctx, ready.connected) is None
        # Somebody's laptop with the older copy is told by the same drives.
        old = open_catalog(kept / "catalog.db")
        try:
            from dataclasses import replace

            why = explain_outdated_catalog(replace(ctx, catalog=old), ready.connected)
        finally:
            old.close()
        assert why is not None
        assert ALARM in why


def test_a_change_by_another_process_is_noticed_and_our_own_is_none(world: World) -> None:
    archive(world)
    with world.ctx() as ctx:
        before = ctx.catalog.data_version
        with ctx.catalog.transaction():
            ctx.catalog.execute("UPDATE copies SET listed_at = listed_at + 1")
        assert ctx.catalog.data_version == before
        with _rows(world) as catalog:
            catalog.execute("UPDATE copies SET state = 'corrupt' WHERE id = 1")
        assert ctx.catalog.data_version != before
