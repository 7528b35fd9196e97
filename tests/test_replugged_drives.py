"""What an ordinary user can know of a drive whose driver is a program, once it was plugged in again.

exFAT and NTFS are mounted by their user-space drivers, on loop devices without a cache of their own, as a real
disk has none. The commands run as a user who may not open the device below.
"""

from __future__ import annotations

import ctypes
import functools
import importlib
import os
import pickle
import pkgutil
import shutil
import subprocess
import tempfile
import traceback
from collections.abc import Iterator
from pathlib import Path

import pytest
from disk_images import Images, images_below, umount, wait_until
from world import Answer, World

import tripleguard
from tripleguard.catalog.rows import KnownFile
from tripleguard.model import Copy, Medium
from tripleguard.places.cache_bypass import detect_cache_bypass
from tripleguard.places.dir_handle import DirHandle
from tripleguard.places.insertion import read_drive_insertion

pytestmark = [pytest.mark.images, pytest.mark.alone]

NOBODY = 65534
PR_SET_DUMPABLE = 4


@pytest.fixture
def here() -> Iterator[Path]:
    """A folder on a disk that another user can reach; the usual one is closed to others whenever tests begin."""
    if not detect_cache_bypass(Path(tempfile.gettempdir())).medium.is_from_device:
        pytest.skip("the temporary folder is not on a disk that can be read past the cache")
    made = Path(tempfile.mkdtemp(prefix="tripleguard-tests-"))
    made.chmod(0o755)
    yield made
    shutil.rmtree(made, ignore_errors=True)


@pytest.fixture
def images(here: Path) -> Iterator[Images]:
    with images_below(here) as made:
        yield made


class Night:
    """A card and drive A as folders, drive B as an image behind a user-space driver; all commands as nobody."""

    def __init__(self, world: World, images: Images, kind: str) -> None:
        self.world, self.images, self.kind = world, images, kind
        self.point = images.mount("b", kind, 48, direct=True, owner=NOBODY)
        if not _without_cache(images.up[self.point].device):
            pytest.skip("the loop device keeps a cache of its own here")
        self.card = world.card()
        self.card.frames(5, size=300_000)
        world.drives = {"A": world.folder("drive-a"), "B": self.point}
        world.home.mkdir()
        for path in (world.root, world.home, world.drives["A"], *self.card.root.rglob("*"), self.card.root):
            os.chown(path, NOBODY, NOBODY)
        given = [f"--drive={name}={path}" for name, path in world.drives.items()]
        done = self.typed("setup", "--allow-same-disk", *given)
        assert done.status == 0, done.err

    def typed(self, *words: object) -> Answer:
        """Run a command as a user who is not root, in a forked process: it need not be imported again."""
        _import_everything()
        answer, written = os.pipe()
        child = os.fork()
        if child == 0:
            status = 1
            try:
                _become_nobody(self.world.root)
                with os.fdopen(written, "wb") as file:
                    pickle.dump(self.world.run(*words), file)
                status = 0
            except BaseException:
                traceback.print_exc()
                raise
            finally:
                os._exit(status)
        os.close(written)
        with os.fdopen(answer, "rb") as file:
            content = file.read()
        assert os.waitpid(child, 0)[1] == 0
        done: Answer = pickle.loads(content)
        return done

    def out(self) -> Path:
        """Unplug B: unmounted, and its device gone. Where its image is."""
        image = self.images.up[self.point].image
        self.images.unmount(self.point)
        return image

    def back(self) -> None:
        assert self.images.mount("b", self.kind, direct=True, owner=NOBODY) == self.point

    def replug(self) -> None:
        self.out()
        self.back()

    def evidence(self) -> dict[str, Copy]:
        """The copies on B by name."""
        with self.world.ctx() as ctx:
            from tripleguard.catalog.file_queries import list_copies
            from tripleguard.catalog.rows import FILE_COLUMNS, row_to_file

            files: list[KnownFile] = [
                row_to_file(row) for row in ctx.catalog.fetch_all(f"SELECT {FILE_COLUMNS} FROM files f")
            ]
            found = [copy for file in files for copy in list_copies(ctx.catalog, file.id)]
            names: dict[int, str] = {
                row[0]: row[1] for row in ctx.catalog.fetch_all("SELECT id, name FROM places")
            }
        return {copy.path.rpartition("/")[2]: copy for copy in found if names[copy.place_id] == "B"}

    def media(self) -> set[Medium | None]:
        return {copy.evidence.medium for copy in self.evidence().values()}


@functools.cache
def _import_everything() -> None:
    """Have commands import what they need, as Python itself may be installed where only root can read it."""
    with tempfile.TemporaryDirectory() as folder:
        world = World(Path(folder)).setup()
        card = world.card()
        card.frames(1)
        for words in (("offload", card.root), ("rescan", "--all"), ("topup",), ("report",)):
            world.run(*words)
            world.run(*words, "--json")
        world.run("clearance", "card", card.root)
    for module in pkgutil.walk_packages(tripleguard.__path__, "tripleguard."):
        if not module.name.endswith(("__main__", "non_linux")):
            importlib.import_module(module.name)


def _become_nobody(home: Path) -> None:
    """Give up every right of root for good."""
    os.setgroups([])
    os.setresgid(NOBODY, NOBODY, NOBODY)
    os.setresuid(NOBODY, NOBODY, NOBODY)
    # A process that changed its user may not look at itself in /proc (proc(5)); one that was started anew may.
    assert ctypes.CDLL(None).prctl(PR_SET_DUMPABLE, 1) == 0
    os.chdir(home)
    os.environ["HOME"] = str(home)


def _without_cache(device: str) -> bool:
    return Path("/sys/block", Path(device).name, "loop/dio").read_text().strip() == "1"


@pytest.fixture(params=["exfat", "ntfs"])
def night(request: pytest.FixtureRequest, bare: World, images: Images) -> Night:
    return Night(bare, images, request.param)


def test_a_drive_that_was_plugged_in_again_clears_the_card(night: Night) -> None:
    """Offload: no, maybe from memory. Unplugged and plugged in: read back, and yes."""
    first = night.typed("offload", night.card.root)
    assert first.status == 1, first.out + first.err
    assert "unplug the drive, plug it in again" in " ".join(first.out.split())
    assert night.media() == {Medium.CACHED}
    report = night.typed("report", "--json")
    assert report.status == 1, report.err
    assert [one["next_step"].partition(",")[0] for one in report.json["findings"]] == ["Unplug drive B"]
    rescan = night.typed("rescan", "--place", "B", "--all", "--json")
    assert (rescan.status, rescan.json["read_back"], rescan.json["from_memory"]) == (1, 0, 5)
    assert night.typed("topup").status == 1
    assert night.media() == {Medium.CACHED}

    night.replug()
    assert [one["next_step"] for one in night.typed("report", "--json").json["findings"]] == [
        "Run `rescan --place B`"
    ]
    again = night.typed("offload", night.card.root)
    assert again.status == 0, again.out + again.err
    assert night.media() == {Medium.REMOUNTED}
    assert night.typed("clearance", "card", night.card.root).status == 0
    assert night.typed("report").status == 0
    assert "Nothing is owed" in night.typed("topup").out


@pytest.mark.parametrize("command", [("rescan", "--place", "B"), ("topup",)], ids=["rescan", "topup"])
def test_the_other_commands_read_it_back_too(night: Night, command: tuple[str, ...]) -> None:
    night.typed("offload", night.card.root)
    night.replug()
    done = night.typed(*command, "--json")
    assert done.status == 0, done.out + done.err
    assert night.media() == {Medium.REMOUNTED}
    assert night.typed("clearance", "card", night.card.root).status == 0


def test_a_second_reading_from_memory_renews_nothing_and_takes_nothing(night: Night) -> None:
    night.typed("offload", night.card.root)
    night.replug()
    assert night.typed("rescan", "--place", "B").status == 0
    before = night.evidence()
    again = night.typed("rescan", "--place", "B", "--all", "--json")
    assert (again.json["read_back"], again.json["from_memory"], again.status) == (0, 5, 0)
    for name, copy in night.evidence().items():
        assert copy.evidence.medium is Medium.REMOUNTED
        assert copy.evidence.verified_at == before[name].evidence.verified_at


def test_what_rotted_while_it_was_away_is_seen_after_it_came_back(night: Night) -> None:
    """The image is changed below everything while nothing is mounted; one that came from memory would not tell."""
    night.typed("offload", night.card.root)
    picture = next(night.point.rglob("ORR_0003.DNG"))
    block = picture.read_bytes()[200_704:204_800]
    image = night.out()
    with image.open("r+b") as file:
        content = file.read()
        at = content.find(block)
        assert at >= 0
        assert content.find(block, at + 1) < 0
        file.seek(at + 7)
        file.write(bytes([block[7] ^ 1]))
        file.flush()
        os.fsync(file.fileno())
    night.back()
    found = night.typed("rescan", "--place", "B", "--json")
    assert found.status == 1
    assert [(one["kind"], Path(one["path"]).name) for one in found.json["findings"]] == [
        ("corrupt", "ORR_0003.DNG")
    ]
    assert night.typed("clearance", "card", night.card.root).status == 1


def test_what_was_written_since_it_was_plugged_in_counts_later(night: Night) -> None:
    """A second card in the same insertion: its copies are in memory, those of the first are not."""
    night.typed("offload", night.card.root)
    night.replug()
    later = night.world.card("later")
    later.frames(2, first=70, size=200_000)
    for path in (later.root, *later.root.rglob("*")):
        os.chown(path, NOBODY, NOBODY)
    assert night.typed("offload", later.root).status == 1
    assert night.typed("rescan", "--place", "B").status == 1
    media = {name: copy.evidence.medium for name, copy in night.evidence().items()}
    assert {name for name, medium in media.items() if medium is Medium.CACHED} == {"ORR_0070.DNG", "ORR_0071.DNG"}
    assert night.typed("clearance", "card", night.card.root).status == 0
    assert night.typed("clearance", "card", later.root).status == 1


def test_what_was_saved_again_since_it_was_plugged_in_is_in_memory(night: Night) -> None:
    """A picture is written anew with the same bytes and another time: a reading of it proves nothing yet."""
    night.typed("offload", night.card.root)
    night.replug()
    picture = next(night.point.rglob("ORR_0002.DNG"))
    content = picture.read_bytes()
    picture.write_bytes(content)
    os.utime(picture, (1_900_000_000, 1_900_000_000))
    night.typed("rescan", "--place", "B")
    media = {name: copy.evidence.medium for name, copy in night.evidence().items()}
    assert media.pop("ORR_0002.DNG") is Medium.CACHED
    assert set(media.values()) == {Medium.REMOUNTED}


def test_files_that_are_taken_in_by_hand_count_after_the_next_plugging_in(night: Night) -> None:
    night.typed("offload", night.card.root)
    moved = next(night.point.rglob("ORR_0001.DNG"))
    moved.rename(night.point / "renamed.DNG")
    night.replug()
    night.typed("rescan", "--place", "B")
    media = {name: copy.evidence.medium for name, copy in night.evidence().items()}
    assert media["renamed.DNG"] is Medium.CACHED
    night.replug()
    night.typed("rescan", "--place", "B")
    assert night.media() == {Medium.REMOUNTED}


def test_every_mount_point_of_one_mounting_is_one_insertion(night: Night, here: Path) -> None:
    """A bind mount shows the same cache, also when the first mount point is gone."""
    first = read_drive_insertion(night.point)
    assert first is not None
    bound = here / "bound"
    bound.mkdir()
    subprocess.run(["mount", "--bind", night.point, bound], check=True)
    try:
        assert read_drive_insertion(bound) == first
        umount(night.point)
        assert read_drive_insertion(bound) == first
        subprocess.run(["mount", "--bind", bound, night.point], check=True)
    finally:
        umount(bound)
    assert read_drive_insertion(night.point) == first
    night.replug()
    assert read_drive_insertion(night.point) not in (first, None)


def test_a_folder_that_is_held_belongs_to_its_own_mounting(night: Night, here: Path) -> None:
    """Something else is mounted over it; then it is taken out of the table while it is held."""
    held = DirHandle(night.point)
    try:
        first = read_drive_insertion(night.point, held.fd)
        assert first is not None
        subprocess.run(["mount", "-t", "tmpfs", "tmpfs", night.point], check=True)
        assert read_drive_insertion(night.point) is None
        assert read_drive_insertion(night.point, held.fd) == first
        umount(night.point)
        mounted = night.images.up.pop(night.point)
        subprocess.run(["umount", "-l", night.point], check=True)
        assert read_drive_insertion(night.point, held.fd) is None
    finally:
        held.close()
    wait_until(
        lambda: subprocess.run(["losetup", "-d", mounted.device], check=False).returncode == 0,
        f"{mounted.device} is free",
    )


def test_mounting_again_is_another_insertion_though_the_device_stayed(night: Night) -> None:
    first, device = read_drive_insertion(night.point), night.images.up[night.point].device
    umount(night.point)
    driver = {"exfat": "mount.exfat-fuse", "ntfs": "ntfs-3g"}[night.kind]
    _until_mounted([driver, device, str(night.point)])
    assert read_drive_insertion(night.point) not in (first, None)


def _until_mounted(words: list[str]) -> None:
    """The driver that was unmounted may still hold its device for a moment."""
    wait_until(
        lambda: subprocess.run(words, check=False, capture_output=True).returncode == 0,
        f"{words} can be mounted",
    )


def test_an_image_with_a_cache_below_is_never_proved_by_plugging_in(here: Path, images: Images) -> None:
    """The cache of an image file belongs to the file system it lies on, and outlives every unmounting."""
    point = images.mount("cached", "exfat", 16)
    assert read_drive_insertion(point) is None
    assert read_drive_insertion(here) is None


def test_the_last_one_to_close_a_device_drops_its_cache(here: Path) -> None:
    """What decision 022 rests on, and what would break it: who holds the device open keeps what was read of it."""
    with images_below(here) as images:
        point = images.mount("held", "ext4", 16, direct=True)
        device = images.up[point].device
        umount(point)
        holder = os.open(device, os.O_RDONLY)
        reader = os.open(device, os.O_RDONLY)
        os.pread(reader, 4096, 1 << 20)
        os.close(reader)
        assert _resident(holder, 1 << 20)
        os.close(holder)
        reader = os.open(device, os.O_RDONLY)
        assert not _resident(reader, 1 << 20)
        os.close(reader)
        subprocess.run(["mount", "-t", "ext4", device, point], check=True)


def _resident(descriptor: int, offset: int) -> bool:
    """Whether a block of a device is in its cache: a read that may not wait (preadv2(2), RWF_NOWAIT) gives it."""
    try:
        return os.preadv(descriptor, [bytearray(4096)], offset, os.RWF_NOWAIT) == 4096
    except BlockingIOError:
        return False
