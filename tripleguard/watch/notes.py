"""What the watch remembers from one start to the next: which cards were answered, which hours were served.

Nothing here is evidence: losing it costs work, never a picture. It is one small file below the home.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import msgspec
from blake3 import blake3

from tripleguard.clock import HOUR
from tripleguard.home import Home, keep_note
from tripleguard.watch.errand import CardAnswer

_CARDS = 200
_TOLD = 500


class _Kept(msgspec.Struct):
    served: dict[str, int] = msgspec.field(default_factory=dict)
    cards: dict[str, tuple[bool, int, int]] = msgspec.field(default_factory=dict)
    told: dict[str, int] = msgspec.field(default_factory=dict)


@dataclass(slots=True)
class Notes:
    """served: errand word to the occurrence served last, UTC ns. cards: fingerprint to the answer.

    told: what a person was told, by a digest of its words, and when (UTC ns).
    """

    home: Home
    served: dict[str, int] = field(default_factory=dict)
    cards: dict[str, CardAnswer] = field(default_factory=dict)
    told: dict[str, int] = field(default_factory=dict)
    _since: dict[str, int] = field(default_factory=dict)

    def answered(self, card: CardAnswer, now: int) -> None:
        """Remember how a card was answered; one without a fingerprint can't be known again."""
        if not card.fingerprint:
            return
        self.cards[card.fingerprint] = card
        self._since[card.fingerprint] = now

    def is_new(self, words: str, now: int, quiet: int = 20 * HOUR) -> bool:
        """Whether a person did not hear these words within quiet ns; they count as said from now on."""
        key = blake3(words.encode("utf-8", "backslashreplace")).hexdigest()[:32]
        if 0 <= now - self.told.get(key, now - quiet) < quiet:
            return False
        self.told[key] = now
        return True

    def keep(self) -> None:
        """Write them down. Raises OSError."""
        newest = sorted(self.cards, key=lambda one: self._since.get(one, 0))[-_CARDS:]
        told = dict(sorted(self.told.items(), key=lambda pair: pair[1])[-_TOLD:])
        cards = {one: (self.cards[one].answer, self.cards[one].files, self._since.get(one, 0)) for one in newest}
        kept = _Kept(self.served, cards, told)
        keep_note(self.home.watch / "notes.json", msgspec.json.encode(kept))


def notes_of(home: Home) -> Notes:
    """What was written down; nothing where that can't be read."""
    try:
        kept = msgspec.json.decode((home.watch / "notes.json").read_bytes(), type=_Kept)
    except (OSError, msgspec.MsgspecError):
        kept = _Kept()
    return Notes(
        home,
        kept.served,
        {one: CardAnswer(one, answer, files) for one, (answer, files, _) in kept.cards.items()},
        kept.told,
        {one: since for one, (_, _, since) in kept.cards.items()},
    )
