"""What a morning needs to know of the offsite place; asked of the catalog alone."""

from __future__ import annotations

from tripleguard.catalog import due
from tripleguard.catalog import offsite as rows
from tripleguard.catalog.offsite import Standing
from tripleguard.clock import DAY
from tripleguard.model import Finding, FindingKind, Severity
from tripleguard.wording import counted
from tripleguard.work.kit import Kit
from tripleguard.work.offsite.third_place import offsite_record


def offsite_standing(kit: Kit) -> Standing | None:
    """What the offsite place has of the selects; None where there is no such place."""
    record = offsite_record(kit)
    return rows.standing(kit.catalog, record.id) if record else None


def offsite_findings(kit: Kit, standing: Standing | None) -> list[Finding]:
    """What follows from counting: selects that are not there yet, and copies that were proved too long ago."""
    record = offsite_record(kit)
    if record is None or standing is None:
        return []
    found: list[Finding] = []
    if standing.owed:
        files = counted(standing.owed, "file of a select is", "files of selects are")
        message = f"{files} not offsite yet, {standing.owed_bytes:,} bytes"
        found.append(_finding(FindingKind.UNDER_REPLICATED, message, "run `upload`", standing.owed))
    days, now = kit.settings.offsite.days, kit.clock.now()
    for words, (count, since) in (
        (f"proved more than {days} days ago", due.overdue(kit.catalog, record.id, now - days * DAY)),
        ("proved by a clock that was ahead, nobody knows when", due.ahead(kit.catalog, record.id, now + DAY)),
    ):
        if count:
            message = f"{counted(count, 'copy offsite was', 'copies offsite were')} {words}"
            step = f"run `rescan --place {record.name}`"
            found.append(_finding(FindingKind.OVERDUE, message, step, count, record.name, since))
    return found


def _finding(
    kind: FindingKind, message: str, step: str, count: int, place: str | None = None, since: int | None = None
) -> Finding:
    severity = Severity.NOTE if kind is FindingKind.OVERDUE else Severity.SOON
    return Finding(kind, severity, place, None, None, None, since, message, step, count)
