"""A call that fails, once or from then on, costs nothing but a message; `scripts/campaign-failed-calls` fails them all."""

from __future__ import annotations

import errno
from pathlib import Path
from unittest.mock import patch

import pytest
from adversary_syscalls import Call
from failed_calls import JOBS, Failure, Ground, Job, Tally, failure_of, swept
from tour import scratch_folder

from tripleguard.places import copy_writer

pytestmark = [
    pytest.mark.alone,
    pytest.mark.skipif(scratch_folder() is None, reason="no memory file system: too slow on a disk"),
]


@pytest.mark.parametrize("job", JOBS, ids=lambda job: job.name)
def test_whichever_call_fails_nothing_is_lost_and_the_next_run_completes(job: Job) -> None:
    tally = swept([job], 331, Tally())
    assert tally.played.total() > 3, "a sweep over no calls shows nothing"
    assert not tally.wrong, "\n".join(tally.lines())


def test_a_failed_flush_is_never_repeated_and_believed(tmp_path: Path) -> None:
    """After a failed fsync the kernel may drop the pages and report success (Rebello et al., ATC '20)."""
    ground = Ground(tmp_path, JOBS[0])
    flushes = [one for one in ground.failures() if one.call.what == "fsync" and one.call.path.endswith(".part")]
    assert flushes
    for failure in flushes:
        assert ground.play(failure) == ""


def test_a_failed_flush_that_is_ignored_is_found(tmp_path: Path) -> None:
    """The sweep itself can be trusted: a write whose error nobody looks at leaves half a file."""
    ground = Ground(tmp_path, JOBS[0])
    writes = [one for one in ground.failures() if one.call.what == "write" and ".part" in one.call.path]
    with patch.object(copy_writer.DriveCopyWriter, "_write_all", _careless):
        found = {ground.play(failure) for failure in writes}
    assert any(found - {""})


def test_a_failure_is_named_by_its_call_and_its_error() -> None:
    failure = Failure(Call("fsync", "drive-a/x", 2), errno.EIO, stays=True)
    assert str(failure) == "EIO from then on at fsync drive-a/x #2"
    assert failure_of(str(failure)) == failure


def _careless(writer: copy_writer.DriveCopyWriter, view: memoryview) -> None:
    """Write, and take an error for success."""
    try:
        copy_writer.os.write(writer._fd, view)
    except OSError:
        pass
    writer._size += len(view)
