"""What is to be done, as far as the watch knows: it follows from what is plugged in and how errands ended.

No I/O: the loop tells it what happened and asks it what is wanted. Nothing here has to survive: at the next start
every card and every drive counts as plugged in a moment ago.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field

from tripleguard.watch.errand import GIVES_WAY, CardAnswer, Ended, Errand, Outcome, What
from tripleguard.watch.volumes import HereCard, Plugged

_LEAST, _MOST, _MOST_WAITING = 2.0, 300.0, 10.0
"""Seconds until what failed, or waits for a command, is tried again: first, and at most."""
_MOST_REASONS = 20
_UPLOAD_EVERY = 3600.0


@dataclass(slots=True)
class Trying:
    """An errand that could not be done yet: why, how often, and when (monotonic) it is tried again.

    said: reasons that were told already.
    """

    why: str
    failures: int = 0
    said: set[str] = field(default_factory=set)
    at: float = 0.0


class Wanting:
    """What is wanted. ask_only: cards are not copied, so they need no drive. monotonic: seconds, for tests."""

    def __init__(self, *, ask_only: bool, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._ask_only = ask_only
        self._monotonic = monotonic
        self.plugged = Plugged()
        self.trying: dict[tuple[What, str], Trying] = {}
        self._cards: dict[str, HereCard] = {}
        self._again: dict[str, HereCard] = {}
        self._answers: dict[str, CardAnswer] = {}
        self._served: set[str] = set()
        self._topup = True
        self._landed: dict[tuple[What, str], int] = {}
        self._due: list[Errand] = []
        self._upload_at: float | None = None
        self.held_back = ""

    def by_clock(self, due: list[Errand], held_back: str) -> None:
        """Take note of what is due now, and why only new pictures are cared for ('': all is)."""
        self._due, self.held_back = due, held_back

    def may_upload(self, named: bool) -> None:
        """Take note whether there is a place offsite: then what is owed there is sent, looked at every hour."""
        if not named:
            self._upload_at = None
        elif self._upload_at is None:
            self._upload_at = self._monotonic()

    def landed(self, key: tuple[What, str], files: int) -> None:
        """Take note of how many new files have settled somewhere."""
        if files:
            self._landed[key] = files
        else:
            self._landed.pop(key, None)

    def see(self, now: Plugged) -> list[str]:
        """Take note of what is plugged in now; what changed, in words."""
        before, self.plugged = self.plugged, now
        if before == now:
            return []
        # What failed or waited for want of a volume may go now.
        for one in self.trying.values():
            one.at = 0.0
        return [*self._see_drives(before, now), *self._see_cards(before, now)]

    def began(self, errand: Errand) -> None:
        """Take note that an errand began: what is wanted from now on is wanted once more."""
        if errand.what is What.TOPUP:
            self._topup = False
        waiting = self._again if errand.what is What.ANSWER else self._cards
        self._served = {mark for mark, card in waiting.items() if str(card.root) == errand.subject}
        self._landed.pop(errand.key, None)

    def over(self, ended: Ended) -> bool:
        """Take note of the end of an errand; whether a person has not heard this yet."""
        errand = ended.errand
        if errand.what is What.TOPUP and ended.outcome not in (Outcome.DONE, Outcome.ATTENTION):
            self._topup = True
        if errand.what in (What.FRESH, What.IMPORT) and ended.outcome not in (Outcome.DONE, Outcome.ATTENTION):
            self._landed.setdefault(errand.key, 1)
        if ended.outcome in (Outcome.WAITS, Outcome.FAILED):
            trying = self.trying.setdefault(errand.key, Trying(""))
            news = ended.message not in trying.said and len(trying.said) < _MOST_REASONS
            trying.said |= {ended.message} if news else set()
            trying.why, trying.failures = ended.message, trying.failures + 1
            most = _MOST if ended.outcome is Outcome.FAILED else _MOST_WAITING
            trying.at = self._monotonic() + min(most, _LEAST * 2 ** min(trying.failures, 20))
            return news
        self.trying.pop(errand.key, None)
        if ended.outcome is not Outcome.STOPPED:
            self._done(ended)
        return True

    def all(self) -> list[Errand]:
        """Everything that is to be done, in the order in which it came."""
        cards = [Errand(What.CARD, str(card.root), card.reader) for card in self._cards.values()]
        again = [Errand(What.ANSWER, str(card.root)) for card in self._again.values()]
        landed = [Errand(what, subject) for what, subject in self._landed]
        topup = [Errand(What.TOPUP)] if self._topup and self.plugged.drives else []
        if any(one.what is What.TOPUP for one in self._due):
            topup = []
        sends = self._upload_at is not None and self._upload_at <= self._monotonic()
        upload = [Errand(What.UPLOAD)] if sends else []
        return [*cards, *again, *landed, *topup, *self._due, *upload]

    def ready(self, doing: Errand | None) -> list[Errand]:
        """What can be begun now, but what is being done."""
        now = self._monotonic()
        return [
            one
            for one in self.all()
            if (doing is None or one.key != doing.key)
            and self._can_be_done(one)
            and (one.key not in self.trying or self.trying[one.key].at <= now)
        ]

    def pause(self) -> float | None:
        """Seconds until something that waits can be tried again; None: nothing waits for a time."""
        waits = [self.trying[one.key].at for one in self.all() if one.key in self.trying]
        return max(0.0, min(waits) - self._monotonic()) if waits else None

    def why(self, errand: Errand, doing: Errand | None) -> str:
        """What an errand waits for, in words."""
        if errand.key in self.trying:
            return self.trying[errand.key].why
        if not self._has_drive:
            return "no drive is connected"
        if self.held_back and errand.what in GIVES_WAY:
            return self.held_back
        return "its turn" if doing is not None else "it begins"

    def _can_be_done(self, errand: Errand) -> bool:
        if errand.what in GIVES_WAY and self.held_back:
            return False
        needs_none = errand.what in (What.REPORT, What.AFAR) or (self._ask_only and errand.what is What.CARD)
        return self._has_drive or needs_none

    @property
    def _has_drive(self) -> bool:
        return any(drive.active for drive in self.plugged.drives)

    def _see_drives(self, before: Plugged, now: Plugged) -> list[str]:
        marks, said = {drive.mark for drive in before.drives}, []
        for drive in now.drives:
            if drive.mark not in marks:
                self._topup = True
                said.append(f"Drive {drive.record.name} is here, at {drive.root}.")
        left = {drive.record.name for drive in before.drives} - {drive.record.name for drive in now.drives}
        return [*said, *(f"Drive {name} is not here any more." for name in sorted(left))]

    def _see_cards(self, before: Plugged, now: Plugged) -> list[str]:
        old, new = ({card.mark: card for card in plugged.cards} for plugged in (before, now))
        for kept in (self._cards, self._again, self._answers):
            for mark in set(kept) - set(new):
                del kept[mark]
        for mark in set(new) - set(old):
            self._cards[mark] = new[mark]
        return [
            *(f"Card {old[mark].name} is not here any more." for mark in sorted(set(old) - set(new))),
            *(f"Card {new[mark].name} is here, at {new[mark].root}." for mark in sorted(set(new) - set(old))),
        ]

    def _done(self, ended: Ended) -> None:
        errand = ended.errand
        if self._upload_at is not None:
            # What came in now may be owed offsite as well.
            self._upload_at = self._monotonic() + (_UPLOAD_EVERY if errand.what is What.UPLOAD else 0.0)
        if errand.what is What.TOPUP and ended.made:
            for card in self.plugged.cards:
                answer = self._answers.get(card.mark)
                if answer is not None and answer.later:
                    self._again[card.mark] = card
        elif errand.what in (What.FRESH, What.IMPORT):
            # With one drive here nothing can be made; the other one's coming asks for it.
            self._topup |= bool(ended.made) and sum(drive.active for drive in self.plugged.drives) > 1
        elif errand.what in (What.CARD, What.ANSWER):
            waiting = self._cards if errand.what is What.CARD else self._again
            # Another card may be at the same place by now: that one was not served.
            for mark in self._served & set(waiting):
                del waiting[mark]
                if ended.card is not None:
                    self._answers[mark] = ended.card
