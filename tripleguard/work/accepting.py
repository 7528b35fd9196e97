"""A person's word on a finding: it is accepted, with a reason, and that is an event."""

from __future__ import annotations

from tripleguard.catalog.findings import accept, finding_with_id
from tripleguard.catalog.journal import add_event
from tripleguard.errors import WrongUse
from tripleguard.model import EventType, Outcome
from tripleguard.names import shown
from tripleguard.work.kit import Kit, agent


def accept_finding(kit: Kit, number: int, why: str) -> str:
    """Accept the open finding with this number; what it is, in words. Raises WrongUse."""
    finding = finding_with_id(kit.catalog, number)
    if finding is None:
        raise WrongUse(
            f"There is no open finding {number}.",
            safe="Nothing was changed.",
            do="`tripleguard findings` shows what is open, each with its number.",
        )
    if not why.strip():
        raise WrongUse("A reason is needed.", safe="Nothing was changed.", do="Give it with --because.")
    now, words = kit.clock.now(), f"{finding.kind}: {shown(finding.path)}"
    with kit.catalog.writing():
        accept(kit.catalog, number, agent(), why, now)
        add_event(
            kit.catalog,
            EventType.METADATA_MODIFICATION,
            Outcome.SUCCESS,
            f"{words} was accepted: {shown(why)}",
            now,
            place_id=finding.place_id,
            shoot_id=finding.shoot_id,
            file_id=finding.file_id,
        )
    return words
