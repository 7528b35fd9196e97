"""The report as one page that needs nothing else: for a screen, for paper, for a screen reader.

Everything that comes from outside is escaped, by the template and, for what could turn or hide text, before it.
Nothing is loaded from anywhere; pictures lie in the page itself. Colour adds nothing that the words do not say.
"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Mapping
from datetime import tzinfo
from importlib import resources
from typing import Any

from tripleguard.clock import iso_utc
from tripleguard.model import Finding, Severity
from tripleguard.names import shown
from tripleguard.reports.words import ago, count, size, when
from tripleguard.work.answers.reporting import PlaceStatus, Report

MOST_FINDINGS = 100
"""Findings on a page; the worst come first, the others are counted."""

_URGENCY = {Severity.NOW: "Now", Severity.SOON: "Soon", Severity.NOTE: "Note"}
_RANK = {severity: rank for rank, severity in enumerate(_URGENCY)}


def page(found: Report, previews: Mapping[bytes, bytes], zone: tzinfo | None, now: int) -> bytes:
    """The page, UTF-8. previews: small JPEGs by the digest of the file they show."""
    from jinja2 import Environment, StrictUndefined

    source = resources.files("tripleguard.reports").joinpath("page.html").read_text(encoding="utf-8")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["typed"] = _typed
    return environment.from_string(source).render(_values(found, previews, zone, now)).encode()


def worst_first(found: Report) -> list[Finding]:
    """The findings that a page shows, in its order."""
    return sorted(found.findings, key=lambda one: _RANK[one.severity])[:MOST_FINDINGS]


def _values(found: Report, previews: Mapping[bytes, bytes], zone: tzinfo | None, now: int) -> dict[str, Any]:
    sure = any(one.sure for one in found.numbers.open)
    return {
        "answer": _answer(found),
        "summary": f"{count(found.files, 'file')}, {size(found.total_bytes)} in all.",
        "at": when(now, zone),
        "at_utc": iso_utc(now),
        "unseen": [
            {"sure": one.sure, "message": shown(one.message), "next_step": shown(one.next_step)}
            for one in found.numbers.open
        ],
        "unseen_title": "Before you empty any card: a card may be missing"
        if sure
        else "Before you empty any card",
        "findings": [_finding(one, previews, zone) for one in worst_first(found)],
        "more": max(0, len(found.findings) - MOST_FINDINGS),
        "owed": [
            {
                "shoot": shown(one.shoot.title),
                "short": f"{one.short:,}",
                "files": f"{one.files:,}",
                "size": size(one.bytes),
            }
            for one in found.owed
        ],
        "drives": [_drive(one, now) for one in found.places],
        "nights": [
            f"{one.day}: {count(one.cards, 'card')} seen" + (f" of {one.told:,}" if one.told is not None else "")
            for one in found.numbers.nights
        ],
        "pictures": bool(previews),
        "last_card": _last_card(found, zone),
    }


def _typed(words: str) -> str:
    """The words with what is to be typed, between backticks, marked as such."""
    from markupsafe import Markup

    parts = words.split("`")
    if len(parts) % 2 == 0:
        return words
    pieces = (Markup("<code>{}</code>").format(part) if at % 2 else part for at, part in enumerate(parts))
    return Markup("").join(pieces)


def _answer(found: Report) -> str:
    if found.files == 0:
        return "Nothing has been offloaded yet"
    return "All is as the rule asks" if found.clear else "Something wants attention"


def _finding(one: Finding, previews: Mapping[bytes, bytes], zone: tzinfo | None) -> dict[str, Any]:
    preview = previews.get(one.digest) if one.digest is not None else None
    return {
        "urgent": one.severity is Severity.NOW,
        "urgency": _URGENCY[one.severity],
        "kind": str(one.kind),
        "message": shown(one.message),
        "next_step": shown(one.next_step),
        "place": None if one.place is None else shown(one.place),
        "shoot": None if one.shoot is None else shown(one.shoot),
        "since": None if one.since is None else when(one.since, zone),
        "number": one.number,
        "name": "" if one.path is None else shown(one.path.rpartition("/")[2]),
        "preview": None if preview is None else b64encode(preview).decode("ascii"),
    }


def _drive(status: PlaceStatus, now: int) -> dict[str, str]:
    room = status.room
    return {
        "name": shown(status.record.name),
        "state": status.state,
        "where": shown(str(status.path)) if status.path else f"last seen {ago(status.record.last_seen_at, now)}",
        "free": f"{size(room.free)} of {size(room.total)}" if room is not None and room.total else "unknown",
        "copies": f"{status.files:,}",
        "size": size(status.total_bytes),
        "oldest": ago(status.oldest, now),
    }


def _last_card(found: Report, zone: tzinfo | None) -> str:
    if found.last_clearance is None:
        return "No card was asked about yet."
    at, subject, answer = found.last_clearance
    return f"Last card question: {'yes' if answer else 'no'}, {shown(subject)}, {when(at, zone)}."
