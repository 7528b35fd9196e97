"""May a drive go? As lines for a terminal and as JSON: the answer, then what would fall short, by shoot."""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.names import shown
from tripleguard.reports import objects, text
from tripleguard.reports.words import count, size
from tripleguard.work.clearance.drive_answer import DriveAnswer
from tripleguard.work.years.retiring import Prepared


def answer(found: DriveAnswer) -> Iterator[str]:
    """The answer first, then why, then by shoot."""
    clearance, name = found.clearance, shown(found.record.name)
    files = count(clearance.files, "file")
    if clearance.answer:
        yield f"YES: drive {name} may be taken out of service. {files} on it, each safe without it."
    else:
        yield f"NO: keep drive {name} as it is. {clearance.covered:,} of {files} on it are safe without it."
        for reason in clearance.reasons:
            yield from text.reason_lines("Why", reason)
    for note in clearance.notes:
        yield from text.reason_lines("Note", note)
    for shoot in found.at_risk:
        sole = f", {shoot.sole:,} of them only here" if shoot.sole else ""
        below = count(shoot.files, "file")
        yield f"Shoot {shown(shoot.shoot.title)}: {below}, {size(shoot.total_bytes)}, would fall short{sole}"
    if found.uncovered:
        yield "Every one of these files is named in the --json output."


def prepared(done: Prepared) -> Iterator[str]:
    """What was copied and read so that the drive can go."""
    yield from text.topup(done.made)
    yield from text.rescan(done.read)
    yield ""


def after(found: DriveAnswer, preparing: bool, records: tuple[str, ...]) -> Iterator[str]:
    """What to do next, and what stands beside every yes."""
    name = shown(found.record.name)
    if not found.clearance.answer:
        yield "Nothing on the drive was touched."
        short = sum(one.size for one in found.uncovered if one.word in ("only here", "one elsewhere"))
        if preparing and short:
            yield f"Next: connect or add another drive with room for {size(short)}, and run this again."
        return
    if preparing:
        yield f"Next: `tripleguard retire {name}`. Until then the drive stays known as leaving."
        return
    yield f"Drive {name} is retired now. Nothing on it was touched: whether to erase it stays in your hands."
    yield from (f"Record on drive {record}" for record in records)
    yield (
        "People's images are on it: before you sell or give it away, erase it as your contract and your local law "
        "ask. Formatting alone leaves them readable."
    )


def answer_object(found: DriveAnswer) -> dict[str, object]:
    """The answer with everything that would fall below the rule."""
    return {
        **objects.clearance(found.clearance),
        "shoots": [
            {
                "shoot": objects.text(one.shoot.title),
                "files": one.files,
                "bytes": one.total_bytes,
                "sole": one.sole,
            }
            for one in found.at_risk
        ],
        "uncovered": [
            {"path": objects.text(one.path), "bytes": one.size, "elsewhere": one.elsewhere, "reason": one.word}
            for one in found.uncovered
        ],
    }


def retired_object(
    found: DriveAnswer, done: Prepared | None, records: tuple[str, ...], *, retired: bool
) -> dict[str, object]:
    """The answer, whether the drive was retired, and what a preparation did."""
    return {
        **answer_object(found),
        "retired": retired,
        "records": [objects.text(record) for record in records],
        "made": None if done is None else objects.topup(done.made),
        "read": None if done is None else objects.rescan(done.read),
    }
