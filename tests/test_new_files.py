"""What another program puts onto a drive or into an import folder is noticed, and protected too."""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from blake3 import blake3
from disk_images import Images, images_below
from fault_file_system import fault_file_system
from hypothesis import given
from hypothesis import strategies as st
from oracle import Oracle
from sample_files import tiny_raw
from watch_process import PATIENCE, Watching, ended, set_watch, watching
from world import CardFolder, World

from tripleguard.catalog.places import list_places
from tripleguard.config import LayoutSettings
from tripleguard.layout import build_copy_path, can_hold_shoots, parse_shoot_path
from tripleguard.watch.file_activity import find_open_for_writing
from tripleguard.watch.new_file_scan import find_new_on_drive

pytestmark = pytest.mark.alone

SHOOT = "2026/2026-06-13 Orrery Hall"
MIB = 1 << 20


@pytest.fixture
def evening(world: World) -> World:
    set_watch(world, settle="1s")
    return world


@pytest.fixture
def images(here: Path) -> Iterator[Images]:
    with images_below(here) as made:
        yield made


def until(true: Callable[[], bool], watch: Watching, what: str, patience: float = PATIENCE) -> None:
    deadline = time.monotonic() + patience
    while not true():
        assert time.monotonic() < deadline, f"waited in vain until {what}\n{watch.log()}"
        time.sleep(0.05)


def holds(path: Path, text: str) -> bool:
    """Whether a file holds that now; for a moment, while a newer version takes its name, there is none."""
    try:
        return path.read_text() == text
    except FileNotFoundError:
        return False


def same_on_both(world: World) -> bool:
    return world.on("A") == world.on("B")


def copied(world: World, frames: CardFolder, into: str) -> None:
    """Copy a folder's files onto drive A by plain cp, as a file manager does."""
    target = world.drives["A"] / into
    target.mkdir(parents=True, exist_ok=True)
    subprocess.run(["cp", "-r", f"{frames.root}/.", str(target)], check=True)


def test_a_raw_that_another_program_copies_onto_a_drive_is_on_both_drives_soon(evening: World) -> None:
    frames = evening.card("from-elsewhere")
    for number in range(1, 4):
        frames.raw(f"ORR_{number:04d}.DNG")
    with watching(evening) as watch:
        watch.until_idle()
        copied(evening, frames, f"{SHOOT}/Orrery R7")
        assert "3 new files entered" in watch.until_done("new files")["message"]
        until(lambda: len(evening.on("B")) == 3, watch, "the second copies are there")
        watch.until_idle()
    assert set(evening.on("A")) == {f"{SHOOT}/Orrery R7/ORR_{number:04d}.DNG" for number in range(1, 4)}
    assert same_on_both(evening)
    report = evening.run("report", "--json").json
    assert (report["answer"], report["files"]) == ("clear", 3)
    found = evening.run("where", "ORR_0002", "--json").json["files"][0]
    assert found["shoot"] == "2026-06-13 Orrery Hall"
    assert found["captured_at"].startswith("2026-06-13T21:30:00")
    assert {copy["state"] for copy in found["copies"]} == {"present"}
    assert evening.run("rescan", "--all").status == 0
    assert "that another program put on drive A were entered" in evening.run("log").out


def test_a_file_that_is_still_being_written_is_not_entered_half(evening: World) -> None:
    """The writer stalls for longer than the quiet time: size and time stand still, and it has the file open."""
    frames = evening.card("from-elsewhere")
    whole = frames.raw("ORR_0001.DNG", size=4 * MIB).read_bytes()
    target = evening.drives["A"] / SHOOT / "ORR_0001.DNG"
    target.parent.mkdir(parents=True)
    program = (
        "import sys, time; f = open(sys.argv[1], 'wb', 0); d = sys.stdin.buffer.read();"
        "f.write(d[:1000000]); time.sleep(4); f.write(d[1000000:])"
    )
    with watching(evening) as watch:
        watch.until_idle()
        writer = subprocess.Popen([sys.executable, "-c", program, str(target)], stdin=subprocess.PIPE)
        assert writer.stdin is not None
        writer.stdin.write(whole)
        writer.stdin.close()
        time.sleep(3)
        assert writer.poll() is None
        assert ended(watch.status(), "new files") == []
        assert writer.wait(20) == 0
        watch.until_done("new files")
        until(lambda: len(evening.on("B")) == 1, watch, "the second copy is there")
        watch.until_idle()
    assert (evening.drives["B"] / SHOOT / "ORR_0001.DNG").read_bytes() == whole
    with evening.ctx() as ctx:
        assert ctx.catalog.fetch_all("SELECT size FROM files") == [(len(whole),)]


def test_a_copy_that_was_interrupted_is_never_the_original(evening: World) -> None:
    """Copying ends after a third of the file, and is repeated once the part has stood still for long."""
    frames = evening.card("from-elsewhere")
    whole = frames.raw("ORR_0001.DNG", size=3 * MIB).read_bytes()
    target = evening.drives["A"] / SHOOT / "ORR_0001.DNG"
    target.parent.mkdir(parents=True)
    with watching(evening) as watch:
        watch.until_idle()
        target.write_bytes(whole[:MIB])
        assert "1 file cut short" in watch.until_done("new files")["message"]
        watch.until_idle()
        assert evening.on("B") == {}
        target.write_bytes(whole)
        until(lambda: len(evening.on("B")) == 1, watch, "the second copy is there")
        watch.until_idle()
    assert target.read_bytes() == (evening.drives["B"] / SHOOT / "ORR_0001.DNG").read_bytes() == whole
    with evening.ctx() as ctx:
        assert ctx.catalog.fetch_all("SELECT size FROM files") == [(len(whole),)]
    assert evening.run("report", "--json").json["answer"] == "clear"
    assert evening.run("rescan", "--all").status == 0


def test_an_editor_that_writes_into_a_picture_leaves_both_versions_on_both_drives(evening: World) -> None:
    card = evening.card()
    card.frames(2)
    assert evening.run("offload", card.root).status == 0
    before = set(card.digests().values())
    first = next(evening.drives["A"].glob("2026/*/*/*0001.DNG"))
    edited = first.read_bytes() + b"<x:xmpmeta rating='5'/>"
    with watching(evening) as watch:
        watch.until_idle()
        first.write_bytes(edited)
        message = watch.until_done("new files")["message"]
        assert "1 original was changed by another program; both versions are kept" in message
        until(lambda: len(evening.on("A")) == len(evening.on("B")) == 3, watch, "both versions are on both drives")
        watch.until_idle()
    assert first.read_bytes() == edited
    wanted = before | {blake3(edited).digest()}
    assert set(evening.on("A").values()) == set(evening.on("B").values()) == wanted
    assert evening.run("rescan", "--all").status == 0
    assert evening.run("report", "--json").json["answer"] == "clear"
    assert evening.run("repair").status == 0
    assert first.read_bytes() == edited
    assert "was changed by another program" in evening.run("log").out
    assert evening.run("clearance", "card", card.root).status == 0


def test_an_original_that_changed_on_the_only_drive_with_it_is_not_called_safe(evening: World) -> None:
    card = evening.card()
    card.frames(2)
    evening.unplug("B")
    evening.run("offload", card.root)
    first = next(evening.drives["A"].glob("2026/*/*/*0001.DNG"))
    edited = first.read_bytes() + b"<x:xmpmeta rating='5'/>"
    shutil.rmtree(card.root / "DCIM")
    evening.plug("B")
    first.write_bytes(edited)
    with watching(evening) as watch:
        watch.until_done("new files")
        until(lambda: blake3(edited).digest() in evening.on("B").values(), watch, "the edit is on B", 40)
        watch.until_idle()
    report = evening.run("report", "--json").json
    assert report["answer"] != "clear"
    lost = [one for one in report["findings"] if one["kind"] == "missing"]
    assert [Path(one["path"]).name for one in lost] == ["ORR_0001-2.DNG"]


def test_a_part_that_is_written_over_a_whole_picture_is_no_version_of_it(evening: World) -> None:
    card = evening.card()
    card.frames(1, size=3 * MIB)
    assert evening.run("offload", card.root).status == 0
    first = next(evening.drives["A"].glob("2026/*/*/*0001.DNG"))
    whole = first.read_bytes()
    with watching(evening) as watch:
        watch.until_idle()
        first.write_bytes(whole[:MIB])
        assert "1 file cut short" in watch.until_done("new files")["message"]
        watch.until_idle()
    assert set(evening.on("B").values()) == {blake3(whole).digest()}
    assert evening.run("rescan").status == 1
    assert evening.run("repair").status == 0
    assert first.read_bytes() == whole


def test_a_part_that_is_all_there_is_can_be_adopted(evening: World) -> None:
    frames = evening.card("from-elsewhere")
    part = frames.raw("ORR_0001.DNG", size=3 * MIB).read_bytes()[:MIB]
    target = evening.drives["A"] / SHOOT / "ORR_0001.DNG"
    target.parent.mkdir(parents=True)
    target.write_bytes(part)
    with watching(evening) as watch:
        watch.until_done("new files")
        watch.until_idle()
        status = watch.until(lambda found: "cut short" in found["trouble"], "it is mentioned", 120)
        assert "tripleguard adopt" in status["trouble"]
    evening.run("adopt")
    evening.run("topup")
    assert (evening.drives["B"] / SHOOT / "ORR_0001.DNG").read_bytes() == part


def test_a_folder_that_is_renamed_on_a_drive_is_found_where_it_is_now(evening: World) -> None:
    card = evening.card()
    card.frames(6)
    assert evening.run("offload", card.root, "--shoot", "Orrery Hall").status == 0
    with watching(evening) as watch:
        watch.until_idle()
        body = next((evening.drives["A"] / SHOOT).glob("*/"))
        body.rename(body.with_name("selected"))
        assert "6 copies found elsewhere than before" in watch.until_done("new files")["message"]
        watch.until_idle()
    report = evening.run("report", "--json").json
    assert report["counts"] == {"misplaced": 6}
    assert len(evening.on("A")) == len(evening.on("B")) == 6
    assert evening.run("repair").status == 0
    assert same_on_both(evening)


def test_what_landed_while_nobody_watched_is_found_at_the_start(evening: World) -> None:
    frames = evening.card("from-elsewhere")
    frames.frames(3, folder="a")
    copied(evening, frames, SHOOT)
    with watching(evening) as watch:
        watch.until_done("new files")
        until(lambda: len(evening.on("B")) == 3, watch, "the second copies are there")
    assert same_on_both(evening)


def test_sidecars_that_an_editor_writes_are_brought_to_the_second_drive(evening: World) -> None:
    card = evening.card()
    card.frames(2)
    assert evening.run("offload", card.root).status == 0
    first = next(evening.drives["A"].glob("2026/*/*/*0001.DNG"))
    beside = first.with_suffix(".xmp")
    twin = evening.drives["B"] / beside.relative_to(evening.drives["A"])
    with watching(evening) as watch:
        watch.until_idle()
        beside.write_text("<x>1</x>")
        until(lambda: holds(twin, "<x>1</x>"), watch, "the sidecar is on B")
        watch.until_idle()
        beside.write_text("<x>2, edited</x>")
        until(lambda: holds(twin, "<x>2, edited</x>"), watch, "the edit is on B")
        watch.until_idle()
    assert evening.run("report", "--json").json["answer"] == "clear"


def test_what_is_no_picture_and_what_lies_outside_the_shoots_is_left_alone(evening: World) -> None:
    top = evening.drives["A"]
    for path in (f"{SHOOT}/cache/thumbs.db", f"{SHOOT}/notes.txt", "films/a.MOV", "DCIM/100ORREY/X.DNG"):
        (top / path).parent.mkdir(parents=True, exist_ok=True)
        (top / path).write_bytes(os.urandom(2000))
    with watching(evening) as watch:
        watch.until_idle()
        time.sleep(3)
        assert ended(watch.status(), "new files") == []
    assert evening.on("B") == {}


def test_an_import_folder_is_copied_to_both_drives_and_stays_as_it_is(evening: World) -> None:
    folder = CardFolder(evening.folder("tether"))
    set_watch(evening, settle="1s", import_folders=[str(folder.root)])
    folder.frames(2, folder="session")
    before = folder.digests()
    with watching(evening) as watch:
        assert "2 files brought in" in watch.until_done("import")["message"]
        folder.frames(3, first=10, folder="session")
        (folder.root / "session" / "catalogue.db").write_bytes(b"an editor's own")
        assert "3 files brought in" in watch.until_done("import", number=2)["message"]
        watch.until_idle()
        watch.end()
    assert Counter(evening.on("A").values()) == Counter(
        digest for path, digest in folder.digests().items() if path.endswith("DNG")
    )
    assert same_on_both(evening)
    assert before.items() <= folder.digests().items()
    with watching(evening) as watch:
        watch.until_idle()
        time.sleep(2.5)
        assert ended(watch.status(), "import") == []
    with evening.ctx() as ctx:
        assert ctx.catalog.fetch_one("SELECT count(*) FROM clearances") == (0,)


def test_an_import_waits_while_no_drive_is_here(evening: World) -> None:
    folder = CardFolder(evening.folder("tether"))
    set_watch(evening, settle="1s", import_folders=[str(folder.root)])
    for name in "AB":
        evening.unplug(name)
    with watching(evening) as watch:
        folder.frames(1, folder="session")
        found = watch.until(lambda found: bool(found["waiting"]), "it waits")
        assert found["waiting"][0]["why"] == "no drive is connected"
        for name in "AB":
            evening.plug(name)
        watch.until_done("import")
    assert len(evening.on("A")) == len(evening.on("B")) == 1


BURST = int(os.environ.get("TRIPLEGUARD_BURST", "700"))
"""Files of the burst; `scripts/campaign-watch` makes it 5,000."""


@pytest.mark.slow
def test_a_burst_by_plain_cp_is_all_entered_and_all_on_both_drives(evening: World) -> None:
    frames, chance = evening.card("from-elsewhere"), random.Random(5)
    for number in range(BURST):
        frames.put(f"part-{number // 100}/ORR_{number:05d}.DNG", tiny_raw(chance.randbytes(200), 3000 + number))
    with watching(evening) as watch:
        watch.until_idle()
        copied(evening, frames, SHOOT)
        until(lambda: len(evening.on("B")) == BURST, watch, "all are on B", 300)
        watch.until_idle(60)
    wanted = Counter(frames.digests().values())
    assert Counter(evening.on("A").values()) == Counter(evening.on("B").values()) == wanted
    report = evening.run("report", "--json").json
    assert (report["answer"], report["files"]) == ("clear", BURST)


@pytest.mark.images
def test_a_burst_onto_a_real_exfat_drive_arrives_on_the_other(bare: World, images: Images) -> None:
    bare.drives = {"A": images.mount("a", "exfat", 200), "B": images.mount("b", "ext4", 200)}
    given = [word for name, path in bare.drives.items() for word in ("--drive", f"{name}={path}")]
    assert bare.run("setup", "--allow-same-disk", *given).status == 0
    set_watch(bare, settle="1s")
    frames = bare.card("from-elsewhere")
    for number in range(120):
        frames.put(f"ORR_{number:04d}.DNG", os.urandom(20_000))
    with watching(bare) as watch:
        watch.until_idle()
        copied(bare, frames, SHOOT)
        until(lambda: len(bare.on("B")) == 120, watch, "all are on B", 120)
        watch.until_idle()
        images.unmount(bare.drives["A"])
        watch.until(lambda found: len(found["here"]) == 1, "drive A is gone")
        images.mount("a", "exfat")
        more = bare.card("more")
        more.put("ORR_0900.DNG", os.urandom(20_000))
        copied(bare, more, SHOOT)
        until(lambda: len(bare.on("B")) == 121, watch, "what came after the return is on B too", 60)
    assert Counter(bare.on("A").values()) == Counter(bare.on("B").values())


@pytest.mark.images
def test_a_file_system_that_tells_nothing_is_listed_every_so_often(bare: World, here: Path) -> None:
    """The files are put behind the back of the mount: no event comes for them."""
    with fault_file_system(here / "backing", here / "drive-a"):
        bare.drives = {"A": here / "drive-a", "B": bare.folder("drive-b")}
        given = [word for name, path in bare.drives.items() for word in ("--drive", f"{name}={path}")]
        assert bare.run("setup", "--allow-same-disk", *given).status == 0
        set_watch(bare, settle="1s", scan_every="8s")
        with watching(bare) as watch:
            watch.until_idle()
            time.sleep(3)
            frames = CardFolder(here / "backing")
            frames.raw(f"{SHOOT}/ORR_0001.DNG")
            watch.until_done("new files")
            until(lambda: len(bare.on("B")) == 1, watch, "the second copy is there")


def test_killed_while_it_takes_in_it_finishes_at_the_next_start(evening: World) -> None:
    frames, chance = evening.card("from-elsewhere"), random.Random(6)
    for number in range(400):
        frames.put(f"ORR_{number:04d}.DNG", tiny_raw(chance.randbytes(200), 100_000))
    for delay in (0.0, 0.3):
        with watching(evening) as watch:
            watch.until_idle()
            copied(evening, frames, SHOOT)
            watch.until(
                lambda found: (
                    (bool(found["doing"]) and found["doing"]["what"] in ("new files", "top-up"))
                    or bool(ended(found, "top-up"))
                ),
                "it takes in",
            )
            time.sleep(delay)
            watch.process.kill()
            watch.process.wait()
    oracle = Oracle(evening, frames.root)
    oracle.audit()
    with watching(evening) as watch:
        until(lambda: len(evening.on("B")) == 400, watch, "all are on B", 60)
        watch.until_idle()
    oracle.audit()
    assert evening.run("report", "--json").json["answer"] == "clear"


# Who writes to a file, and what the folders say: without a drive.


def test_who_has_a_file_open_for_writing_is_found(here: Path) -> None:
    if not sys.platform.startswith("linux"):
        pytest.skip("only Linux tells it")
    path, other = here / "a.DNG", here / "b.DNG"
    other.write_bytes(b"x")
    program = (
        "import sys; f=open(sys.argv[1],'wb'); g=open(sys.argv[2],'rb'); print(1,flush=True); sys.stdin.read()"
    )
    writer = subprocess.Popen(
        [sys.executable, "-c", program, path, other], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    )
    assert writer.stdout is not None
    writer.stdout.readline()
    assert find_open_for_writing({str(path), str(other)}) == {str(path)}
    writer.communicate()
    assert find_open_for_writing({str(path), str(other)}) == set()


@pytest.mark.parametrize(
    ("path", "shoot"),
    [
        ("2026/2026-06-13 Orrery Hall/R7/a.DNG", ("2026-06-13", "Orrery Hall")),
        ("2026/2026-06-13 Orrery Hall/a.DNG", ("2026-06-13", "Orrery Hall")),
        ("2026/2026-06-13/a.DNG", None),
        ("2025/2026-06-13 Orrery Hall/a.DNG", None),
        ("2026/2026-13-45 Orrery Hall/a.DNG", None),
        ("2026/2026-06-13 Orrery Hall", None),
        ("films/2026-06-13 Orrery Hall/a.DNG", None),
    ],
)
def test_the_shoot_that_a_path_lies_in(path: str, shoot: tuple[str, str] | None) -> None:
    assert parse_shoot_path(LayoutSettings(), path) == shoot


@given(
    st.sampled_from(
        [
            "{year}/{date} {shoot}/{body}/{name}",
            "{date}_{shoot}/{name}",
            "{shoot}/{date}/{name}",
            "p/{date} {shoot} [x]/{body}/{name}",
        ]
    ),
    st.sampled_from(["Hall", "a b c", "x.y (1)", "Späti", "2026-01-02 again"]),
)
def test_every_copy_lies_in_the_shoot_that_its_layout_put_it_in(template: str, shoot: str) -> None:
    layout = LayoutSettings(template=template)
    path = build_copy_path(layout, "2026-06-13", shoot, "R7", "DCIM/100ORREY/ORR_0001.DNG")
    found = parse_shoot_path(layout, path)
    assert found == ("2026-06-13", shoot)
    assert can_hold_shoots(layout, path.split("/")[0])


def test_what_is_new_on_a_drive_is_what_the_catalog_lacks(world: World) -> None:
    card = world.card()
    card.frames(2)
    assert world.run("offload", card.root, "--shoot", "Orrery Hall").status == 0
    top = world.drives["A"]
    new = top / SHOOT / "edited" / "ORR_0009.DNG"
    new.parent.mkdir()
    shutil.copy(card.root / "DCIM/100ORREY/ORR_0001.DNG", new)
    (top / SHOOT / "edited" / "._ORR_0009.DNG").write_bytes(b"\x00\x05\x16\x07\x00\x02\x00\x00" + bytes(100))
    with world.ctx() as ctx:
        place = next(one for one in list_places(ctx.catalog) if one.name == "A")
        found = list(find_new_on_drive(ctx.catalog, ctx.settings.layout, place.id, top, ""))
    assert [one.path for one in found] == [f"{SHOOT}/edited/ORR_0009.DNG"]
