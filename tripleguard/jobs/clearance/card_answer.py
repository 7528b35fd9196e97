"""The question about a card and the answer to it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from tripleguard.clearance_answer import Clearance
from tripleguard.jobs.clearance.card_observation import CardObservation, FileStamp
from tripleguard.jobs.clearance.counted_copies import CopyKey
from tripleguard.places.base import ChangeWatch, SourceFolder


@dataclass(frozen=True, slots=True)
class CardQuestion:
    """The card to answer for and what is already known about it.

    Attributes:
        card: The card.
        observation: What this run has already observed of the card; None for nothing.
        is_read: The run has read the whole card, so it is not read again.
        unsteady: Card paths of which two readings differed.
        before: Stamps of the copies before that run read them back.
        monitors: The run's change watches since it read copies back, by place id.
        accept_damaged: The person accepts files that are damaged at source.
    """

    card: SourceFolder
    observation: CardObservation | None = None
    is_read: bool = False
    unsteady: frozenset[str] = frozenset()
    before: Mapping[CopyKey, FileStamp] = field(default_factory=dict)
    monitors: Mapping[int, ChangeWatch] = field(default_factory=dict)
    accept_damaged: bool = False


@dataclass(frozen=True, slots=True)
class VerifiedOnDrive:
    """Count the card's files that one drive holds verified.

    Attributes:
        files: All verified files.
        now: Those read back since this run began.
        oldest: When the oldest of the others was read back, in UTC ns; None if there are none.
    """

    files: int = 0
    now: int = 0
    oldest: int | None = None

    def plus(self, verified_at: int, started_at: int) -> VerifiedOnDrive:
        """Return the counts with one more file that was read back at `verified_at`."""
        if verified_at >= started_at:
            return VerifiedOnDrive(self.files + 1, self.now + 1, self.oldest)
        return VerifiedOnDrive(self.files + 1, self.now, min(verified_at, self.oldest or verified_at))


@dataclass(frozen=True, slots=True)
class CardAnswer:
    """The clearance, what each drive holds of the card, and the paths of the written records."""

    clearance: Clearance
    verified: dict[str, VerifiedOnDrive]
    records: tuple[str, ...]
