"""What the daemon remembers over a restart: which schedule ran last, and which notifications were sent.

Nothing here is evidence: losing it costs work, never a picture. It is one small file below the home.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import msgspec
from blake3 import blake3

from tripleguard.clock import HOUR
from tripleguard.home import Home, write_atomically

_MAX_NOTIFIED = 500


class _StoredState(msgspec.Struct):
    served: dict[str, int] = msgspec.field(default_factory=dict)
    told: dict[str, int] = msgspec.field(default_factory=dict)


@dataclass(slots=True)
class WatchState:
    """served: errand word to the occurrence served last, UTC ns.

    told: what a person was told, by a digest of its words, and when (UTC ns).
    """

    home: Home
    last_run: dict[str, int] = field(default_factory=dict)
    notified_at: dict[str, int] = field(default_factory=dict)

    def should_notify(self, words: str, now: int, quiet_ns: int = 20 * HOUR) -> bool:
        """Whether a person did not hear these words within quiet ns; they count as said from now on."""
        key = blake3(words.encode("utf-8", "backslashreplace")).hexdigest()[:32]
        if 0 <= now - self.notified_at.get(key, now - quiet_ns) < quiet_ns:
            return False
        self.notified_at[key] = now
        return True

    def save(self) -> None:
        """Write them down. Raises OSError."""
        told = dict(sorted(self.notified_at.items(), key=lambda pair: pair[1])[-_MAX_NOTIFIED:])
        kept = _StoredState(self.last_run, told)
        write_atomically(self.home.watch / "notes.json", msgspec.json.encode(kept))


def load_state(home: Home) -> WatchState:
    """What was written down; nothing where that can't be read."""
    try:
        kept = msgspec.json.decode((home.watch / "notes.json").read_bytes(), type=_StoredState)
    except (OSError, msgspec.MsgspecError):
        kept = _StoredState()
    return WatchState(home, kept.served, kept.told)
