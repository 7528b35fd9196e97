"""The morning's report: as files with a history, and in a few lines for whoever is not at the laptop.

Every line stands for something that a person has to do. When there is nothing to do, there are the files and no
message.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime

from tripleguard.clock import DAY, SECOND
from tripleguard.home import keep_newest, keep_note
from tripleguard.model import Finding, FindingKind, Severity
from tripleguard.reports import objects, text
from tripleguard.reports.page import page
from tripleguard.reports.words import count
from tripleguard.watch.errand import Ended, Errand, Outcome
from tripleguard.work.answers.reporting import Report, report
from tripleguard.work.kit import Kit
from tripleguard.work.progress import Job, Moved

_LINES = 6
_MOST_BYTES = 100_000_000
"""Bytes that the reports of one form may take: a drive that was wiped gives 50 MB each morning."""


def _as_text(kit: Kit, found: Report) -> bytes:
    lines = text.report(found, kit.clock.zone(), kit.clock.now())
    return "".join(f"{line}\n" for line in lines).encode("utf-8", "backslashreplace")


def _as_page(kit: Kit, found: Report) -> bytes:
    # Without small pictures: they would have to be read from drives, and a report waits for none.
    return page(found, {}, kit.clock.zone(), kit.clock.now())


FORMS: dict[str, Callable[[Kit, Report], bytes]] = {
    "txt": _as_text,
    "json": lambda kit, found: json.dumps(objects.report(found), indent=2, ensure_ascii=True).encode() + b"\n",
    "html": _as_page,
}
"""How a report is written down: by the ending of the file's name, its content."""


def morning(kit: Kit, errand: Errand) -> Job[Ended]:
    """Write the report down and say what needs a person. Raises PlaceTrouble, CatalogTrouble.

    Where it can't be written, what needs a person is said all the same, and that.
    """
    yield Moved("report", 0, 0, 0, 0, 0.0, None)
    found = report(kit)
    now = kit.clock.now()
    wants = wants_a_person(found, now, kit.settings.watch.unseen_days)
    try:
        _written(kit, found)
        where = f"in {kit.home.reports}"
    except OSError as error:
        where = f"it could not be written to {kit.home.reports} ({error.strerror or error})"
        wants.append(f"This morning's report could not be written: {error.strerror or error}.")
    things = len(found.findings) + sum(one.sure for one in found.numbers.open)
    answer = (
        "all is as the rule asks" if found.clear else f"{count(things, 'thing wants', 'things want')} attention"
    )
    outcome = Outcome.ATTENTION if wants else Outcome.DONE
    return Ended(errand, outcome, f"{answer}; {where}", "\n".join(wants))


def _written(kit: Kit, found: Report) -> None:
    """Write the report down in every form, under its date and as the newest. Raises OSError."""
    now = kit.clock.now()
    local = datetime.fromtimestamp(now // SECOND, UTC).astimezone(kit.clock.zone())
    for ending, content_of in FORMS.items():
        content = content_of(kit, found)
        for name in (f"{local:%Y-%m-%d_%H%M}", "newest"):
            keep_note(kit.home.reports / f"{name}.{ending}", content)
        keep_newest(kit.home.reports, f"[0-9]*.{ending}", kit.settings.watch.keep_reports, _MOST_BYTES)


def wants_a_person(found: Report, now: int, unseen_days: int) -> list[str]:
    """One line for each thing that needs a person, the most pressing first; none where nothing does."""
    pressing = [one for one in found.findings if one.severity is not Severity.NOTE]
    missing = [one for one in found.numbers.open if one.sure]
    lines = [f"A card may be missing: {one.message}. Next: {one.next_step}." for one in missing]
    for status in found.places:
        seen = status.record.last_seen_at
        days = (now - seen) // DAY if seen is not None else 0
        if status.state == "away" and days >= unseen_days:
            short = sum(one.count for one in pressing if one.kind is FindingKind.UNDER_REPLICATED)
            debt = f": {count(short, 'file has', 'files have')} too few copies" if short else ""
            lines.append(f"Drive {status.record.name} has not been seen for {count(days, 'day')}{debt}.")
    order = list(Severity)
    alike: dict[tuple[object, ...], list[Finding]] = {}
    for one in sorted(pressing, key=lambda one: order.index(one.severity)):
        of_files = (one.kind, one.place) if one.path is not None else (one.kind, one.place, one.message)
        alike.setdefault((one.severity, *of_files), []).append(one)
    for first, *others in alike.values():
        more = f", and {len(others):,} more of this kind" if others else ""
        lines.append(f"{first.message}{more}. Next: {first.next_step}.")
    if len(lines) > _LINES:
        lines[_LINES:] = [f"And {len(lines) - _LINES:,} more: see `tripleguard report`."]
    return lines
