"""The one place that makes a clearance: a yes comes out only if nothing speaks against it.

`tests/test_one_yes.py` holds that nothing else in the package makes one.
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
        at: When the last look began, UTC ns: the moment of which the answer speaks.
        files: How many files were seen.
        covered: How many of them enough copies hold.

    Raises:
        AssertionError: Files are not covered and nothing says why.
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
