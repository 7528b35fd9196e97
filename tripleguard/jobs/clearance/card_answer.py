"""What is asked of a card, and what the question about it is answered with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from tripleguard.clearance_answer import Clearance
from tripleguard.jobs.clearance.card_observation import CardObservation, FileStamp
from tripleguard.jobs.clearance.counted_copies import CopyKey
from tripleguard.places.base import ChangeWatch, SourceFolder


@dataclass(frozen=True, slots=True)
class CardQuestion:
    """What is asked of which card.

    Attributes:
        card: The card.
        observation: What this run has seen of the card already; None: nothing.
        is_read: It has read the card as well, and is not to read it again.
        unsteady: Card paths of which two readings were not equal.
        before: How copies lay on their drives before that run read them back.
        monitors: What that run has watched since it read copies back, by place (id).
        accept_damaged: A person lives with files that are damaged at source.
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
    """How many of a card's files one drive holds verified, and of these how many since this run began.

    oldest: When the oldest of the others was read back, UTC ns; None: there is none.
    """

    files: int = 0
    now: int = 0
    oldest: int | None = None

    def plus(self, verified_at: int, started_at: int) -> VerifiedOnDrive:
        """Return the counts with one more file, read back at `verified_at`; the run began at `started_at`."""
        if verified_at >= started_at:
            return VerifiedOnDrive(self.files + 1, self.now + 1, self.oldest)
        return VerifiedOnDrive(self.files + 1, self.now, min(verified_at, self.oldest or verified_at))


@dataclass(frozen=True, slots=True)
class CardAnswer:
    """The answer, what each drive holds of the card, and where the record was left."""

    clearance: Clearance
    verified: dict[str, VerifiedOnDrive]
    records: tuple[str, ...]
