"""The morning's report: as files with a history, and in a few lines for whoever is not at the laptop.

Every line stands for something that a person has to do. When there is nothing to do, there are the files and no
message.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from datetime import UTC, datetime

from tripleguard.clock import DAY, SECOND
from tripleguard.home import keep_newest, keep_note
from tripleguard.model import FindingKind, Severity
from tripleguard.reports import objects, text
from tripleguard.reports.words import count
from tripleguard.watch.errand import Ended, Errand, Outcome
from tripleguard.work.kit import Kit
from tripleguard.work.progress import Job, Moved
from tripleguard.work.reporting import Report, report

_LINES = 6

FORMS: dict[str, Callable[[Kit, Report], Iterable[str]]] = {
    "txt": lambda kit, found: text.report(found, kit.clock.zone(), kit.clock.now()),
    "json": lambda kit, found: [json.dumps(objects.report(found), indent=2, ensure_ascii=True)],
}
"""How a report is written down: by the ending of the file's name, its lines."""


def morning(kit: Kit, errand: Errand) -> Job[Ended]:
    """Write the report down and say what needs a person. Raises PlaceTrouble, CatalogTrouble, OSError."""
    yield Moved("report", 0, 0, 0, 0, 0.0, None)
    found = report(kit)
    now = kit.clock.now()
    local = datetime.fromtimestamp(now // SECOND, UTC).astimezone(kit.clock.zone())
    for ending, lines in FORMS.items():
        content = "".join(f"{line}\n" for line in lines(kit, found)).encode("utf-8", "backslashreplace")
        for name in (f"{local:%Y-%m-%d_%H%M}", "newest"):
            keep_note(kit.home.reports / f"{name}.{ending}", content)
        keep_newest(kit.home.reports, f"[0-9]*.{ending}", kit.settings.watch.keep_reports)
    wants = wants_a_person(found, now, kit.settings.watch.unseen_days)
    things = len(found.findings) + sum(one.sure for one in found.numbers.open)
    answer = (
        "all is as the rule asks" if found.clear else f"{count(things, 'thing wants', 'things want')} attention"
    )
    outcome = Outcome.ATTENTION if wants else Outcome.DONE
    return Ended(errand, outcome, f"{answer}; in {kit.home.reports}", "\n".join(wants))


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
    for one in sorted(pressing, key=lambda one: order.index(one.severity)):
        lines.append(f"{one.message}. Next: {one.next_step}.")
    if len(lines) > _LINES:
        lines[_LINES:] = [f"And {len(lines) - _LINES:,} more: see `tripleguard report`."]
    return lines
