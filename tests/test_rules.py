"""When a copy counts, and when two times are one. In doubt a copy does not count."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tripleguard.clock import DAY, HOUR, SECOND
from tripleguard.model import Copy, CopyState, DriveRole, Entry, Evidence, Medium, PlaceState
from tripleguard.rules import (
    CopyRequirements,
    CopyStatus,
    copy_status,
    get_interval_days,
    get_overdue_cutoff,
    is_as_recorded,
    is_recent,
    is_same_mtime,
    primary_reason,
)

NOW = int(datetime(2026, 6, 14, 2, tzinfo=UTC).timestamp()) * SECOND
TAKEN = NOW - 6 * HOUR
NEEDS = CopyRequirements(road_days=30, shelf_days=180, accept_cached=False)
SEEN = Entry("2026/x/a.dng", 100, TAKEN)

ANY_COPY_STATE = st.sampled_from(list(CopyState))
NEAR_TAKEN = st.integers(TAKEN - 5 * SECOND, TAKEN + 5 * SECOND)
ANY_TIME = st.integers(NOW - 400 * DAY, NOW + 3 * DAY)


def copy_of(
    *,
    state: CopyState = CopyState.PRESENT,
    verified: int | None = NOW - HOUR,
    medium: Medium | None = Medium.DIRECT,
    size: int = 100,
    mtime: int = TAKEN,
) -> Copy:
    if verified is None:
        medium = None
    return Copy(1, 1, 1, 1, "2026/x/a.dng", size, mtime, state, Evidence(NOW - DAY, verified, medium, None))


def stands(
    copy: Copy,
    *,
    drive: PlaceState = PlaceState.ACTIVE,
    role: DriveRole = DriveRole.ROAD,
    here: bool = True,
    seen: Entry | None = SEEN,
    needs: CopyRequirements = NEEDS,
) -> CopyStatus:
    return copy_status(
        copy, drive, role, is_connected=here, entry=seen if here else None, requirements=needs, now=NOW
    )


def test_a_verified_copy_that_lies_there_counts() -> None:
    assert stands(copy_of()) is CopyStatus.COUNTS
    assert stands(copy_of(medium=Medium.DROPPED)) is CopyStatus.COUNTS
    assert stands(copy_of(), drive=PlaceState.SHELVED, role=DriveRole.SHELF) is CopyStatus.COUNTS


@pytest.mark.parametrize("drive", [PlaceState.LOST, PlaceState.RETIRED])
def test_nothing_on_a_drive_out_of_service_counts(drive: PlaceState) -> None:
    assert stands(copy_of(), drive=drive) is CopyStatus.OUT_OF_SERVICE


@pytest.mark.parametrize("state", [state for state in CopyState if state is not CopyState.PRESENT])
def test_a_copy_that_was_found_wrong_does_not_count(state: CopyState) -> None:
    assert stands(copy_of(state=state)) is CopyStatus.MISSING
    assert stands(copy_of(state=state), here=False) is CopyStatus.MISSING


@pytest.mark.parametrize(
    "seen",
    [None, Entry(SEEN.path, 99, TAKEN), Entry(SEEN.path, 100, TAKEN + 3 * SECOND), Entry(SEEN.path, 0, TAKEN)],
)
def test_a_copy_that_does_not_lie_as_recorded_does_not_count(seen: Entry | None) -> None:
    assert stands(copy_of(), seen=seen) is CopyStatus.MISSING
    assert not is_as_recorded(copy_of(), seen)


def test_written_is_not_verified() -> None:
    assert stands(copy_of(verified=None)) is CopyStatus.UNVERIFIED


def test_a_reading_from_memory_counts_only_where_a_person_says_so() -> None:
    assert stands(copy_of(medium=Medium.CACHED)) is CopyStatus.CACHED
    assert stands(copy_of(medium=Medium.CACHED), needs=CopyRequirements(30, 180, True)) is CopyStatus.COUNTS


def test_evidence_grows_old_by_where_the_drive_lives() -> None:
    month_old = copy_of(verified=NOW - 31 * DAY)
    assert stands(month_old) is CopyStatus.OVERDUE
    assert stands(month_old, role=DriveRole.SHELF) is CopyStatus.COUNTS
    assert stands(copy_of(verified=NOW - 181 * DAY), role=DriveRole.SHELF) is CopyStatus.OVERDUE
    assert stands(copy_of(verified=NOW - 30 * DAY)) is CopyStatus.COUNTS


def test_evidence_from_far_ahead_comes_from_a_wrong_clock() -> None:
    assert stands(copy_of(verified=NOW + 2 * DAY)) is CopyStatus.OVERDUE


@pytest.mark.parametrize("verified", [NOW - HOUR, NOW - 1, NOW, NOW + 1, NOW + HOUR, NOW + DAY])
def test_a_drive_that_is_away_does_not_count_by_default(verified: int) -> None:
    """Not at all, says DESIGN; also not when a clock that was set back puts the evidence into the future."""
    assert stands(copy_of(verified=verified), here=False) is CopyStatus.AWAY


def test_what_was_read_back_within_the_hours_counts_and_nothing_from_the_future() -> None:
    needs = CopyRequirements(30, 180, False, max_age_ns=24 * HOUR)
    assert stands(copy_of(verified=NOW - 23 * HOUR), needs=needs) is CopyStatus.COUNTS
    assert stands(copy_of(verified=NOW), needs=needs) is CopyStatus.COUNTS
    assert stands(copy_of(verified=NOW - 25 * HOUR), needs=needs) is CopyStatus.OVERDUE
    assert stands(copy_of(verified=NOW + 1), needs=needs) is CopyStatus.OVERDUE


@given(
    state=ANY_COPY_STATE,
    verified=st.none() | ANY_TIME,
    medium=st.sampled_from(list(Medium)),
    drive=st.sampled_from(list(PlaceState)),
    role=st.sampled_from(list(DriveRole)),
    here=st.booleans(),
    seen=st.none() | st.builds(Entry, st.just("a"), st.integers(99, 101), NEAR_TAKEN),
    cached=st.booleans(),
    within=st.sampled_from([None, HOUR, 12 * HOUR, 10_000 * DAY]),
)
def test_what_counts_meets_every_condition(
    state: CopyState,
    verified: int | None,
    medium: Medium,
    drive: PlaceState,
    role: DriveRole,
    here: bool,
    seen: Entry | None,
    cached: bool,
    within: int | None,
) -> None:
    copy = copy_of(state=state, verified=verified, medium=medium)
    needs = CopyRequirements(30, 180, cached, within)
    if stands(copy, drive=drive, role=role, here=here, seen=seen, needs=needs) is not CopyStatus.COUNTS:
        return
    assert drive in (PlaceState.ACTIVE, PlaceState.SHELVED)
    assert state is CopyState.PRESENT
    assert verified is not None
    assert medium is not Medium.CACHED or cached
    if within is None:
        assert verified >= NOW - (180 if role is DriveRole.SHELF else 30) * DAY
    else:
        assert NOW - within <= verified <= NOW
    assert here
    assert seen is not None
    assert seen.size == 100
    assert abs(seen.mtime_ns - TAKEN) <= 2 * SECOND


def test_the_reason_told_first_is_the_one_to_act_on() -> None:
    assert primary_reason([]) is None
    assert primary_reason([CopyStatus.COUNTS]) is None
    assert primary_reason([CopyStatus.AWAY, CopyStatus.MISSING, CopyStatus.OUT_OF_SERVICE]) is CopyStatus.MISSING
    assert primary_reason([CopyStatus.OUT_OF_SERVICE, CopyStatus.AWAY]) is CopyStatus.AWAY
    for reason in CopyStatus:
        if reason is not CopyStatus.COUNTS:
            assert primary_reason([reason]) is reason


# exFAT specification 1.00: times in steps of 2 s (7.4.8), for modification 10 ms with the increment (7.4.9); an
# offset in steps of 15 minutes, from 16 hours west to 15:45 east (7.4.10). FAT32: 2 s steps, local time.
@pytest.mark.parametrize(
    ("apart", "same"),
    [
        (timedelta(0), True),
        (timedelta(milliseconds=10), True),
        (timedelta(seconds=2), True),
        (timedelta(seconds=2, microseconds=1), False),
        (timedelta(seconds=3), False),
        (timedelta(minutes=1), False),
        (timedelta(minutes=14, seconds=50), False),
        (timedelta(minutes=15), True),
        (timedelta(minutes=15, seconds=2), True),
        (timedelta(hours=1), True),
        (timedelta(hours=1, seconds=-2), True),
        (timedelta(hours=5, minutes=45), True),
        (timedelta(hours=16), True),
        (timedelta(hours=16, seconds=2), True),
        (timedelta(hours=16, seconds=3), False),
        (timedelta(hours=16, minutes=15), False),
        (timedelta(days=1), False),
    ],
)
def test_times_are_one_within_the_steps_and_zones_of_fat(apart: timedelta, same: bool) -> None:
    ns = round(apart.total_seconds() * 1_000_000) * 1000
    assert is_same_mtime(NOW, NOW + ns) is same
    assert is_same_mtime(NOW + ns, NOW) is same


@given(
    kept=st.integers(NOW - 400 * DAY, NOW),
    step=st.sampled_from([1, 100, 1000, 10_000_000, SECOND, 2 * SECOND]),
    quarters=st.integers(-64, 64),
)
def test_any_time_comes_back_as_itself_from_any_fat(kept: int, step: int, quarters: int) -> None:
    assert is_same_mtime(kept, kept // step * step + quarters * 15 * 60 * SECOND)


@given(verified=ANY_TIME, role=st.sampled_from(list(DriveRole)))
def test_overdue_and_recent_never_disagree(verified: int, role: DriveRole) -> None:
    if is_recent(verified, role, 30, 180, NOW):
        assert verified >= get_overdue_cutoff(role, 30, 180, NOW)
    elif verified <= NOW + DAY:
        assert verified < get_overdue_cutoff(role, 30, 180, NOW)


def test_intervals_of_the_default_rule() -> None:
    assert get_interval_days(DriveRole.ROAD, 30, 180) == 30
    assert get_interval_days(DriveRole.SHELF, 30, 180) == 180
