"""The answer to a clearance question as values; only `jobs/clearance` may construct a yes."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class ClearanceReason:
    """Why a clearance says no, or what it notes beside a yes."""

    kind: str
    count: int
    message: str
    examples: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class MissingFrames:
    """Frames or a card that may be missing, as the frame numbers tell, in words.

    number: by which a person can explain it. sure: whether a card may be missing, or it is only worth a look. day:
    the shooting day. frames: how many; first, last: their camera names, where it is frames that are missing.
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
    """The answer whether a card may be reformatted, and what it rests on.

    at: when the last look began, UTC ns: the moment that the answer is about; answered_at: when it was given.
    total_bytes: of all files seen. list_digest: BLAKE3 over the list of what was covered. reasons make it a no;
    notes stand beside the answer, and so does what is missing of the night (numbers).
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
