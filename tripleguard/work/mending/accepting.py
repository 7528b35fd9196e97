"""A person's word on a finding: it is accepted, or an older version is the one that is wanted. Both are events."""

from __future__ import annotations

from tripleguard.catalog.findings import Numbered, accept, finding_with_id
from tripleguard.catalog.journal import add_event
from tripleguard.catalog.lineage import prefer, settle_wants
from tripleguard.errors import WrongUse
from tripleguard.model import EventType, FindingKind, Outcome
from tripleguard.names import shown
from tripleguard.work.kit import Kit, agent
from tripleguard.work.rescanning.companions import mark_stale


def accept_finding(kit: Kit, number: int, why: str) -> str:
    """Accept the open finding with this number; what it is, in words. Raises WrongUse."""
    finding = _finding(kit, number)
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


def prefer_version(kit: Kit, number: int) -> str:
    """The older version that this finding calls stale is the one to keep; its path. Nothing on a drive is touched.

    What lies at that path on other places is the stale one from now on, and `mend` treats it so. Raises WrongUse.
    """
    finding = _finding(kit, number)
    if finding.kind is not FindingKind.STALE or finding.file_id is None:
        raise WrongUse(
            f"Finding {number} is {finding.kind}, and no older version of anything.",
            safe="Nothing was changed.",
            do="Give the number of a finding that is stale, or `findings accept` this one.",
        )
    now = kit.clock.now()
    with kit.catalog.writing():
        prefer(kit.catalog, finding.path, finding.file_id)
        settle_wants(kit.catalog, finding.path, kit.settings.rule.drive_copies)
        mark_stale(kit.catalog, finding.path, now)
        add_event(
            kit.catalog,
            EventType.METADATA_MODIFICATION,
            Outcome.SUCCESS,
            f"{shown(finding.path)}: an older version was chosen as the one to keep",
            now,
            place_id=finding.place_id,
            shoot_id=finding.shoot_id,
            file_id=finding.file_id,
        )
    return finding.path


def _finding(kit: Kit, number: int) -> Numbered:
    found = finding_with_id(kit.catalog, number)
    if found is None:
        raise WrongUse(
            f"There is no open finding {number}.",
            safe="Nothing was changed.",
            do="`tripleguard findings` shows what is open, each with its number.",
        )
    return found
