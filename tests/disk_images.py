"""Real file systems to test on: an image behind a loop device, mounted, and taken away again whatever happens.

exFAT and NTFS are mounted by their user-space drivers, as on a laptop without the kernel's; ext4 and xfs by the
kernel. Three things can be done to a mounted image that no folder can do: pull it out in the middle (`yank`), cut
the power (`cut`: what was not forced to the medium is gone), and let a bit rot below the file system
(`rot`).

All of it needs root. Where something is missing, a test is skipped with the reason.
"""

from __future__ import annotations

import contextlib
import fcntl
import mmap
import os
import shutil
import signal
import struct
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

SAMPLES = Path(__file__).resolve().parent.parent.parent / "shared" / "samples"

_MAKE = {
    "exfat": ["mkfs.exfat"],
    "ntfs": ["mkfs.ntfs", "-q", "-F", "-f"],
    # Nothing is left for the kernel to write later, in its own time.
    "ext4": ["mkfs.ext4", "-q", "-F", "-m", "0", "-E", "lazy_itable_init=0,lazy_journal_init=0"],
    "xfs": ["mkfs.xfs", "-q", "-f"],
    "btrfs": ["mkfs.btrfs", "-q", "-f"],
}
_MOUNT = {
    "exfat": ["mount.exfat-fuse"],
    "ntfs": ["ntfs-3g"],
    "ext4": ["mount", "-t", "ext4"],
    "xfs": ["mount", "-t", "xfs"],
    "btrfs": ["mount", "-t", "btrfs"],
}
_DRIVERS = {"exfat": "mount.exfat-fuse", "ntfs": "ntfs-3g"}
_CHECKSUMMED = {"btrfs"}  # it refuses to read a block with a flipped bit
SMALLEST_MB = {"exfat": 2, "ntfs": 8, "ext4": 4, "xfs": 300, "btrfs": 114}

_SHUT_DOWN = 0x8004587D  # FS_IOC_SHUTDOWN of ext4, XFS_IOC_GOINGDOWN of xfs: one number
_WITHOUT_THE_LOG = 2  # ..._GOING_FLAGS_NOLOGFLUSH: not even the journal in memory is saved
_PATIENCE = 120.0
_BLOCK = 4096


@dataclass(frozen=True)
class Mounted:
    """One image where it is mounted now."""

    kind: str
    image: Path
    point: Path
    device: str

    @property
    def by_user_space(self) -> bool:
        return self.kind in _DRIVERS


class Images:
    """Images made below root. Everything that is still mounted goes with `close`."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.up: dict[Path, Mounted] = {}

    def mount(
        self,
        name: str,
        kind: str,
        megabytes: int = 64,
        *,
        at: str | None = None,
        direct: bool = False,
        owner: int | None = None,
    ) -> Path:
        """Mount the image of that name, made if it is new; where it is.

        direct: no cache below the loop device. owner: whose files they are on a file system without owners.
        """
        self.need(kind)
        image, point = self.root / f"{name}.img", self.root / (at or f"mnt-{name}")
        point.mkdir(exist_ok=True)
        if not image.exists():
            with image.open("wb") as file:
                file.truncate(max(megabytes, SMALLEST_MB[kind]) << 20)
            _run(*_MAKE[kind], image)
        device = _run("losetup", *(["--direct-io=on"] if direct else []), "-f", "--show", image)
        try:
            options = [] if owner is None else ["-o", f"uid={owner},gid={owner}"]
            _run(*_MOUNT[kind], *options, device, point)
        except subprocess.CalledProcessError:
            _quietly("losetup", "-d", device)
            raise
        self.up[point] = Mounted(kind, image, point, device)
        return point

    def unmount(self, point: Path) -> None:
        """Unmount in good order; back only when the driver has ended and the image is settled."""
        mounted = self.up[point]
        drivers = drivers_of(mounted)
        # Whoever looks through all mounted volumes holds this one for a moment.
        wait_until(lambda: _quietly("umount", point), f"{point} can be unmounted")
        del self.up[point]
        _wait_for_the_end(drivers)
        _release(mounted.device)

    def settle(self, point: Path) -> None:
        """Force everything that was written to the image."""
        _run("sync", "-f", point)

    def yank(self, point: Path) -> None:
        """Pull it out: from now on every call fails, and nothing more reaches the image."""
        mounted = self.up.pop(point)
        self._cut_off(mounted)
        _quietly("umount", "-l", point)
        _release(mounted.device)

    def die(self, point: Path) -> None:
        """Let the device die while it stays mounted, as a pulled cable leaves it until somebody unmounts."""
        self._cut_off(self.up[point])

    def cut(self, *points: Path) -> Callable[[], None]:
        """Cut the power of these images at one moment; what is given back mounts them again, as they woke up.

        The kernel's file systems are shut down without saving their logs. A user-space driver is halted, and
        what its device had received by then is what is left.
        """
        gone = [self.up.pop(point) for point in points]
        for mounted in gone:
            for driver in drivers_of(mounted):
                os.kill(driver, signal.SIGSTOP)
        for mounted in gone:
            if not mounted.by_user_space:
                _shut_down(mounted.point)
        for mounted in gone:
            # The image holds what was forced out; what the device's cache still had dies with it.
            shutil.copyfile(mounted.image, mounted.image.with_suffix(".cut"))
            self._cut_off(mounted)
            _quietly("umount", "-l", mounted.point)
            _release(mounted.device)
        for mounted in gone:
            mounted.image.with_suffix(".cut").replace(mounted.image)

        def wake() -> None:
            for mounted in gone:
                self.mount(mounted.image.stem, mounted.kind, at=mounted.point.name)

        return wake

    def rot(self, path: Path, offset: int) -> None:
        """Flip one bit of a file below its file system; size and times stay, and no cache hides it."""
        mounted = self.up[self._point_of(path)]
        _flush(path, mounted)
        with path.open("rb") as file:
            file.seek(offset // _BLOCK * _BLOCK)
            block = file.read(_BLOCK)
        with mounted.image.open("r+b") as image, mmap.mmap(image.fileno(), 0) as whole:
            at = whole.find(block)
            assert at >= 0, f"{path} is not in its image"
            assert whole.find(block, at + 1) < 0, f"the block of {path} is in its image twice"
            whole[at + offset % _BLOCK] ^= 1
            whole.flush()
        _flush(path, mounted)
        if mounted.kind in _CHECKSUMMED:
            return
        with path.open("rb") as file:
            file.seek(offset)
            assert file.read(1)[0] == block[offset % _BLOCK] ^ 1, "the flipped bit can't be seen"

    def close(self) -> None:
        """Take away whatever is still mounted, by force if it must be."""
        for point in list(self.up):
            mounted = self.up[point]
            try:
                self.unmount(point)
            except AssertionError:
                _quietly("umount", "-l", point)
                _quietly("losetup", "-d", mounted.device)
        self.up.clear()

    def need(self, kind: str) -> None:
        """Skip the test if this kind can't be made or mounted here."""
        why = why_not(kind)
        if why is not None:
            pytest.skip(why)

    def _point_of(self, path: Path) -> Path:
        return next(point for point in self.up if path.is_relative_to(point))

    @staticmethod
    def _cut_off(mounted: Mounted) -> None:
        drivers = drivers_of(mounted)
        for driver in drivers:
            os.kill(driver, signal.SIGKILL)
        _wait_for_the_end(drivers)
        if not mounted.by_user_space:
            with contextlib.suppress(OSError):
                _shut_down(mounted.point)


def why_not(kind: str) -> str | None:
    """Why images of this kind can't be used here; None if they can."""
    if sys.platform != "linux" or os.geteuid() != 0:
        return "needs root on Linux to mount images"
    tools = ["losetup", "blockdev", "mount", "umount", _MAKE[kind][0], _MOUNT[kind][0]]
    missing = [tool for tool in tools if shutil.which(tool) is None]
    if missing:
        return f"needs {', '.join(missing)}"
    if kind in _DRIVERS and not Path("/dev/fuse").exists():
        return "needs FUSE"
    if not Path("/dev/loop-control").exists():
        return "needs loop devices"
    return None


@contextlib.contextmanager
def images_below(root: Path) -> Iterator[Images]:
    """Images below root for the length of the block; skips where none can be mounted."""
    why = why_not("ext4")
    if why is not None:
        pytest.skip(why)
    made = Images(root)
    try:
        try:
            made.unmount(made.mount("try", "ext4", 8))
        except subprocess.CalledProcessError as error:
            pytest.skip(f"images can't be mounted here: {error.stderr.strip()}")
        yield made
    finally:
        made.close()


def umount(point: Path) -> None:
    """Unmount in good order. Whoever looks through all mounted volumes may hold it for a moment."""
    wait_until(lambda: _quietly("umount", point), f"{point} can be unmounted")


def wait_until(true: Callable[[], bool], what: str) -> None:
    """Wait until something is true. Fails after two minutes, naming what did not become true."""
    deadline = time.monotonic() + _PATIENCE
    while not true():
        assert time.monotonic() < deadline, f"waited in vain until {what}"
        time.sleep(0.005)


def _run(*words: object) -> str:
    return subprocess.run([str(word) for word in words], check=True, capture_output=True, text=True).stdout.strip()


def _quietly(*words: object) -> bool:
    done = subprocess.run([str(word) for word in words], check=False, capture_output=True)
    return done.returncode == 0


def _release(device: str) -> None:
    """Give the loop device back once nobody holds it any more."""
    wait_until(lambda: _quietly("losetup", "-d", device), f"{device} is free")


def drivers_of(mounted: Mounted) -> list[int]:
    """The processes that serve this mount point: the driver's program with the point among its words."""
    if not mounted.by_user_space:
        return []
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        with contextlib.suppress(OSError):
            words = (process / "cmdline").read_bytes().split(b"\0")
            if os.fsencode(mounted.point) in words and words[0].endswith(_DRIVERS[mounted.kind].encode()):
                found.append(int(process.name))
    return found


def _wait_for_the_end(drivers: list[int]) -> None:
    wait_until(lambda: not any(map(_runs, drivers)), f"the drivers {drivers} have ended")


def _runs(pid: int) -> bool:
    """Whether a process still lives; one that nobody has buried yet does not."""
    try:
        status = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace")
    except OSError:
        return False
    return status.rpartition(")")[2].split()[0] not in "ZX"


def _shut_down(point: Path) -> None:
    descriptor = os.open(point, os.O_RDONLY)
    try:
        fcntl.ioctl(descriptor, _SHUT_DOWN, struct.pack("=I", _WITHOUT_THE_LOG))
    finally:
        os.close(descriptor)


def _flush(path: Path, mounted: Mounted) -> None:
    """Write everything back and drop the file from every cache above the image."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):
            os.fsync(descriptor)
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        os.close(descriptor)
    _run("blockdev", "--flushbufs", mounted.device)
