"""What lies among the tool's own and is not its own: never removed, and counted like any other file on the drive.

A picture may lie anywhere: dragged into the wrong folder, saved under the name of a check list, moved by a program
that sorts. The names that the tool reserves prove nothing.
"""

from __future__ import annotations

import json
import os
import zlib
from pathlib import Path

import pytest
from world import World, contents

from tripleguard.checklist import format_b3sum
from tripleguard.digest import compute_digest
from tripleguard.places.reserved import is_certainly_own, is_unfinished_name, new_probe_prefix, new_unfinished_name

pytestmark = pytest.mark.alone

PICTURE = b"\xff\xd8\xff\xe1" + b"somebody's picture" * 4000
OWN = ".tripleguard"
HIDDEN = [
    "holiday.JPG",
    "incoming/ORR_0001.DNG",
    "incoming/0123456789abcdef.part",
    "incoming/0123456789abcdef.own",
    "incoming/0123456789abcdef-0123456789abcdef.part",
    "incoming/a folder/ORR_0001.DNG",
    "lists/show.b3",
    "lists/ORR_0001.DNG",
    "records/retired-0123abcd-20260614T013005Z.txt",
    "catalog/catalog-20260614T013005Z-0123abcd.db.gz",
    "catalog/ORR_0001.DNG",
    "place.json.old",
    "lock.old",
    "new/deep/ORR_0001.DNG",
]


@pytest.fixture
def shot(world: World) -> World:
    """Three frames on A, B and C, cleared, with a list and a snapshot on each drive."""
    world.drives["C"] = world.folder("drive-c")
    assert world.run("drives", "add", "C", world.drives["C"]).status == 0
    card = world.card()
    card.frames(3)
    assert world.run("offload", card.root).status == 0
    return world


def _hide(world: World, path: str, content: bytes = PICTURE, *, drive: str = "A") -> Path:
    where = world.drives[drive] / OWN / path
    where.parent.mkdir(parents=True, exist_ok=True)
    where.write_bytes(content)
    return where


def _reasons(world: World) -> dict[str, list[str]]:
    answer = world.run("clearance", "drive", "A", "--json").json
    return {one["kind"]: one["paths"] for one in answer["reasons"]}


@pytest.mark.parametrize("path", HIDDEN)
def test_a_picture_among_the_tools_own_is_a_reason_and_no_job_removes_it(shot: World, path: str) -> None:
    assert shot.run("clearance", "drive", "A").status == 0
    where = _hide(shot, path)
    assert _reasons(shot) == {"not in the catalog": [f"{OWN}/{path}"]}
    assert shot.run("retire", "A").status == 1
    more = shot.card("more")
    more.frames(2, first=50)
    assert shot.run("offload", more.root).status == 0
    shot.run("rescan", "--all")
    shot.run("repair")
    shot.run("topup")
    assert shot.run("retire", "A").status == 1
    assert PICTURE in [one.read_bytes() for one in shot.drives["A"].rglob("*") if one.is_file()]
    assert where.read_bytes() == PICTURE


def test_a_rescan_tells_of_it(shot: World) -> None:
    for path in ("incoming/ORR_0001.DNG", "holiday.JPG"):
        _hide(shot, path)
    shot.run("rescan", "--quick")
    found = shot.run("findings", "--json").json["findings"]
    assert {(one["kind"], one["path"]) for one in found} == {
        ("stray", f"{OWN}/incoming/ORR_0001.DNG"),
        ("stray", f"{OWN}/holiday.JPG"),
    }


def test_a_copy_of_an_archived_picture_there_is_no_copy_of_it(shot: World) -> None:
    """Even the very bytes: nothing that lies among the tool's own stands for a picture."""
    good = next(shot.drives["A"].rglob("ORR_0002.DNG"))
    _hide(shot, "incoming/ORR_0002.DNG", good.read_bytes())
    good.unlink()
    shot.run("rescan", "--quick")
    kinds = {one["kind"] for one in shot.run("findings", "--json").json["findings"]}
    assert kinds == {"stray", "missing"}


@pytest.mark.parametrize("is_folder", [True, False], ids=["folder", "file"])
def test_a_stray_thing_in_incoming_shuts_no_drive_out(shot: World, is_folder: bool) -> None:
    stray = shot.drives["A"] / OWN / "incoming/New Folder"
    stray.mkdir(parents=True) if is_folder else stray.write_bytes(b"x")
    card = shot.card("more")
    card.frames(1, first=70)
    assert shot.run("offload", card.root).status == 0
    assert shot.on("A") == shot.on("B") == shot.on("C")
    assert stray.exists()


def test_a_remark_in_a_check_list_outlives_every_new_list(shot: World) -> None:
    (path,) = shot.drives["A"].rglob("checksums.b3")
    before = path.read_bytes()
    path.write_bytes(b"# these are the keepers, ask before you delete\n" + before + "# Grüße\n".encode())
    assert _reasons(shot) == {"not in the catalog": [str(path.relative_to(shot.drives["A"]))]}
    card = shot.card("more")
    card.frames(1, first=70)
    assert shot.run("offload", card.root).status == 0
    after = path.read_bytes().splitlines()
    assert b"# these are the keepers, ask before you delete" in after
    assert "# Grüße".encode() in after
    assert len([line for line in after if line.endswith(b".DNG")]) == 4
    assert not list((shot.drives["A"] / OWN).glob("quarantine/*"))


@pytest.mark.parametrize("cut", ["between the names", "before the old one went"])
def test_a_power_cut_while_a_list_is_renewed_loses_no_remark(shot: World, cut: str) -> None:
    (path,) = shot.drives["A"].rglob("checksums.b3")
    remarked = b"# ask before you delete\n" + path.read_bytes()
    path.with_name("checksums.b3.old").write_bytes(remarked)
    path.unlink()
    if cut == "before the old one went":
        path.write_bytes(remarked + format_b3sum([("another.DNG", compute_digest(b"x"))]))
    card = shot.card("more")
    card.frames(1, first=70)
    assert shot.run("offload", card.root).status == 0
    assert path.read_bytes().startswith(b"# ask before you delete\n")
    assert not path.with_name("checksums.b3.old").exists()
    assert not list((shot.drives["A"] / OWN).glob("quarantine/*"))


def test_a_picture_under_the_name_of_a_check_list_is_moved_aside_and_not_lost(shot: World) -> None:
    (path,) = shot.drives["A"].rglob("checksums.b3")
    path.write_bytes(PICTURE + b"\0")
    card = shot.card("more")
    card.frames(1, first=70)
    assert shot.run("offload", card.root).status == 0
    (kept,) = (shot.drives["A"] / OWN).glob("quarantine/*/checksums.b3")
    assert kept.read_bytes() == PICTURE + b"\0"
    assert path.read_bytes().count(b".DNG") == 4
    assert _reasons(shot) == {"quarantine and unknown": [str(kept.relative_to(shot.drives["A"]))]}


def test_everything_that_the_tool_leaves_on_a_drive_is_known_as_its_own(shot: World) -> None:
    _hide(shot, f"incoming/{new_unfinished_name('part')}", b"half a picture")
    own = [path for path in contents(shot.drives["A"]) if OWN in path or not path.endswith(".DNG")]
    assert len(own) >= 5
    assert shot.run("clearance", "drive", "A").status == 0
    assert shot.run("retire", "A").status == 0
    for name in ("B", "C"):
        assert any("records/retired-" in path for path in contents(shot.drives[name]))
        for path in contents(shot.drives[name]):
            where = shot.drives[name] / path
            is_own = is_certainly_own(path, lambda limit, where=where: where.read_bytes()[:limit])  # type: ignore[misc]
            assert is_own is not path.endswith(".DNG"), path


def test_a_handover_removes_only_what_is_its_own(shot: World) -> None:
    out = shot.root / "client"
    kept = [one for drive in shot.drives.values() for one in drive.rglob("ORR_0002.DNG")]
    for number, one in enumerate(kept):
        one.rename(shot.root / f"kept-{number}")
    assert shot.run("handover", "2026", out).status == 1
    for path in ("incoming/ORR_0001.DNG", "done/ORR_0001.DNG", "done/000099", "incoming/deep/x.JPG"):
        (out / OWN / path).parent.mkdir(parents=True, exist_ok=True)
        (out / OWN / path).write_bytes(PICTURE)
    for number, one in enumerate(kept):
        (shot.root / f"kept-{number}").rename(one)
    done = shot.run("handover", "2026", out, "--json")
    assert done.status == 0, done.err
    left = {path for path in contents(out) if path.startswith(OWN)}
    assert left == {
        f"{OWN}/{path}"
        for path in ("incoming/ORR_0001.DNG", "done/ORR_0001.DNG", "done/000099", "incoming/deep/x.JPG")
    }
    assert set(done.json["not_of_it"]) == left


def _form(path: str, content: bytes) -> bool:
    return is_certainly_own(path, lambda limit: content[:limit])


def test_a_name_proves_an_unfinished_copy_only_with_its_own_check() -> None:
    name = new_unfinished_name("part")
    assert is_unfinished_name(name)
    assert not is_unfinished_name(name.replace(".part", ".own"))
    assert not is_unfinished_name(("0" if name[0] != "0" else "1") + name[1:])
    assert not is_unfinished_name(f"{name}.JPG")
    assert _form(f"{OWN}/incoming/{new_probe_prefix()}Probe", b"")
    assert not _form(f"{OWN}/incoming/{new_probe_prefix()}Probe", b"x")
    assert not _form(f"{OWN}/incoming/deep/ORR.part", b"")


def test_each_kind_is_known_by_its_form_and_not_by_its_name_alone() -> None:
    line = format_b3sum([("ORR_0001.DNG", compute_digest(b"x"))])
    gz = zlib.compressobj(wbits=31)
    sqlite = gz.compress(b"SQLite format 3\0" + os.urandom(100)) + gz.flush()
    marker = json.dumps({"id": "x", "name": "A"}).encode()
    snapshot = f"{OWN}/catalog/catalog-20260614T013005Z-0123abcd.db.gz"
    for path, content in (
        ("2026/show/checksums.b3", line),
        ("checksums.b3", line),
        (f"{OWN}/lists/show.b3", line),
        (snapshot, sqlite),
        (f"{OWN}/place.json", marker),
        (f"{OWN}/place.json.old", marker),
        (f"{OWN}/lock", b""),
    ):
        assert _form(path, content), path
        assert not _form(path, PICTURE), path
    assert not _form("2026/show/checksums.b3", b"# remark\n" + line)
    assert not _form(f"{OWN}/quarantine/20260614T013005Z-0123abcd/checksums.b3", line)
    assert not _form("2026/show/clearance-20260614T013005Z.txt", b"Clearance: this card may be reformatted.\n")

    def fails(limit: int) -> bytes:
        raise OSError(5, "I/O error")

    assert not is_certainly_own("checksums.b3", fails)
