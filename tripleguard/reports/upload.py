"""What was sent offsite, to text and to JSON."""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.clock import iso_utc
from tripleguard.names import shown
from tripleguard.reports.objects import SCHEMA, Object, text, trouble
from tripleguard.reports.words import count, duration, line_rate, size
from tripleguard.work.offsite.upload import UploadResult

_SHOWN = 10


def upload_text(result: UploadResult) -> Iterator[str]:
    """What is offsite now, what is still owed, and why."""
    if result.sent:
        pace = f" at {line_rate(result.rate)}" if result.rate else ""
        again = f"; the line failed {count(result.faltered, 'time')}" if result.faltered else ""
        yield (
            f"{count(result.sent, 'file')} sent and proved, {size(result.sent_bytes)} in "
            f"{duration(result.seconds)}{pace}{again}."
        )
    for path, why in result.not_sent[:_SHOWN]:
        yield f"  {shown(path)}: {shown(why)}"
    if len(result.not_sent) > _SHOWN:
        yield f"  and {len(result.not_sent) - _SHOWN:,} more."
    if result.waits:
        yield result.waits
    if result.still_owed:
        left = f", about {duration(result.still_owed_bytes / result.rate)}" if result.rate > 1 else ""
        yield f"Still owed offsite: {count(result.still_owed, 'file')}, {size(result.still_owed_bytes)}{left}."
    elif not result.wanted:
        yield "Nothing is chosen, so nothing is owed offsite."
        yield "Next: rate pictures in your editor and run `selects learn`, or choose by name with `selects add`."
    else:
        yield from _all_there(result)
    if result.surplus:
        yield (
            f"Surplus offsite: {count(result.surplus, 'file')} of no select, {size(result.surplus_bytes)}. "
            "It stays: nothing offsite is ever deleted."
        )
    for error in result.troubles:
        if error.what != result.waits:
            yield error.what
        if error.do:
            yield f"Next: {error.do}"


def _all_there(result: UploadResult) -> Iterator[str]:
    """That nothing is owed: since when that is known, and how."""
    back = result.read_back
    if not result.listed:
        yield "By the catalog every select is offsite; what lies there was not looked at now."
        return
    yield "Every select is offsite: all of them were listed there just now."
    if back.oldest is None:
        yield "None was read back there yet; each was proved as it arrived."
    else:
        since = f"the one longest ago on {iso_utc(back.oldest)[:10]}"
        rest = "" if back.files == back.of_files else "; the others were proved as they arrived"
        yield f"Read back there: {back.files:,} of {back.of_files:,}, {since}{rest}."
    yield "A listing does not see rot. Next: `rescan --place offsite` reads some of them back."


def upload_object(result: UploadResult) -> Object:
    return {
        "schema": SCHEMA,
        "place": result.place,
        "sent": result.sent,
        "bytes": result.sent_bytes,
        "line_bytes": result.line_bytes,
        "faltered": result.faltered,
        "still_owed": result.still_owed,
        "still_owed_bytes": result.still_owed_bytes,
        "listed": result.listed,
        "read_back": {
            "files": result.read_back.files,
            "of_files": result.read_back.of_files,
            "oldest": None if result.read_back.oldest is None else iso_utc(result.read_back.oldest),
        },
        "surplus": result.surplus,
        "surplus_bytes": result.surplus_bytes,
        "rate": result.rate,
        "waits": result.waits or None,
        "not_sent": [{"path": text(path), "reason": text(why)} for path, why in result.not_sent],
        "troubles": [trouble(error) for error in result.troubles],
        "seconds": result.seconds,
    }
