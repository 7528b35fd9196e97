"""The only code that constructs a clearance: yes only if there is no reason against it.

`tests/test_clearance_single_source.py` checks that nothing else in the package constructs one.
"""

from __future__ import annotations

from tripleguard.clearance_answer import Clearance, ClearanceReason, MissingFrames
from tripleguard.jobs.context import JobContext


def decide_clearance(
    ctx: JobContext,
    *,
    subject: str,
    at: int,
    files: int,
    total_bytes: int,
    covered: int,
    list_digest: bytes,
    reasons: tuple[ClearanceReason, ...],
    notes: tuple[ClearanceReason, ...] = (),
    numbers: tuple[MissingFrames, ...] = (),
) -> Clearance:
    """Return the answer: yes if there is no reason against it and every file is covered.

    Args:
        at: When the final check began, in UTC ns; the answer applies to this moment.
        files: How many files were seen.
        covered: How many of them have enough copies.

    Raises:
        AssertionError: Files are not covered and no reason says why.
    """
    if not reasons and covered != files:
        raise AssertionError("a yes that does not cover every file")
    return Clearance(
        is_yes=not reasons,
        subject=subject,
        at=at,
        files=files,
        total_bytes=total_bytes,
        covered_files=covered,
        list_digest=list_digest,
        reasons=reasons,
        notes=notes,
        missing_frames=numbers,
        answered_at=ctx.clock.now(),
    )
