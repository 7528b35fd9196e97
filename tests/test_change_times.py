"""A copy that was rewritten after it was read back, and given its old size and time, is read again.

Where the file system keeps a time of change that no program can set back, that time tells; elsewhere the kernel
tells what was written to within one run.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from disk_images import images_below, why_not
from world import World

from tripleguard.catalog.store import open_catalog
from tripleguard.jobs.cards.offload import CardCopyRun


def _rewritten(path: Path) -> None:
    """Other bytes, and the size and time that it had."""
    status = path.stat()
    content = bytearray(path.read_bytes())
    content[5000] ^= 1
    path.write_bytes(content)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


def _copies(root: Path) -> list[Path]:
    return sorted(root.glob("2026/*/*/ORR_*.DNG"))


@pytest.fixture
def cleared(world: World) -> World:
    """Three frames that were offloaded a moment ago, with a yes."""
    card = world.card()
    card.frames(3)
    assert world.run("offload", card.root).status == 0
    return world


def test_rot_within_young_evidence_is_found(cleared: World) -> None:
    _rewritten(_copies(cleared.drives["B"])[1])
    answer = cleared.run("clearance", "card", cleared.root / "card", "--json")
    assert (answer.status, answer.json["answer"], answer.json["covered"]) == (1, "no", 2)


def test_an_offload_that_finds_it_there_already_copies_it_again(cleared: World) -> None:
    _rewritten(_copies(cleared.drives["B"])[1])
    answer = cleared.run("offload", cleared.root / "card", "--json")
    assert answer.json["clearance"]["answer"] == "yes"
    held = [path.read_bytes() for path in _copies(cleared.drives["B"])]
    assert all(path.read_bytes() in held for path in (cleared.root / "card").rglob("*.DNG"))


@pytest.mark.parametrize("what", ["chmod", "rename", "link", "copied back"])
def test_a_copy_that_was_only_touched_is_read_again_and_counts(cleared: World, what: str) -> None:
    path = _copies(cleared.drives["B"])[1]
    if what == "chmod":
        path.chmod(0o600)
    elif what == "rename":
        path.rename(path.with_name("x"))
        path.with_name("x").rename(path)
    elif what == "link":
        os.link(path, cleared.root / "a link")
    else:
        shutil.copy2(path, cleared.root / "kept")
        path.unlink()
        shutil.copy2(cleared.root / "kept", path)
    since = _verified_at(cleared, path)
    assert cleared.run("clearance", "card", cleared.root / "card").status == 0
    assert _verified_at(cleared, path) > since
    again = _verified_at(cleared, path)
    assert cleared.run("clearance", "card", cleared.root / "card").status == 0
    assert _verified_at(cleared, path) == again, "what did not change since is not read a third time"


def _verified_at(world: World, path: Path) -> int:
    catalog = open_catalog(world.home / "catalog.db")
    try:
        (row,) = catalog.fetch_all(
            "SELECT verified_at FROM copies c JOIN places p ON p.id = c.place_id"
            " WHERE p.name = 'B' AND c.name = ?",
            path.name,
        )
    finally:
        catalog.close()
    return int(row[0])


def test_evidence_of_an_earlier_version_without_that_time_is_read_again(cleared: World) -> None:
    path = _copies(cleared.drives["B"])[1]
    catalog = open_catalog(cleared.home / "catalog.db")
    with catalog.transaction():
        catalog.execute("UPDATE copies SET verified_ctime_ns = NULL")
    catalog.close()
    since = _verified_at(cleared, path)
    assert cleared.run("clearance", "card", cleared.root / "card").status == 0
    assert _verified_at(cleared, path) > since


@pytest.mark.images
@pytest.mark.parametrize("kind", ["exfat", "ntfs"])
def test_where_no_such_time_is_kept_a_change_within_the_run_is_told(
    world: World, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The copy is rewritten when all were read back, and before the question begins."""
    if (why := why_not(kind)) is not None:
        pytest.skip(why)
    card = world.card()
    card.frames(3)
    run = CardCopyRun.run

    def runs_and_rots(self: CardCopyRun):  # type: ignore[no-untyped-def]
        yield from run(self)
        _rewritten(_copies(root)[1])

    with images_below(world.root) as images:
        root = images.mount("c", kind, 64)
        assert world.run("drives", "add", "C", root).status == 0
        monkeypatch.setattr(CardCopyRun, "run", runs_and_rots)
        answer = world.run("offload", card.root, "--drive", "A", "--drive", "C", "--json")
    assert answer.json["clearance"]["answer"] == "no", answer.out
    assert answer.json["clearance"]["covered"] == 2


@pytest.mark.parametrize("rotten", [False, True])
def test_a_drive_goes_only_after_a_copy_elsewhere_that_was_touched_is_read_again(
    cleared: World, rotten: bool
) -> None:
    cleared.drives["C"] = cleared.folder("drive-c")
    assert cleared.run("drives", "add", "C", cleared.drives["C"]).status == 0
    assert cleared.run("retire", "A", "--prepare").status == 0
    path = _copies(cleared.drives["B"])[1]
    _rewritten(path) if rotten else path.chmod(0o600)
    answer = cleared.run("clearance", "drive", "A", "--json")
    assert (answer.json["answer"], answer.json["covered"]) == (("no", 2) if rotten else ("yes", 3))
