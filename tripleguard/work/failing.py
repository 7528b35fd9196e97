"""Entering a copy that was read for another purpose than a rescan, and is not what it should be."""

from __future__ import annotations

from tripleguard.catalog.findings import notice
from tripleguard.catalog.journal import add_event
from tripleguard.catalog.writing import copy_state
from tripleguard.model import Copy, CopyState, EventType, FindingKind, Outcome
from tripleguard.names import shown
from tripleguard.work.kit import Kit


def enter_failed(kit: Kit, copy: Copy, why: str, during: str, job_id: int) -> None:
    """The copy is corrupt, and a finding. during: which job found it; why: in plain words."""
    now = kit.clock.now()
    with kit.catalog.writing():
        copy_state(kit.catalog, copy.id, CopyState.CORRUPT, now)
        notice(
            kit.catalog,
            FindingKind.CORRUPT,
            copy.place_id,
            copy.path,
            now,
            copy_id=copy.id,
            file_id=copy.file_id,
            evidence={during: why},
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
