"""The morning report task: write the report files, and list what needs a person in a few lines.

When there is nothing to do, the files are written and no message is sent.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime

from tripleguard.clock import DAY, SECOND
from tripleguard.home import prune_files, write_atomically
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.progress import Job, ProgressUpdate
from tripleguard.jobs.queries.report_query import Report, build_report
from tripleguard.model import Finding, FindingKind, Severity
from tripleguard.presentation import json_output, text
from tripleguard.presentation.page import render_page
from tripleguard.watch.queue import TaskResult, TaskStatus, WatchTask
from tripleguard.wording import pluralize

_MAX_LINES = 6
_MAX_REPORT_BYTES = 100_000_000
"""Bytes that the reports of one form may take: a drive that was wiped gives 50 MB each morning."""


def _format_text(ctx: JobContext, answer: Report) -> bytes:
    lines = text.format_report(answer, ctx.clock.zone(), ctx.clock.now())
    return "".join(f"{line}\n" for line in lines).encode("utf-8", "backslashreplace")


def _format_page(ctx: JobContext, answer: Report) -> bytes:
    # Without small pictures: they would have to be read from drives, and a report waits for none.
    return render_page(answer, {}, ctx.clock.zone(), ctx.clock.now())


FORMATS: dict[str, Callable[[JobContext, Report], bytes]] = {
    "txt": _format_text,
    "json": lambda ctx, found: (
        json.dumps(json_output.build_report_object(found), indent=2, ensure_ascii=True).encode() + b"\n"
    ),
    "html": _format_page,
}
"""How a report is written down: by the ending of the file's name, its content."""


def run_morning_report(ctx: JobContext, task: WatchTask) -> Job[TaskResult]:
    """Write the report down and say what needs a person. Raises PlaceTrouble, CatalogTrouble.

    Where it can't be written, what needs a person is said all the same, and that.
    """
    yield ProgressUpdate("report", 0, 0, 0, 0, 0.0, None)
    found = build_report(ctx)
    now = ctx.clock.now()
    wants = actionable_lines(found, now, ctx.settings.watch.unseen_days)
    try:
        _write_report(ctx, found)
        where = f"in {ctx.home.reports}"
    except OSError as error:
        where = f"it could not be written to {ctx.home.reports} ({error.strerror or error})"
        wants.append(f"This morning's report could not be written: {error.strerror or error}.")
    things = len(found.findings) + sum(one.is_card_suspected for one in found.missing_frames.open)
    answer = (
        "all is as the rule asks"
        if found.is_clear
        else f"{pluralize(things, 'thing wants', 'things want')} attention"
    )
    outcome = TaskStatus.NEEDS_ATTENTION if wants else TaskStatus.DONE
    return TaskResult(task, outcome, f"{answer}; {where}", "\n".join(wants))


def _write_report(ctx: JobContext, answer: Report) -> None:
    """Write the report down in every form, under its date and as the newest. Raises OSError."""
    now = ctx.clock.now()
    local = datetime.fromtimestamp(now // SECOND, UTC).astimezone(ctx.clock.zone())
    for ending, content_of in FORMATS.items():
        content = content_of(ctx, answer)
        for name in (f"{local:%Y-%m-%d_%H%M}", "newest"):
            write_atomically(ctx.home.reports / f"{name}.{ending}", content)
        prune_files(ctx.home.reports, f"[0-9]*.{ending}", ctx.settings.watch.keep_reports, _MAX_REPORT_BYTES)


def actionable_lines(answer: Report, now: int, unseen_days: int) -> list[str]:
    """One line for each thing that needs a person, the most pressing first; none where nothing does."""
    pressing = [one for one in answer.findings if one.severity is not Severity.NOTE]
    missing = [one for one in answer.missing_frames.open if one.is_card_suspected]
    lines = [f"A card may be missing: {one.message}. Next: {one.next_step}." for one in missing]
    for status in answer.places:
        seen = status.record.last_seen_at
        days = (now - seen) // DAY if seen is not None else 0
        if status.state == "away" and days >= unseen_days:
            short = sum(one.count for one in pressing if one.kind is FindingKind.UNDER_REPLICATED)
            debt = f": {pluralize(short, 'file has', 'files have')} too few copies" if short else ""
            lines.append(f"Drive {status.record.name} has not been seen for {pluralize(days, 'day')}{debt}.")
    order = list(Severity)
    alike: dict[tuple[object, ...], list[Finding]] = {}
    for one in sorted(pressing, key=lambda one: order.index(one.severity)):
        of_files = (one.kind, one.place) if one.path is not None else (one.kind, one.place, one.message)
        alike.setdefault((one.severity, *of_files), []).append(one)
    for first, *others in alike.values():
        more = f", and {len(others):,} more of this kind" if others else ""
        lines.append(f"{first.message}{more}. Next: {first.next_step}.")
    if len(lines) > _MAX_LINES:
        lines[_MAX_LINES:] = [f"And {len(lines) - _MAX_LINES:,} more: see `tripleguard report`."]
    return lines
