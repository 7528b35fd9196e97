"""Render whether a drive may be retired, as lines and as JSON: the answer, then what would fall below the rule."""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.jobs.clearance.drive_answer import DriveClearanceResult
from tripleguard.jobs.lifecycle.retire import RetirePreparation
from tripleguard.names import escape_text
from tripleguard.presentation import json_output, text
from tripleguard.presentation.words import format_size
from tripleguard.wording import pluralize


def format_retire_answer(drive_answer: DriveClearanceResult) -> Iterator[str]:
    """Yield the answer first, then the reasons, then what would fall below the rule by shoot."""
    clearance, name = drive_answer.clearance, escape_text(drive_answer.record.name)
    files = pluralize(clearance.files, "file")
    if clearance.is_yes:
        yield f"YES: drive {name} may be taken out of service. {files} on it, each safe without it."
    else:
        yield f"NO: keep drive {name} as it is. {clearance.covered_files:,} of {files} on it are safe without it."
        for reason in clearance.reasons:
            yield from text.format_reason("Why", reason)
    for note in clearance.notes:
        yield from text.format_reason("Note", note)
    for shoot in drive_answer.shoots_at_risk:
        sole = f", {shoot.sole_files:,} of them only here" if shoot.sole_files else ""
        below = pluralize(shoot.files, "file")
        yield (
            f"Shoot {escape_text(shoot.shoot.title)}: {below}, "
            f"{format_size(shoot.total_bytes)}, would fall short{sole}"
        )
    if not clearance.is_yes:
        yield "Every one of these files is named in the --json output."


def format_preparation(preparation: RetirePreparation) -> Iterator[str]:
    """Yield what was copied and read to prepare the drive for retiring."""
    yield from text.format_topup(preparation.topup_result)
    yield from text.format_rescan(preparation.rescan_result)
    yield ""


def format_next_steps(
    drive_answer: DriveClearanceResult, is_preparing: bool, records: tuple[str, ...]
) -> Iterator[str]:
    """Yield what to do next, and the caution that accompanies every yes."""
    name = escape_text(drive_answer.record.name)
    if not drive_answer.clearance.is_yes:
        yield "Nothing on the drive was touched."
        short = sum(one.size for one in drive_answer.uncovered if one.reason in ("only here", "one elsewhere"))
        if is_preparing and short:
            yield f"Next: connect or add another drive with room for {format_size(short)}, and run this again."
        return
    if is_preparing:
        yield f"Next: `tripleguard retire {name}`. Until then the drive stays known as leaving."
        return
    yield f"Drive {name} is retired now. Nothing on it was touched: whether to erase it stays in your hands."
    yield from (f"Record on drive {record}" for record in records)
    yield (
        "People's images are on it: before you sell or give it away, erase it as your contract and your local law "
        "ask. Formatting alone leaves them readable."
    )


def build_retire_answer_object(drive_answer: DriveClearanceResult) -> dict[str, object]:
    """Return the answer with everything that would fall below the rule."""
    return {
        **json_output.build_clearance_object(drive_answer.clearance),
        "shoots": [
            {
                "shoot": json_output.to_json_text(one.shoot.title),
                "files": one.files,
                "bytes": one.total_bytes,
                "sole": one.sole_files,
            }
            for one in drive_answer.shoots_at_risk
        ],
        "uncovered": [
            {
                "path": json_output.to_json_text(one.path),
                "bytes": one.size,
                "elsewhere": one.copies_elsewhere,
                "reason": one.reason,
            }
            for one in drive_answer.uncovered
        ],
    }


def build_retire_object(
    drive_answer: DriveClearanceResult,
    preparation: RetirePreparation | None,
    records: tuple[str, ...],
    *,
    is_retired: bool,
) -> dict[str, object]:
    """Return the answer, whether the drive was retired, and what the preparation did."""
    return {
        **build_retire_answer_object(drive_answer),
        "retired": is_retired,
        "records": [json_output.to_json_text(record) for record in records],
        "made": None if preparation is None else json_output.build_topup_object(preparation.topup_result),
        "read": None if preparation is None else json_output.build_rescan_object(preparation.rescan_result),
    }
