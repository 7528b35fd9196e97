"""Render the report as one self-contained page: for a screen, for paper, for a screen reader.

The template escapes all untrusted text; characters that could reorder or hide text are escaped before. Nothing is
loaded from outside; pictures are embedded in the page. Colour conveys nothing that the words do not say.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Mapping
from datetime import tzinfo
from importlib import resources
from typing import Any

from tripleguard.clock import format_iso
from tripleguard.jobs.queries.report_query import PlaceStatus, Report
from tripleguard.model import Finding, Severity
from tripleguard.names import escape_text
from tripleguard.presentation.words import format_age, format_size, format_time
from tripleguard.wording import pluralize

MAX_FINDINGS = 100
"""Findings on a page; the worst come first, the others are counted."""

_URGENCY_WORDS = {Severity.NOW: "Now", Severity.SOON: "Soon", Severity.NOTE: "Note"}
_RANK = {severity: rank for rank, severity in enumerate(_URGENCY_WORDS)}


def render_page(report: Report, previews: Mapping[bytes, bytes], zone: tzinfo | None, now: int) -> bytes:
    """Return the page in UTF-8. previews: small JPEGs by the digest of the file they show."""
    from jinja2 import Environment, StrictUndefined

    source = resources.files("tripleguard.presentation").joinpath("page.html").read_text(encoding="utf-8")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["typed"] = _mark_commands
    return environment.from_string(source).render(_build_values(report, previews, zone, now)).encode()


def select_page_findings(report: Report) -> list[Finding]:
    """Return the findings that a page shows, in its order."""
    return sorted(report.findings, key=lambda one: _RANK[one.severity])[:MAX_FINDINGS]


def _build_values(
    report: Report, previews: Mapping[bytes, bytes], zone: tzinfo | None, now: int
) -> dict[str, Any]:
    sure = any(one.is_card_suspected for one in report.missing_frames.open)
    return {
        "answer": _format_answer(report),
        "summary": f"{pluralize(report.files, 'file')}, {format_size(report.total_bytes)} in all.",
        "at": format_time(now, zone),
        "at_utc": format_iso(now),
        "unseen": [
            {
                "sure": one.is_card_suspected,
                "message": escape_text(one.message),
                "next_step": escape_text(one.next_step),
            }
            for one in report.missing_frames.open
        ],
        "unseen_title": "Before you empty any card: a card may be missing"
        if sure
        else "Before you empty any card",
        "findings": [_build_finding(one, previews, zone) for one in select_page_findings(report)],
        "more": max(0, len(report.findings) - MAX_FINDINGS),
        "owed": [
            {
                "shoot": escape_text(one.shoot.title),
                "short": f"{one.under_replicated:,}",
                "files": f"{one.files:,}",
                "size": format_size(one.bytes),
            }
            for one in report.missing_copies
        ],
        "drives": [_build_drive(one, now) for one in report.places],
        "nights": [
            f"{one.day}: {pluralize(one.cards, 'card')} seen"
            + (f" of {one.expected_cards:,}" if one.expected_cards is not None else "")
            for one in report.missing_frames.nights
        ],
        "pictures": bool(previews),
        "last_card": _format_last_card(report, zone),
    }


def _mark_commands(words: str) -> str:
    """Return the text with the commands in backticks marked up as such."""
    from markupsafe import Markup

    parts = words.split("`")
    if len(parts) % 2 == 0:
        return words
    pieces = (Markup("<code>{}</code>").format(part) if at % 2 else part for at, part in enumerate(parts))
    return Markup("").join(pieces)


def _format_answer(report: Report) -> str:
    if report.files == 0:
        return "Nothing has been offloaded yet"
    return "All is as the rule asks" if report.is_clear else "Something wants attention"


def _build_finding(finding: Finding, previews: Mapping[bytes, bytes], zone: tzinfo | None) -> dict[str, Any]:
    preview = previews.get(finding.digest) if finding.digest is not None else None
    return {
        "urgent": finding.severity is Severity.NOW,
        "urgency": _URGENCY_WORDS[finding.severity],
        "kind": str(finding.kind),
        "message": escape_text(finding.message),
        "next_step": escape_text(finding.next_step),
        "place": None if finding.place is None else escape_text(finding.place),
        "shoot": None if finding.shoot is None else escape_text(finding.shoot),
        "since": None if finding.since is None else format_time(finding.since, zone),
        "number": finding.number,
        "name": "" if finding.path is None else escape_text(finding.path.rpartition("/")[2]),
        "preview": None if preview is None else b64encode(preview).decode("ascii"),
    }


def _build_drive(status: PlaceStatus, now: int) -> dict[str, str]:
    room = status.space
    return {
        "name": escape_text(status.record.name),
        "state": status.state,
        "where": escape_text(str(status.path))
        if status.path
        else f"last seen {format_age(status.record.last_seen_at, now)}",
        "free": f"{format_size(room.free)} of {format_size(room.total)}"
        if room is not None and room.total
        else "unknown",
        "copies": f"{status.files:,}",
        "size": format_size(status.total_bytes),
        "oldest": format_age(status.oldest_verified_at, now),
    }


def _format_last_card(report: Report, zone: tzinfo | None) -> str:
    if report.last_clearance is None:
        return "No card was asked about yet."
    at, subject, answer = report.last_clearance
    return f"Last card question: {'yes' if answer else 'no'}, {escape_text(subject)}, {format_time(at, zone)}."
