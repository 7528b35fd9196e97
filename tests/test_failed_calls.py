"""A call that fails, once or from then on, costs nothing but a message.

`scripts/campaign-failed-calls` fails all of them; here is a sample, and what it found.
"""

from __future__ import annotations

import errno
import sqlite3
from pathlib import Path
from unittest.mock import patch

import pytest
from adversary_syscalls import Call
from failed_calls import JOBS, Failure, Ground, Job, Tally, failure_of, swept
from tour import scratch_folder

from tripleguard.places.place_writer import PlaceWriter

pytestmark = [
    pytest.mark.alone,
    pytest.mark.skipif(scratch_folder() is None, reason="no memory file system: too slow on a disk"),
]


@pytest.mark.parametrize("job", JOBS, ids=lambda job: job.name)
def test_whichever_call_fails_nothing_is_lost_and_the_next_run_completes(job: Job) -> None:
    tally = swept([job], 601, Tally())
    assert tally.played.total() > 3, "a sweep over no calls shows nothing"
    assert not tally.wrong, "\n".join(tally.lines())


def test_a_failed_flush_is_never_repeated_and_believed(tmp_path: Path) -> None:
    """After a failed fsync the kernel may drop the pages and report success (Rebello et al., ATC '20)."""
    ground = Ground(tmp_path, JOBS[0])
    flushes = [one for one in ground.failures() if one.call.what == "fsync" and one.call.path.endswith(".part")]
    assert flushes
    for failure in flushes[::3]:
        assert ground.play(failure) == ""


def test_a_bad_copy_that_is_lost_on_the_way_is_found(tmp_path: Path) -> None:
    """The sweep itself can be trusted: a repair that deletes what it should quarantine is noticed."""
    ground = Ground(tmp_path, next(job for job in JOBS if job.name == "repair"))
    late = [one for one in ground.failures() if one.call.what == "sql"][-120::20]
    assert {ground.play(one) for one in late} == {""}
    with patch.object(PlaceWriter, "_move_to_quarantine", _delete):
        assert "bytes were taken from drive A" in {ground.play(one) for one in late}


def test_what_was_rolled_back_is_not_built_upon_and_the_first_error_is_what_is_said(tmp_path: Path) -> None:
    """The catalog's disk is full while the first results are recorded; the others come after that."""
    ground = Ground(tmp_path, JOBS[0])
    names = [one for one in ground.failures() if one.call.what == "sql" and not one.stays]
    first = next(at for at, one in enumerate(names) if one.call.path.startswith("INSERT INTO shoots"))
    for failure in [one for one in names[first : first + 40] if one.error == sqlite3.SQLITE_FULL]:
        assert ground.play(failure) == "", failure


def test_a_snapshot_that_cannot_be_made_is_said_and_holds_nothing_up(tmp_path: Path) -> None:
    ground = Ground(tmp_path, JOBS[0])
    found = [
        one for one in ground.failures() if one.call.what in ("mkdir", "unlink") and "scratch" in one.call.path
    ]
    assert found
    for failure in found[::6]:
        assert ground.play(failure) == "", failure


def test_a_failure_is_named_by_its_call_and_its_error() -> None:
    failure = Failure(Call("fsync", "drive-a/x", 2), errno.EIO, stays=True)
    assert str(failure) == "EIO from then on at fsync drive-a/x #2"
    assert failure_of(str(failure)) == failure


def _delete(writer: PlaceWriter, path: str, reason: str, name: str = "") -> str:
    (writer.dir_handle.root / path).unlink()
    return path
