"""The file system that fails on request does what the tests that use it rest on."""

from __future__ import annotations

import ctypes
import errno
import mmap
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from fault_file_system import FaultFileSystem, fault_file_system
from fault_rules import Fault, Operation

PAGE = 4096
CONTENT = os.urandom(16 * PAGE)


@pytest.fixture
def mounted(here: Path) -> Iterator[FaultFileSystem]:
    with fault_file_system(here / "backing", here / "point") as made:
        yield made


@pytest.fixture
def volatile(here: Path) -> Iterator[FaultFileSystem]:
    with fault_file_system(here / "backing", here / "point", volatile=True) as made:
        yield made


def force(path: Path) -> None:
    """Force a file or a directory to the medium."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def written(path: Path, content: bytes) -> Path:
    """Write a file and force out its content and its name."""
    path.write_bytes(content)
    force(path)
    force(path.parent)
    return path


def read_pages(path: Path) -> list[bool]:
    """Read a file page by page, past the kernel's memory; whether each page could be read."""
    found = []
    descriptor = os.open(path, os.O_RDONLY | os.O_DIRECT)
    page = mmap.mmap(-1, PAGE)
    try:
        for at in range(0, len(CONTENT), PAGE):
            try:
                found.append(os.preadv(descriptor, [page], at) == PAGE and page[:] == CONTENT[at : at + PAGE])
            except OSError as error:
                found.append(False if error.errno == errno.EIO else pytest.fail(str(error)))
    finally:
        os.close(descriptor)
    return found


def test_without_a_fault_it_is_a_folder_like_any_other(mounted: FaultFileSystem, here: Path) -> None:
    folder = mounted.point / "a" / "b"
    folder.mkdir(parents=True)
    (folder / "file").write_bytes(CONTENT)
    os.utime(folder / "file", ns=(1_000_000_007, 2_000_000_009))
    (folder / "file").rename(folder / "übung")
    (folder / "link").symlink_to("übung")
    os.link(folder / "übung", folder / "second")
    assert (here / "backing/a/b/übung").read_bytes() == (folder / "link").read_bytes() == CONTENT
    assert (folder / "übung").stat().st_mtime_ns == 2_000_000_009
    assert (folder / "second").stat().st_nlink == 2
    assert sorted(os.listdir(folder)) == ["link", "second", "übung"]
    (folder / "second").write_bytes(b"short")
    assert (here / "backing/a/b/übung").read_bytes() == b"short"
    for name in ("link", "second", "übung"):
        (folder / name).unlink()
    folder.rmdir()
    assert os.listdir(mounted.point / "a") == []
    with pytest.raises(FileNotFoundError):
        (folder / "file").stat()


def test_pages_that_cannot_be_read(mounted: FaultFileSystem) -> None:
    path = mounted.point / "file"
    path.write_bytes(CONTENT)
    (mounted.point / "other").write_bytes(CONTENT)
    mounted.set_faults(Fault("read", "*/file", offset=3 * PAGE + 7, length=PAGE))
    assert [index for index, good in enumerate(read_pages(path)) if not good] == [3, 4]
    assert all(read_pages(mounted.point / "other"))
    mounted.set_faults()
    assert all(read_pages(path))


def test_an_error_that_comes_once(mounted: FaultFileSystem) -> None:
    path = mounted.point / "file"
    path.write_bytes(CONTENT)
    mounted.set_faults(Fault("read", offset=0, count=1))
    assert not read_pages(path)[0]
    assert read_pages(path)[0]


def test_a_medium_that_is_full_after_some_bytes(mounted: FaultFileSystem) -> None:
    mounted.set_faults(Fault("write", error=errno.ENOSPC, after_bytes=10 * PAGE))
    with (mounted.point / "file").open("wb", buffering=0) as file:
        for _ in range(10):
            file.write(bytes(PAGE))
        with pytest.raises(OSError, match="No space left"):
            file.write(bytes(PAGE))
    assert (mounted.point / "file").stat().st_size == 10 * PAGE


@pytest.mark.parametrize("operation", ["open", "create", "fsync", "rename", "unlink"])
def test_each_operation_fails_alone(mounted: FaultFileSystem, operation: Operation) -> None:
    path = mounted.point / "file"
    path.write_bytes(CONTENT)
    mounted.set_faults(Fault(operation))

    def create() -> None:
        (mounted.point / "new").write_bytes(b"")

    def open_it() -> None:
        os.close(os.open(path, os.O_RDONLY))

    def flush() -> None:
        with path.open("r+b") as file:
            os.fsync(file.fileno())

    calls: dict[str, Callable[[], object]] = {
        "create": create,
        "open": open_it,
        "fsync": flush,
        "rename": lambda: path.rename(mounted.point / "renamed"),
    }
    failed = []
    for name in ("open", "fsync", "create", "rename"):
        try:
            calls[name]()
        except OSError as error:
            failed.append(name if error.errno == errno.EIO else str(error))
    if operation == "unlink":
        path = mounted.point / "renamed"
        with pytest.raises(OSError, match="Input/output"):
            path.unlink()
        failed.append("unlink")
    # A file that can't be opened can't be forced out either.
    assert failed == (["open", "fsync"] if operation == "open" else [operation])


def test_a_slow_call_still_does_its_work(mounted: FaultFileSystem) -> None:
    path = mounted.point / "file"
    path.write_bytes(CONTENT)
    mounted.set_faults(Fault("read", error=0, delay_seconds=0.01))
    assert all(read_pages(path))


def test_a_rename_that_must_not_replace_is_refused(mounted: FaultFileSystem) -> None:
    """As the drivers of exFAT and NTFS refuse it; renameat2(2), ERRORS, has EINVAL for it."""
    for name in ("one", "two"):
        (mounted.point / name).write_text(name)
    renameat2 = ctypes.CDLL(None, use_errno=True).renameat2
    paths = [os.fsencode(mounted.point / name) for name in ("one", "three")]
    assert renameat2(-100, paths[0], -100, paths[1], 1) == -1
    assert ctypes.get_errno() == errno.EINVAL
    assert sorted(os.listdir(mounted.point)) == ["one", "two"]


def test_after_a_power_cut_only_what_was_forced_out_is_there(volatile: FaultFileSystem, here: Path) -> None:
    point = volatile.point
    written(point / "whole", b"whole")
    (point / "nameless").write_bytes(b"content without a name")
    force(point / "nameless")
    (point / "empty").write_bytes(b"a name without content")
    written(point / "changed", b"before")
    written(point / "removed", b"removed")
    force(point)
    # What follows is only in memory; the listing was forced out before.
    (point / "late").write_bytes(b"late")
    force(point / "late")
    with (point / "changed").open("r+b") as file:
        file.write(b"after!")
    (point / "removed").unlink()
    (point / "changed-back").write_bytes(b"")
    volatile.cut_power()
    with pytest.raises(OSError, match=r"not connected|connection abort"):
        os.listdir(point)
    backing = here / "backing"
    assert {path.name: path.read_bytes() for path in backing.iterdir()} == {
        "whole": b"whole",
        "nameless": b"content without a name",
        "empty": b"",
        "changed": b"before",
        "removed": b"removed",
    }


def test_a_folder_needs_its_own_name_forced_out(volatile: FaultFileSystem, here: Path) -> None:
    for name in ("kept", "lost"):
        (volatile.point / name).mkdir()
        written(volatile.point / name / "file", b"x")
        if name == "kept":
            force(volatile.point)
    volatile.cut_power()
    assert [str(path.relative_to(here / "backing")) for path in sorted((here / "backing").rglob("*"))] == [
        "kept",
        "kept/file",
    ]


@pytest.mark.parametrize("forced", [False, True])
def test_a_rename_is_durable_once_its_target_folder_is(
    volatile: FaultFileSystem, here: Path, forced: bool
) -> None:
    point, backing = volatile.point, here / "backing"
    for name in ("from", "to"):
        (point / name).mkdir()
    force(point)
    written(point / "from/file", b"content")
    written(point / "to/name", b"replaced")
    (point / "from/file").rename(point / "to/name")
    force(point / ("to" if forced else "from"))
    volatile.cut_power()
    found = {str(path.relative_to(backing)): path.read_bytes() for path in backing.rglob("*") if path.is_file()}
    assert found == ({"to/name": b"content"} if forced else {"from/file": b"content", "to/name": b"replaced"})


def test_an_inode_number_that_is_used_again_is_another_file(volatile: FaultFileSystem, here: Path) -> None:
    old = written(volatile.point / "old", b"old")
    old.unlink()
    for number in range(20):
        (volatile.point / f"new{number}").write_bytes(b"new")
    volatile.cut_power()
    assert {path.name: path.read_bytes() for path in (here / "backing").iterdir()} == {"old": b"old"}
