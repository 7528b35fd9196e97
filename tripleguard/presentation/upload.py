"""Render what was sent offsite, as text and as JSON."""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.clock import format_iso
from tripleguard.jobs.offsite.upload import UploadResult
from tripleguard.names import escape_text
from tripleguard.presentation.json_output import SCHEMA, JsonObject, build_error_object, to_json_text
from tripleguard.presentation.words import format_duration, format_network_rate, format_size
from tripleguard.wording import pluralize

_MAX_SHOWN = 10


def format_upload(result: UploadResult) -> Iterator[str]:
    """Yield what is offsite now, what is still missing there, and why."""
    if result.sent:
        pace = f" at {format_network_rate(result.rate)}" if result.rate else ""
        again = f"; the line failed {pluralize(result.retries, 'time')}" if result.retries else ""
        yield (
            f"{pluralize(result.sent, 'file')} sent and proved, {format_size(result.sent_bytes)} in "
            f"{format_duration(result.seconds)}{pace}{again}."
        )
    for path, why in result.not_sent[:_MAX_SHOWN]:
        yield f"  {escape_text(path)}: {escape_text(why)}"
    if len(result.not_sent) > _MAX_SHOWN:
        yield f"  and {len(result.not_sent) - _MAX_SHOWN:,} more."
    if result.blocked_reason:
        yield result.blocked_reason
    if result.missing:
        left = f", about {format_duration(result.missing_bytes / result.rate)}" if result.rate > 1 else ""
        yield (
            f"Still owed offsite: {pluralize(result.missing, 'file')}, {format_size(result.missing_bytes)}{left}."
        )
    elif not result.has_selects:
        yield "Nothing is chosen, so nothing is owed offsite."
        yield "Next: rate pictures in your editor and run `selects learn`, or choose by name with `selects add`."
    else:
        yield from _format_all_offsite(result)
    if result.surplus:
        yield (
            f"Surplus offsite: {pluralize(result.surplus, 'file')} of no select, "
            f"{format_size(result.surplus_bytes)}. "
            "It stays: nothing offsite is ever deleted."
        )
    for error in result.errors:
        if error.what != result.blocked_reason:
            yield error.what
        if error.do:
            yield f"Next: {error.do}"


def _format_all_offsite(result: UploadResult) -> Iterator[str]:
    """Yield that nothing is missing offsite, since when that is known, and how."""
    back = result.read_back
    if not result.was_listed:
        yield "By the catalog every select is offsite; what lies there was not looked at now."
        return
    yield "Every select is offsite: all of them were listed there just now."
    if back.oldest_verified_at is None:
        yield "None was read back there yet; each was proved as it arrived."
    else:
        since = f"the one longest ago on {format_iso(back.oldest_verified_at)[:10]}"
        rest = "" if back.files == back.total_files else "; the others were proved as they arrived"
        yield f"Read back there: {back.files:,} of {back.total_files:,}, {since}{rest}."
    yield "A listing does not see rot. Next: `rescan --place offsite` reads some of them back."


def build_upload_object(result: UploadResult) -> JsonObject:
    return {
        "schema": SCHEMA,
        "place": result.place,
        "sent": result.sent,
        "bytes": result.sent_bytes,
        "line_bytes": result.network_bytes,
        "faltered": result.retries,
        "still_owed": result.missing,
        "still_owed_bytes": result.missing_bytes,
        "listed": result.was_listed,
        "read_back": {
            "files": result.read_back.files,
            "of_files": result.read_back.total_files,
            "oldest": None
            if result.read_back.oldest_verified_at is None
            else format_iso(result.read_back.oldest_verified_at),
        },
        "surplus": result.surplus,
        "surplus_bytes": result.surplus_bytes,
        "rate": result.rate,
        "waits": result.blocked_reason or None,
        "not_sent": [{"path": to_json_text(path), "reason": to_json_text(why)} for path, why in result.not_sent],
        "troubles": [build_error_object(error) for error in result.errors],
        "seconds": result.seconds,
    }
