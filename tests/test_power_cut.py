"""The power goes in the middle: what was not forced to the medium is gone, and nothing is claimed of it.

On ext4 and xfs the file system is shut down without saving its log; on exFAT the driver is halted and the image is
left with what its device had received. The fault file system is stricter than any of them: it drops every byte and
every name that no fsync covered.
"""

from __future__ import annotations

import contextlib
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from disk_images import Images, images_below
from fault_file_system import FaultFileSystem, fault_file_system
from oracle import INCOMING, Oracle
from world import CardFolder, World

pytestmark = [pytest.mark.images, pytest.mark.alone]

MIB = 1 << 20


@pytest.fixture
def images(here: Path) -> Iterator[Images]:
    with images_below(here) as made:
        yield made


@pytest.mark.parametrize("copies", [0, 12])
@pytest.mark.parametrize("kinds", [("ext4", "exfat"), ("xfs", "ext4")], ids="-".join)
def test_after_a_power_cut_no_claim_is_false_and_no_name_means_a_half(
    bare: World, images: Images, kinds: tuple[str, str], copies: int
) -> None:
    card = _card(bare)
    _set_up(bare, A=images.mount("a", kinds[0], 96), B=images.mount("b", kinds[1], 96))
    images.settle(bare.drives["A"])
    images.settle(bare.drives["B"])
    oracle = Oracle(bare, card.root, losing=True)
    with _offloading(bare, card, copies) as process:
        process.send_signal(signal.SIGSTOP)
        wake = images.cut(*bare.drives.values())
    wake()
    _resumes(bare, oracle)


@pytest.mark.parametrize("copies", [1, 8])
def test_when_the_catalogs_own_disk_loses_power_it_may_lag_and_never_leads(
    bare: World, images: Images, copies: int
) -> None:
    card = _card(bare)
    bare.home = images.mount("laptop", "ext4", 64) / "home"
    _set_up(bare, A=images.mount("a", "ext4", 96), B=images.mount("b", "exfat", 96))
    for point in images.up:
        images.settle(point)
    oracle = Oracle(bare, card.root, losing=True)
    with _offloading(bare, card, copies) as process:
        process.send_signal(signal.SIGSTOP)
        wake = images.cut(*list(images.up))
    wake()
    _resumes(bare, oracle)


@pytest.mark.parametrize(("copies", "with_home"), [(0, False), (4, False), (12, False), (6, True)])
def test_on_a_medium_that_forgets_all_that_was_not_forced_out(
    bare: World, here: Path, copies: int, with_home: bool
) -> None:
    card = _card(bare)
    points = [here / "a", here / "b", *([here / "laptop"] if with_home else [])]
    bare.home = here / "laptop" / "home"
    (here / "laptop").mkdir()

    def mounted(stack: contextlib.ExitStack, *, volatile: bool) -> list[FaultFileSystem]:
        backing = [point.with_name(f"{point.name}-backing") for point in points]
        return [
            stack.enter_context(fault_file_system(behind, point, volatile=volatile))
            for behind, point in zip(backing, points, strict=True)
        ]

    with contextlib.ExitStack() as before:
        mounted(before, volatile=False)
        _set_up(bare, A=here / "a", B=here / "b")
        bare.settings("[rule]\naccept_cached = true\n")
    with contextlib.ExitStack() as first:
        media = mounted(first, volatile=True)
        oracle = Oracle(bare, card.root, losing=True)
        with _offloading(bare, card, copies) as process:
            process.send_signal(signal.SIGSTOP)
            for medium in media:
                medium.cut_power()
    with contextlib.ExitStack() as second:
        mounted(second, volatile=False)
        _resumes(bare, oracle)


def _card(world: World) -> CardFolder:
    card = world.card()
    card.frames(24, size=MIB)
    card.put("DCIM/100ORREY/ORR_0003.xmp", b"<x/>")
    return card


def _set_up(world: World, **drives: Path) -> None:
    world.drives = drives
    given = [word for name, path in drives.items() for word in ("--drive", f"{name}={path}")]
    answer = world.run("setup", "--allow-same-disk", *given)
    assert answer.status == 0, answer.err


def _resumes(world: World, oracle: Oracle) -> None:
    """Nothing is claimed that is not so; and the same command brings everything to its end."""
    oracle.audit()
    found = world.run("offload", oracle.card, "--json")
    assert found.status == 0, found.out + found.err
    oracle.finished()


@contextlib.contextmanager
def _offloading(world: World, card: CardFolder, copies: int) -> Iterator[subprocess.Popen[bytes]]:
    """An offload in a process of its own that has named so many copies on a drive; dead after the block."""
    process = subprocess.Popen(
        world.command_line("offload", card.root), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        while process.poll() is None and not _has_come_to(world, copies):
            time.sleep(0.001)
        assert process.poll() is None, "it was over before the power went"
        yield process
    finally:
        process.kill()
        process.wait()


def _has_come_to(world: World, copies: int) -> bool:
    def number(look: Callable[[Path], Iterator[Path]]) -> int:
        with contextlib.suppress(OSError):
            return max(len(list(look(drive))) for drive in world.drives.values())
        return 0

    if copies == 0:
        return number(lambda drive: (drive / INCOMING).glob("*.part")) > 0
    return number(lambda drive: drive.glob("2026/*/*/*")) >= copies
