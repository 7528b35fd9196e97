"""When a watched folder is listed and which new files count as complete, without a disk and without a clock."""

from __future__ import annotations

from collections.abc import Iterable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tripleguard.model import Entry
from tripleguard.watch.folder_machine import (
    INCOMPLETE_REPORT_S,
    MAX_CHANGED_DIRS,
    MAX_RETRY_S,
    get_next_time,
    list_abandoned,
    list_incomplete,
    list_stable,
    list_unstable,
    step,
)
from tripleguard.watch.folder_state import (
    EVERYTHING,
    MAX_TRIES,
    Action,
    CheckFiles,
    Event,
    FilesChanged,
    FilesChecked,
    FilesIngested,
    FilesRecorded,
    FolderState,
    ListDirs,
    Listed,
    ListingFailed,
    PollingChanged,
    ReadyCounted,
    RelistRequested,
    ReportReady,
    TimePassed,
    Warn,
)

PATH = "a/ORR_0001.DNG"


def entry(size: int, mtime: int = 1, path: str = PATH) -> Entry:
    return Entry(path, size, mtime)


def run(state: FolderState, *events: Event) -> FolderState:
    for event in events:
        state, _ = step(state, event)
    return state


def act(state: FolderState, event: Event) -> Action | None:
    return step(state, event)[1]


def listed(now: float, *entries: Entry, dirs: Iterable[str] = EVERYTHING) -> Listed:
    return Listed(now, frozenset(dirs), entries)


def changed(now: float, *dirs: str, closed: Iterable[str] = (), count: int = 1) -> FilesChanged:
    return FilesChanged(now, frozenset(dirs), frozenset(closed), count)


def checked(now: float, *entries: Entry) -> FilesChecked:
    return FilesChecked(now, {one.path: one for one in entries})


@pytest.fixture
def idle() -> FolderState:
    """A folder that was listed once, and in which nothing happened."""
    return run(FolderState(settle_s=10), TimePassed(0), listed(0))


def test_a_folder_that_is_new_is_listed_whole() -> None:
    assert act(FolderState(settle_s=10), TimePassed(0)) == ListDirs(EVERYTHING)


def test_an_idle_folder_asks_for_nothing(idle: FolderState) -> None:
    assert get_next_time(idle, 1) is None
    assert act(idle, TimePassed(1000)) is None


def test_a_change_is_listed_once_it_is_quiet(idle: FolderState) -> None:
    state = run(idle, changed(20, "a"), changed(20.5, "b"))
    assert act(state, TimePassed(20.8)) is None
    state, action = step(state, TimePassed(21.3))
    assert action == ListDirs(frozenset({"a", "b"}))
    assert act(state, TimePassed(22)) is None


def test_events_that_never_pause_do_not_put_off_the_listing_for_ever(idle: FolderState) -> None:
    state, actions = idle, []
    for tenth in range(200, 260):
        state, action = step(run(state, changed(tenth / 10, "a")), TimePassed(tenth / 10))
        actions.append(action)
    assert ListDirs(frozenset({"a"})) in actions


def test_after_a_burst_everything_is_listed_when_it_is_quiet(idle: FolderState) -> None:
    state = run(idle, changed(20, "a", count=MAX_CHANGED_DIRS + 1))
    assert act(state, TimePassed(21)) == ListDirs(EVERYTHING)
    many = run(idle, changed(20, *(str(number) for number in range(MAX_CHANGED_DIRS + 1))))
    assert act(many, TimePassed(21)) == ListDirs(EVERYTHING)


def test_a_file_is_complete_when_it_stayed_as_it_is(idle: FolderState) -> None:
    state = run(idle, listed(20, entry(100)), checked(25, entry(200)))
    assert list_stable(state, 34) == []
    state = run(state, checked(34, entry(200)))
    assert list_stable(state, 35) == [entry(200)]
    state = run(state, checked(36, entry(200, mtime=2)))
    assert list_stable(state, 40) == []
    assert list_unstable(state, 45.9) == (PATH,)
    assert list_unstable(state, 46) == ()


def test_a_file_that_its_writer_has_closed_is_complete_sooner(idle: FolderState) -> None:
    state = run(idle, changed(20, "a", closed=[PATH]), TimePassed(21), listed(21, entry(100)))
    assert list_stable(state, 22) == []
    assert list_stable(state, 23) == [entry(100)]
    state = run(state, checked(24, entry(300)))
    assert list_stable(state, 27) == []


def test_what_never_holds_still_is_given_up_until_it_changes(idle: FolderState) -> None:
    state, now, tries = run(idle, listed(20, entry(5))), 20.0, 0
    while list_stable(state, now + 10):
        now, tries = now + 10, tries + 1
        state = run(state, FilesIngested(now, frozenset({PATH}), failed=frozenset({PATH})))
    assert tries == MAX_TRIES
    assert (list_unstable(state, now), list_abandoned(state, [PATH, "b.DNG"])) == ((), [PATH])
    state = run(state, checked(now, entry(6)))
    assert list_stable(state, now + 10) == [entry(6)]


def test_a_file_that_is_cut_short_waits_until_it_changes_and_is_reported_after_a_while(idle: FolderState) -> None:
    cut = FilesIngested(31, frozenset({PATH}), incomplete=frozenset({PATH}))
    state = run(idle, listed(20, entry(9)), cut)
    assert list_stable(state, 10_000) == []
    assert list_incomplete(state, 31 + INCOMPLETE_REPORT_S - 1) == []
    assert list_incomplete(state, 31 + INCOMPLETE_REPORT_S) == [PATH]
    whole = run(state, listed(46, entry(30)))
    assert list_stable(whole, 56) == [entry(30)]
    assert list_incomplete(whole, 10_000) == []


def test_a_file_that_is_cut_short_and_then_removed_is_forgotten(idle: FolderState) -> None:
    """No event reports a removal, so the file is looked at again by itself."""
    cut = FilesIngested(31, frozenset({PATH}), incomplete=frozenset({PATH}))
    state = run(idle, listed(20, entry(9)), cut)
    at = get_next_time(state, 31)
    assert at is not None
    state, action = step(state, TimePassed(at))
    assert action == CheckFiles((PATH,))
    state = run(state, FilesChecked(at, {PATH: None}))
    assert (list_incomplete(state, 10_000), get_next_time(state, at)) == ([], None)


def test_what_a_task_has_taken_is_not_pending_again_by_a_check_that_ran_meanwhile(idle: FolderState) -> None:
    state = run(idle, listed(20, entry(9)), FilesIngested(31, frozenset({PATH})), checked(31.1, entry(9)))
    assert list_stable(state, 100) == []
    assert list_stable(run(idle, listed(20, entry(9)), FilesRecorded(frozenset({PATH}))), 100) == []


def test_the_number_of_complete_files_is_reported_when_it_changes(idle: FolderState) -> None:
    state, action = step(idle, ReadyCounted(2, has_open_writers=False))
    assert action == ReportReady(2)
    assert act(state, ReadyCounted(2, has_open_writers=False)) is None
    assert act(state, ReadyCounted(0, has_open_writers=True)) == ReportReady(0)
    # A task took some: the rest is reported anew.
    state = run(state, FilesIngested(5, frozenset()))
    assert act(state, ReadyCounted(2, has_open_writers=False)) == ReportReady(2)


def test_a_file_that_is_open_for_writing_is_asked_about_again(idle: FolderState) -> None:
    assert get_next_time(run(idle, ReadyCounted(0, has_open_writers=True)), 40) == 45


def test_a_folder_that_cannot_be_listed_is_tried_more_and_more_seldom_and_warned_of_once(
    idle: FolderState,
) -> None:
    state, now, waits, warnings = run(idle, RelistRequested()), 100.0, [], []
    for _ in range(15):
        state, action = step(state, ListingFailed(now, "no permission"))
        warnings += [action] * (action is not None)
        waits.append(round(state.failure.retry_at - now, 3))
        assert act(state, TimePassed(state.failure.retry_at - 0.01)) is None
        now = state.failure.retry_at
        state, action = step(state, TimePassed(now))
        assert action == ListDirs(EVERYTHING)
    assert waits == sorted(waits)
    assert waits[-1] == MAX_RETRY_S
    assert warnings == [Warn("no permission")]
    assert run(state, listed(now)).failure.message == ""


def test_a_folder_that_was_replaced_is_listed_at_once_in_spite_of_earlier_failures(idle: FolderState) -> None:
    state = run(idle, *(ListingFailed(100, "") for _ in range(8)))
    assert act(state, TimePassed(101)) is None
    assert act(run(state, RelistRequested(is_replaced=True)), TimePassed(101)) == ListDirs(EVERYTHING)


def test_a_folder_without_events_is_polled(idle: FolderState) -> None:
    state = run(idle, PollingChanged(60))
    assert get_next_time(state, 1) == 60
    assert act(state, TimePassed(59)) is None
    assert act(state, TimePassed(60)) == ListDirs(EVERYTHING)


entries = st.builds(entry, st.integers(1, 3), st.integers(1, 2), st.sampled_from(["a", "b"]))
paths = st.frozensets(st.sampled_from(["a", "b"]))


@given(
    st.lists(
        st.tuples(
            st.floats(0, 20),
            st.one_of(
                st.lists(entries, max_size=2).map(lambda found: ("listed", found)),
                paths.map(lambda some: ("failed", some)),
                paths.map(lambda some: ("incomplete", some)),
                st.just(("error", None)),
            ),
        ),
        max_size=20,
    )
)
def test_whatever_happens_only_what_stood_still_for_long_enough_is_complete(
    events: list[tuple[float, tuple[str, object]]],
) -> None:
    """An oracle that only remembers when each file last changed."""
    state, now, last_change = FolderState(settle_s=10), 0.0, dict[str, tuple[Entry, float]]()
    for delay, (kind, what) in events:
        now += delay
        if kind == "listed":
            assert isinstance(what, list)
            for one in what:
                if one.path not in last_change or last_change[one.path][0] != one:
                    last_change[one.path] = (one, now)
            state = run(state, listed(now, *what))
        elif kind == "error":
            state = run(state, ListingFailed(now, "busy"))
        else:
            assert isinstance(what, frozenset)
            state = run(state, FilesIngested(now, what, **{kind: what}))
        before = state
        for one in list_stable(state, now + 3):
            known, since = last_change[one.path]
            assert one == known
            assert now + 3 - since >= 10
        assert state == before


def test_a_damaged_copy_is_read_again_only_when_it_changes(idle: FolderState) -> None:
    """A repair decides about it, so every listing finds it again."""
    damaged = FilesIngested(31, frozenset({PATH}), damaged=frozenset({PATH}))
    state = run(idle, listed(20, entry(9)), damaged, listed(40, entry(9)))
    assert list_stable(state, 10_000) == []
    assert list_incomplete(state, 10_000) == []
    assert list_stable(run(state, listed(46, entry(9, mtime=2))), 56) == [entry(9, mtime=2)]
