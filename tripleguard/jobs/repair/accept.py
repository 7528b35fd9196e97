"""Accept a finding, or choose the older version of a companion. Both are recorded as events."""

from __future__ import annotations

from tripleguard.catalog.companions import set_preferred_version, update_required_copies
from tripleguard.catalog.event_log import add_event
from tripleguard.catalog.findings import NumberedFinding, accept, find_open_finding
from tripleguard.errors import UsageError
from tripleguard.jobs.context import JobContext, current_agent
from tripleguard.jobs.rescan.companion_edits import mark_older_versions_stale
from tripleguard.model import EventOutcome, EventType, FindingKind
from tripleguard.names import escape_text


def accept_finding(ctx: JobContext, number: int, reason: str) -> str:
    """Accept the open finding with this number; return it in words. Raises UsageError."""
    finding = _get_open_finding(ctx, number)
    if not reason.strip():
        raise UsageError("A reason is needed.", safe="Nothing was changed.", do="Give it with --because.")
    now, words = ctx.clock.now(), f"{finding.kind}: {escape_text(finding.path)}"
    with ctx.catalog.transaction():
        accept(ctx.catalog, number, current_agent(), reason, now)
        add_event(
            ctx.catalog,
            EventType.METADATA_MODIFICATION,
            EventOutcome.SUCCESS,
            f"{words} was accepted: {escape_text(reason)}",
            now,
            place_id=finding.place_id,
            shoot_id=finding.shoot_id,
            file_id=finding.file_id,
        )
    return words


def prefer_version(ctx: JobContext, number: int) -> str:
    """Keep the older version that a stale finding names, and return its path. Changes nothing on drives.

    Other versions at that path on other places become stale, and `repair` treats them so. Raises UsageError.
    """
    finding = _get_open_finding(ctx, number)
    if finding.kind is not FindingKind.STALE or finding.file_id is None:
        raise UsageError(
            f"Finding {number} is {finding.kind}, and no older version of anything.",
            safe="Nothing was changed.",
            do="Give the number of a finding that is stale, or `findings accept` this one.",
        )
    now = ctx.clock.now()
    with ctx.catalog.transaction():
        set_preferred_version(ctx.catalog, finding.path, finding.file_id)
        update_required_copies(ctx.catalog, finding.path, ctx.settings.rule.drive_copies)
        mark_older_versions_stale(ctx.catalog, finding.path, now)
        add_event(
            ctx.catalog,
            EventType.METADATA_MODIFICATION,
            EventOutcome.SUCCESS,
            f"{escape_text(finding.path)}: an older version was chosen as the one to keep",
            now,
            place_id=finding.place_id,
            shoot_id=finding.shoot_id,
            file_id=finding.file_id,
        )
    return finding.path


def _get_open_finding(ctx: JobContext, number: int) -> NumberedFinding:
    found = find_open_finding(ctx.catalog, number)
    if found is None:
        raise UsageError(
            f"There is no open finding {number}.",
            safe="Nothing was changed.",
            do="`tripleguard findings` shows what is open, each with its number.",
        )
    return found
