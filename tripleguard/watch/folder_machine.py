"""The state machine of one watched folder: when to list it, and which new files are complete.

`step` takes a state and an event and returns the next state and what to do. It does no I/O and reads no clock:
each event carries the time, in seconds of a clock that only grows. `new_files` runs the actions and reports their
results as events.

A new file is complete when its size and time stayed the same for a while and its structure is not cut short. One
that is cut short waits until it changes, and is reported after a while. Whether a program still has a file open
for writing is asked at the last moment, by `new_files`.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import singledispatch

from tripleguard.model import Entry
from tripleguard.watch.folder_state import (
    EVERYTHING,
    MAX_TRIES,
    Action,
    Changes,
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
    ListingFailure,
    PendingFile,
    PollingChanged,
    ReadyCounted,
    RelistRequested,
    ReportReady,
    TimePassed,
    Warn,
)

QUIET_S = 0.7
"""Seconds without an event after which changed folders are listed."""
MAX_DELAY_S = 5.0
"""Seconds after which they are listed although events keep coming."""
MAX_CHANGED_DIRS = 1000
"""With more events or changed folders than this, everything is listed."""
RECHECK_S = 1.0
"""Seconds between two checks of files that must stay as they are."""
WRITER_POLL_S = 5.0
"""Seconds between two checks whether a complete file is still open for writing."""
MAX_RETRY_S = 300.0
"""The longest time in seconds between two tries to list a folder that can't be listed."""
FAILURES_TO_REPORT = 3
"""Failed listings after which a person is told."""
CLOSE_DELAY_S = 2.0
"""Seconds a file must stay as it is after its writer closed it: some programs open it again to set its times."""
INCOMPLETE_REPORT_S = 60.0
"""Seconds after which a person is told that a file is cut short."""
INCOMPLETE_RECHECK_S = 30.0
"""Seconds between two checks of files that are cut short."""


@singledispatch
def _handle(event: object, state: FolderState) -> tuple[FolderState, Action | None]:
    raise AssertionError(f"no transition for {event}")


def step(state: FolderState, event: Event) -> tuple[FolderState, Action | None]:
    """Return the state after an event, and what to do now, if anything."""
    return _handle(event, state)


@_handle.register
def _(event: FilesChanged, state: FolderState) -> tuple[FolderState, Action | None]:
    old = state.changes
    count, dirs = old.event_count + event.count, old.dirs | event.dirs
    has_overflowed = old.has_overflowed or count > MAX_CHANGED_DIRS or len(dirs) > MAX_CHANGED_DIRS
    changes = Changes(
        # While too many folders change, none needs to be remembered: everything is listed when it is quiet.
        dirs=dirs if len(dirs) <= MAX_CHANGED_DIRS else old.dirs or event.dirs,
        closed_paths=old.closed_paths | event.closed,
        event_count=count,
        first_at=old.first_at if old.event_count else event.now,
        last_at=event.now,
        has_overflowed=has_overflowed,
    )
    return replace(state, changes=changes), None


@_handle.register
def _(event: RelistRequested, state: FolderState) -> tuple[FolderState, Action | None]:
    failure = replace(state.failure, retry_at=0.0) if event.is_replaced else state.failure
    return replace(state, changes=_mark_everything(state.changes), failure=failure), None


@_handle.register
def _(event: PollingChanged, state: FolderState) -> tuple[FolderState, Action | None]:
    return replace(state, poll_s=event.poll_s), None


@_handle.register
def _(event: TimePassed, state: FolderState) -> tuple[FolderState, Action | None]:
    changes, now = state.changes, event.now
    if state.poll_s is not None and now - state.listed_at >= state.poll_s:
        changes = _mark_everything(changes)
    is_quiet = now - changes.last_at >= QUIET_S
    is_due = not changes.event_count or is_quiet or now - changes.first_at >= MAX_DELAY_S
    if changes.dirs and is_due and now >= state.failure.retry_at:
        lists_everything = "" in changes.dirs or (changes.has_overflowed and is_quiet)
        taken = replace(
            changes,
            dirs=frozenset(),
            event_count=0,
            has_overflowed=changes.has_overflowed and not lists_everything,
        )
        dirs = EVERYTHING if lists_everything else changes.dirs
        return replace(state, changes=taken), ListDirs(dirs)
    state = replace(state, changes=changes)
    unstable = list_unstable(state, now)
    if unstable and now - state.checked_at >= RECHECK_S:
        return state, CheckFiles(unstable)
    incomplete = _list_incomplete(state)
    if incomplete and now - state.checked_at >= INCOMPLETE_RECHECK_S:
        # Nothing reports that one of them was deleted.
        return state, CheckFiles(incomplete)
    return state, None


@_handle.register
def _(event: Listed, state: FolderState) -> tuple[FolderState, Action | None]:
    pending = _observe(state.pending, event.found, event.now)
    for path in state.changes.closed_paths & pending.keys():
        pending[path] = replace(pending[path], is_closed=True)
    state = replace(
        state,
        pending=pending,
        changes=replace(state.changes, closed_paths=frozenset()),
        failure=ListingFailure(),
        listed_at=event.now if "" in event.dirs else state.listed_at,
    )
    return state, CheckFiles(tuple(pending)) if pending else None


@_handle.register
def _(event: ListingFailed, state: FolderState) -> tuple[FolderState, Action | None]:
    count = state.failure.count + 1
    retry_at = event.now + min(MAX_RETRY_S, QUIET_S * 2.0 ** min(count, 20))
    is_new = bool(event.message) and event.message != state.failure.message
    state = replace(
        state,
        failure=ListingFailure(event.message, count, retry_at),
        changes=replace(_mark_everything(state.changes), event_count=0),
    )
    return state, Warn(event.message) if is_new else None


@_handle.register
def _(event: FilesChecked, state: FolderState) -> tuple[FolderState, Action | None]:
    gone = {path for path, entry in event.entries.items() if entry is None}
    found = [entry for entry in event.entries.values() if entry is not None]
    # What a job recorded during the check is not pending again.
    known = [entry for entry in found if entry.path in state.pending]
    pending = _forget(_observe(state.pending, known, event.now), gone)
    return replace(state, pending=pending, checked_at=event.now), None


@_handle.register
def _(event: FilesRecorded, state: FolderState) -> tuple[FolderState, Action | None]:
    return replace(state, pending=_forget(state.pending, event.paths)), None


@_handle.register
def _(event: FilesIngested, state: FolderState) -> tuple[FolderState, Action | None]:
    pending = _forget(state.pending, event.paths - event.failed - event.incomplete - event.damaged)
    for path in event.failed & pending.keys():
        file = pending[path]
        pending[path] = replace(file, since=event.now, is_closed=False, tries=file.tries + 1)
    for path in event.incomplete & pending.keys():
        pending[path] = replace(pending[path], incomplete_since=event.now)
    for path in event.damaged & pending.keys():
        pending[path] = replace(pending[path], is_damaged=True)
    return replace(state, pending=pending, ready_count=0), None


@_handle.register
def _(event: ReadyCounted, state: FolderState) -> tuple[FolderState, Action | None]:
    has_changed = event.count != state.ready_count
    state = replace(state, ready_count=event.count, has_open_writers=event.has_open_writers)
    return state, ReportReady(event.count) if has_changed else None


# Questions about a state


def list_stable(state: FolderState, now: float) -> list[Entry]:
    """Return the files that stayed as they are for long enough, whether or not they are open for writing."""
    return [
        file.entry
        for file in state.pending.values()
        if not file.is_waiting_for_change and _get_stable_time(state, file) <= now
    ]


def list_unstable(state: FolderState, now: float) -> tuple[str, ...]:
    """Return the files that must stay as they are for longer."""
    return tuple(
        path
        for path, file in state.pending.items()
        if not file.is_waiting_for_change and _get_stable_time(state, file) > now
    )


def list_abandoned(state: FolderState, paths: Iterable[str]) -> list[str]:
    """Return those of these files that failed too often and are tried again only if they change."""
    return sorted(path for path in paths if path in state.pending and state.pending[path].tries >= MAX_TRIES)


def list_incomplete(state: FolderState, now: float) -> list[str]:
    """Return the files that have been cut short for so long that a person should know."""
    return sorted(
        path
        for path, file in state.pending.items()
        if file.incomplete_since is not None and now - file.incomplete_since >= INCOMPLETE_REPORT_S
    )


def get_next_time(state: FolderState, now: float) -> float | None:
    """Return when something is due without any event; None if nothing is."""
    times = []
    if state.changes.event_count or state.changes.dirs:
        times.append(max(state.changes.last_at + QUIET_S, state.failure.retry_at, now))
    if list_unstable(state, now):
        times.append(now + RECHECK_S)
    if _list_incomplete(state):
        times.append(state.checked_at + INCOMPLETE_RECHECK_S)
    if state.has_open_writers:
        times.append(now + WRITER_POLL_S)
    if state.poll_s is not None:
        times.append(state.listed_at + state.poll_s)
    return min(times, default=None)


def _list_incomplete(state: FolderState) -> tuple[str, ...]:
    return tuple(path for path, file in state.pending.items() if file.incomplete_since is not None)


def _get_stable_time(state: FolderState, file: PendingFile) -> float:
    return file.since + (min(CLOSE_DELAY_S, state.settle_s) if file.is_closed else state.settle_s)


def _mark_everything(changes: Changes) -> Changes:
    return replace(changes, dirs=changes.dirs | EVERYTHING)


def _observe(pending: Mapping[str, PendingFile], entries: Iterable[Entry], now: float) -> dict[str, PendingFile]:
    """Return the pending files after these were seen; one that changed starts anew."""
    result = dict(pending)
    for entry in entries:
        known = result.get(entry.path)
        if known is None or known.entry != entry:
            result[entry.path] = PendingFile(entry, now)
    return result


def _forget(pending: Mapping[str, PendingFile], paths: Iterable[str]) -> dict[str, PendingFile]:
    gone = set(paths)
    return {path: file for path, file in pending.items() if path not in gone}
