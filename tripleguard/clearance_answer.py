"""The answer to a clearance question as values; only `jobs/clearance` may construct a yes."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ClearanceReason:
    """A reason why a clearance says no, or a note beside the answer; paths: all that it is about."""

    kind: str
    count: int
    message: str
    paths: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MissingFrames:
    """Frames or a card that may be missing according to the frame numbers, in words.

    Attributes:
        number: For a person to explain it.
        is_card_suspected: A card may be missing; else it is only worth a check.
        day: The shooting day.
        first, last: Camera names of the missing frames, if it is about frames.
    """

    number: int
    is_card_suspected: bool
    kind: str
    day: str
    body: str | None
    frames: int
    first: str | None
    last: str | None
    message: str
    next_step: str


@dataclass(frozen=True, slots=True)
class Clearance:
    """The answer whether a card may be reformatted, and its basis.

    Attributes:
        at: When the final check began, UTC ns: the moment that the answer is about.
        total_bytes: Of all files seen.
        list_digest: BLAKE3 over the list of covered files.
        reasons: What makes it a no.
        notes, missing_frames: Shown beside the answer.
        answered_at: When it was given, UTC ns.
    """

    is_yes: bool
    subject: str
    at: int
    files: int
    total_bytes: int
    covered_files: int
    list_digest: bytes
    reasons: tuple[ClearanceReason, ...]
    notes: tuple[ClearanceReason, ...] = ()
    missing_frames: tuple[MissingFrames, ...] = ()
    answered_at: int = 0

    def __post_init__(self) -> None:
        if self.is_yes and (self.reasons or self.covered_files != self.files):
            raise ValueError("a yes has no reason against it and covers every file")
