"""What the watch remembers from one start to the next: which hours were served, what a person was told.

Nothing here is evidence: losing it costs work, never a picture. It is one small file below the home.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import msgspec
from blake3 import blake3

from tripleguard.clock import HOUR
from tripleguard.home import Home, keep_note

_TOLD = 500


class _Kept(msgspec.Struct):
    served: dict[str, int] = msgspec.field(default_factory=dict)
    told: dict[str, int] = msgspec.field(default_factory=dict)


@dataclass(slots=True)
class Notes:
    """served: errand word to the occurrence served last, UTC ns.

    told: what a person was told, by a digest of its words, and when (UTC ns).
    """

    home: Home
    served: dict[str, int] = field(default_factory=dict)
    told: dict[str, int] = field(default_factory=dict)

    def is_new(self, words: str, now: int, quiet: int = 20 * HOUR) -> bool:
        """Whether a person did not hear these words within quiet ns; they count as said from now on."""
        key = blake3(words.encode("utf-8", "backslashreplace")).hexdigest()[:32]
        if 0 <= now - self.told.get(key, now - quiet) < quiet:
            return False
        self.told[key] = now
        return True

    def keep(self) -> None:
        """Write them down. Raises OSError."""
        told = dict(sorted(self.told.items(), key=lambda pair: pair[1])[-_TOLD:])
        kept = _Kept(self.served, told)
        keep_note(self.home.watch / "notes.json", msgspec.json.encode(kept))


def notes_of(home: Home) -> Notes:
    """What was written down; nothing where that can't be read."""
    try:
        kept = msgspec.json.decode((home.watch / "notes.json").read_bytes(), type=_Kept)
    except (OSError, msgspec.MsgspecError):
        kept = _Kept()
    return Notes(home, kept.served, kept.told)
