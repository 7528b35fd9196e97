"""A card with very many files: what a job holds open and in memory does not grow with it.

The drive is simulated, because what matters is one that flushes or reads slowly, and how long is up to the test.
"""

from __future__ import annotations

import io
import sys
import threading
import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import partial

import pytest
from sample_files import memo
from world import World

from tripleguard.digest import compute_digest
from tripleguard.jobs.copying.copy_tasks import CopyTask, CopyVerified, CopyWritten
from tripleguard.jobs.copying.engine import CopyEngine, CopyResult
from tripleguard.model import Entry, File, FreeSpace, FsLimits, Medium

BODY = b"one tiny picture"
PLAIN = FsLimits(
    is_case_insensitive=False,
    is_normalization_insensitive=False,
    forbidden_chars="",
    is_utf8_only=False,
    max_name_bytes=255,
    max_name_units=0,
    max_file_bytes=0,
    mtime_step_ns=1,
    file_system="simulated",
)
ENOUGH = 20
"""Seconds after which a job that should have gone on is taken for stuck."""


@dataclass
class SlowDrive:
    """A drive in memory whose flush or reading takes its time; counts the copies that are open at once."""

    flush_seconds: float = 0.0
    name: str = "slow"
    uid: str = "slow"
    fs_limits: FsLimits = PLAIN
    files: dict[str, bytes] = field(default_factory=dict)
    now_open: int = 0
    most_open: int = 0
    lock: threading.Lock = field(default_factory=threading.Lock)

    def free_space(self) -> FreeSpace:
        return FreeSpace(10**12, 10**12, 0)

    def is_connected(self) -> bool:
        return True

    def stat(self, path: str) -> Entry | None:
        return Entry(path, len(self.files[path]), 0) if path in self.files else None

    def exists(self, path: str) -> bool:
        return path in self.files

    def walk(self, folder: str) -> Iterator[Entry]:
        yield from (Entry(path, len(body), 0) for path, body in self.files.items() if path.startswith(folder))

    def begin_copy(self, size: int) -> SlowIncoming:
        self.opened(1)
        return SlowIncoming(self)

    def opened(self, step: int) -> None:
        with self.lock:
            self.now_open += step
            self.most_open = max(self.most_open, self.now_open)

    def fsync_dirs(self, folders: Iterable[str]) -> None:
        list(folders)

    def fsync_files(self, path: str) -> None:
        assert path in self.files

    def open_reader(self, path: str) -> Held:
        return Held(self.files[path])

    def quarantine(self, path: str, reason: str) -> str:
        raise AssertionError(f"{path}: {reason}")

    def move(self, old: str, new: str) -> Entry:
        raise AssertionError(f"{old} to {new}")

    def write_own(self, path: str, content: Iterable[bytes]) -> None:
        self.files[path] = b"".join(content)


class SlowIncoming:
    """One unfinished copy on a slow drive."""

    def __init__(self, drive: SlowDrive) -> None:
        self._drive = drive
        self._body = b""

    def write(self, buffer: memoryview) -> None:
        self._body += bytes(buffer)

    def flush(self, mtime_ns: int) -> None:
        time.sleep(self._drive.flush_seconds)

    def publish(self, path: str) -> Entry:
        self._drive.opened(-1)
        self._drive.files[path] = self._body
        return Entry(path, len(self._body), 0)

    def discard(self) -> None:
        self._drive.opened(-1)

    def quarantine_partial(self, name: str, reason: str) -> None:
        raise AssertionError(f"{name}: {reason}")


class Held(io.BytesIO):
    """Bytes that read like a medium."""

    medium = Medium.DIRECT


class Plan:
    """So many tiny files; counts how many the reader has asked for."""

    def __init__(self, count: int, *, empty: bool = False) -> None:
        self.count = count
        self.empty = empty
        self.begun = 0

    def __call__(self, copier: CopyEngine) -> Iterator[CopyTask]:
        for number in range(self.count):
            self.begun += 1
            body = b"" if self.empty else BODY + str(number).encode()
            entry = Entry(f"DCIM/{number}.WAV", len(body), 0)
            yield CopyTask(entry, open=partial(Held, body), lanes=(0,), is_source_unchanged=lambda: True)


def decide(copier: CopyEngine, task: CopyTask, file: File, head: bytes) -> dict[int, str]:
    assert file.digest == compute_digest(head)
    return {0: task.entry.path}


def copier_for(drive: SlowDrive, plan: Plan, *, turns: bool = False) -> CopyEngine:
    return CopyEngine([drive], plan, decide, buffer_bytes=16_000_000, alternate=turns)


def all_of(copier: CopyEngine) -> list[CopyResult]:
    copier.start()
    results: list[CopyResult] = []
    try:
        for batch in copier.iter_batches():
            results += batch
    finally:
        results += copier.close()
    return results


def test_a_drive_that_flushes_slowly_holds_few_files_open() -> None:
    """256 open files are all that some systems allow a program (macOS's usual soft limit; from memory)."""
    drive = SlowDrive(flush_seconds=0.002)
    results = all_of(copier_for(drive, Plan(600)))
    assert sum(isinstance(one, CopyVerified) for one in results) == 600
    assert drive.now_open == 0
    assert drive.most_open <= 70


def test_the_card_waits_for_a_catalog_that_falls_behind() -> None:
    plan = Plan(100_000)
    copier = copier_for(SlowDrive(), plan)
    copier.start()
    try:
        before, until = -1, time.monotonic() + ENOUGH
        while plan.begun != before and time.monotonic() < until:
            before = plan.begun
            time.sleep(0.5)
        assert 0 < plan.begun < 10_000
    finally:
        copier.close()


@pytest.mark.parametrize("turns", [False, True])
@pytest.mark.parametrize("empty", [False, True])
def test_everything_is_proved_however_the_drives_take_turns(turns: bool, empty: bool) -> None:
    """Empty files hold no buffer, so nothing but the count holds the reader back."""
    drive, plan = SlowDrive(flush_seconds=0.0005), Plan(3_000, empty=empty)
    results = all_of(copier_for(drive, plan, turns=turns))
    assert sum(isinstance(one, CopyVerified) for one in results) == 3_000


def test_a_head_that_moves_reads_back_before_too_many_tiny_files_wait() -> None:
    """Turns are counted in bytes; tiny files would fill the memory with what waits long before that."""
    results = all_of(copier_for(SlowDrive(), Plan(6_000), turns=True))
    waiting = most = 0
    for one in results:
        waiting += isinstance(one, CopyWritten)
        waiting -= isinstance(one, CopyVerified)
        most = max(most, waiting)
    assert waiting == 0
    assert 100 < most < 3_000


@pytest.mark.skipif(sys.platform == "win32", reason="the limit of open files is set as POSIX has it")
def test_an_evening_of_small_files_with_few_open_files_allowed(world: World) -> None:
    import resource

    card = world.card()
    for number in range(1, 401):
        card.put(f"DCIM/100ORREY/ORR_{number:04d}.WAV", memo(number.to_bytes(4, "big") * 64))

    def few_open_files() -> None:
        resource.setrlimit(resource.RLIMIT_NOFILE, (200, 200))

    answer = world.process("offload", card.root, preexec_fn=few_open_files)
    assert answer.returncode == 0, answer.stdout + answer.stderr
    assert len(world.on("A")) == len(world.on("B")) == 400
