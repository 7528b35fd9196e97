"""Disks to measure on, and the promise that none of them is left behind.

A disk is an image behind a loop device, mounted as ext4, slowed down by the kernel's own throttle where that is
asked for. Everything is undone in the opposite order when the rig is left, also after Ctrl-C or SIGTERM. What a
killed run left is found by its folder, which carries the number of its process, and cleared by the next run.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

PREFIX = "tripleguard-bench-"
_V1 = Path("/sys/fs/cgroup/blkio")
_V2 = Path("/sys/fs/cgroup")
_MIB = 1024 * 1024
_WAYS = {"read": "rbps", "write": "wbps"}


class CannotMeasureError(Exception):
    """This machine can't do a measurement; the reason is the message."""


@dataclass(frozen=True, slots=True)
class Disk:
    """One mounted disk of the rig. device: `major:minor`; limits: bytes/s by way, none if it runs free."""

    root: Path
    device: str


@dataclass(frozen=True, slots=True)
class Ran:
    """How a command went: wall seconds, CPU seconds, peak resident bytes, its output, its exit status."""

    seconds: float
    cpu: float
    peak: int
    output: str
    status: int


class Rig:
    """A scratch folder with disks in it. Use as a context; leave it and everything is gone."""

    def __init__(self, above: Path) -> None:
        self.root = Path(tempfile.mkdtemp(prefix=f"{PREFIX}{os.getpid()}-", dir=above))
        self._undo = contextlib.ExitStack()
        self._undo.callback(shutil.rmtree, self.root, ignore_errors=True)

    def __enter__(self) -> Rig:
        return self

    def __exit__(self, *_: object) -> None:
        self._undo.close()

    def disk(self, name: str, size: int, *, rate: int = 0) -> Disk:
        """A fresh ext4 of size bytes, reading and writing at most rate bytes/s each way (0: as fast as it goes).

        Raises CannotMeasureError without root, loop devices or a throttle.
        """
        if os.geteuid() != 0 or not shutil.which("losetup") or not shutil.which("mkfs.ext4"):
            raise CannotMeasureError("needs root, losetup and mkfs.ext4")
        image, root = self.root / f"{name}.img", self.root / name
        root.mkdir()
        with image.open("wb") as file:
            os.posix_fallocate(file.fileno(), 0, -(-size // _MIB) * _MIB)
        self._undo.callback(image.unlink, missing_ok=True)
        _must("mkfs.ext4", "-q", "-E", "lazy_itable_init=0,lazy_journal_init=0", str(image))
        loop = _must("losetup", "--direct-io=on", "--show", "-f", str(image)).split()[-1]
        self._undo.callback(_try, "losetup", "-d", loop)
        _must("mount", loop, str(root))
        self._undo.callback(_unmounted, root)
        device = Path(f"/sys/class/block/{Path(loop).name}/dev").read_text().strip()
        disk = Disk(root, device)
        if rate:
            self.limit(disk, rate)
        return disk

    def limit(self, disk: Disk, rate: int) -> None:
        """Slow a disk down to rate bytes/s each way, for everybody. Raises CannotMeasureError."""
        self._undo.callback(_limit, disk.device, 0)
        _limit(disk.device, rate)

    def free_folder(self, name: str) -> Path:
        """A folder right on the disk that the scratch folder lies on."""
        folder = self.root / name
        folder.mkdir()
        self._undo.callback(shutil.rmtree, folder, ignore_errors=True)
        return folder


@contextlib.contextmanager
def leaving_in_order() -> Iterator[None]:
    """SIGTERM and SIGHUP end the run like Ctrl-C does: by an exception, so that rigs are undone."""

    def ended(number: int, _: object) -> None:
        raise KeyboardInterrupt(signal.Signals(number).name)

    before = {number: signal.signal(number, ended) for number in (signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for number, old in before.items():
            signal.signal(number, old)


def clear_left_behind(above: Path) -> None:
    """Undo what a killed run left: mounts, loop devices, limits and folders of processes that are no more."""
    for folder in above.glob(f"{PREFIX}*-*"):
        number = folder.name.removeprefix(PREFIX).partition("-")[0]
        if number.isdigit() and not Path(f"/proc/{number}").exists():
            for image in folder.glob("*.img"):
                _unmounted(image.with_suffix(""))
                for line in _try("losetup", "-n", "-O", "NAME,MAJ:MIN", "-j", str(image)).splitlines():
                    loop, device = line.split()
                    with contextlib.suppress(CannotMeasureError):
                        _limit(device, 0)
                    _try("losetup", "-d", loop)
            shutil.rmtree(folder, ignore_errors=True)


def ran(command: Sequence[str], *, ok: Sequence[int] = (0,), environment: dict[str, str] | None = None) -> Ran:
    """Run a command to its end, in a group of its own that dies with this run. Raises CannotMeasureError.

    The peak counts the largest single process; it is never less than this one's own size when it was forked.
    """
    with tempfile.TemporaryFile() as output:
        began = time.perf_counter()
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
            start_new_session=True,
            env={**os.environ, **(environment or {})},
        )
        try:
            _, status, used = os.wait4(process.pid, 0)
        except BaseException:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
            raise
        seconds = time.perf_counter() - began
        process.returncode = os.waitstatus_to_exitcode(status)
        output.seek(0)
        text = output.read().decode(errors="replace")
    if process.returncode not in ok:
        raise CannotMeasureError(f"{' '.join(command[:4])} ended with {process.returncode}: {text.strip()[-400:]}")
    return Ran(seconds, used.ru_utime + used.ru_stime, used.ru_maxrss * 1024, text, process.returncode)


def shell(script: str) -> Ran:
    """Run lines of bash that stop at the first that fails. Raises CannotMeasureError."""
    return ran(["bash", "-euo", "pipefail", "-c", script])


def drop_caches() -> None:
    """Forget what memory holds of every disk. Raises CannotMeasureError without root."""
    os.sync()
    try:
        Path("/proc/sys/vm/drop_caches").write_text("3")
    except OSError as error:
        raise CannotMeasureError(f"memory's copy of the disks can't be dropped ({error.strerror})") from error


def _limit(device: str, rate: int) -> None:
    try:
        if (_V1 / "blkio.throttle.read_bps_device").exists():
            for way in _WAYS:
                (_V1 / f"blkio.throttle.{way}_bps_device").write_text(f"{device} {rate}")
            return
        _limit_v2(device, rate)
    except OSError as error:
        raise CannotMeasureError(f"the kernel's throttle can't be set ({error})") from error


def _limit_v2(device: str, rate: int) -> None:
    """Set `io.max` of a group of our own, and be in it: the root group has no such file."""
    group = _V2 / f"{PREFIX}{os.getpid()}"
    if not group.exists():
        (_V2 / "cgroup.subtree_control").write_text("+io")
        group.mkdir()
    (group / "cgroup.procs").write_text(str(os.getpid()))
    words = " ".join(f"{word}={rate or 'max'}" for word in _WAYS.values())
    (group / "io.max").write_text(f"{device} {words}")


def _unmounted(root: Path) -> None:
    for _ in range(20):
        if not os.path.ismount(root):
            return
        _try("umount", str(root))
        time.sleep(0.1)


def _must(*command: str) -> str:
    return ran(command).output


def _try(*command: str) -> str:
    try:
        return ran(command).output
    except CannotMeasureError:
        return ""
