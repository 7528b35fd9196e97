"""Entering a copy that was read for another purpose than a rescan, and is not what it should be."""

from __future__ import annotations

from tripleguard.catalog.findings import notice
from tripleguard.catalog.journal import add_event
from tripleguard.catalog.writing import copy_state
from tripleguard.model import Copy, CopyState, Entry, EventType, FindingKind, Outcome
from tripleguard.names import shown
from tripleguard.work.kit import Kit

_STATES = {
    FindingKind.MISSING: CopyState.MISSING,
    FindingKind.CORRUPT: CopyState.CORRUPT,
    FindingKind.ALTERED: CopyState.ALTERED,
}


def enter_failed(
    kit: Kit,
    copy: Copy,
    why: str,
    during: str,
    job_id: int,
    *,
    kind: FindingKind = FindingKind.CORRUPT,
    seen: Entry | None = None,
) -> None:
    """The copy is missing, corrupt or altered, and a finding.

    during: which job found it; why: in plain words; seen: what stood there.
    """
    now = kit.clock.now()
    as_seen = {"size": seen.size, "mtime_ns": seen.mtime_ns} if seen is not None else {}
    with kit.catalog.writing():
        row = kit.catalog.row("SELECT shoot_id FROM copies WHERE id = ?", copy.id)
        copy_state(kit.catalog, copy.id, _STATES[kind], now)
        notice(
            kit.catalog,
            kind,
            copy.place_id,
            copy.path,
            now,
            copy_id=copy.id,
            file_id=copy.file_id,
            shoot_id=row[0] if row else None,
            evidence={during: why, **as_seen},
        )
        add_event(
            kit.catalog,
            EventType.FIXITY_CHECK,
            Outcome.FAILURE,
            f"{shown(copy.path)}: {why}",
            now,
            job_id=job_id,
            place_id=copy.place_id,
            file_id=copy.file_id,
        )
