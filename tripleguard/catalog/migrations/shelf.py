"""Where a place is kept, in the photographer's words, and how much room it had when it was last seen.

Landed: never edited.
"""

from __future__ import annotations

SCRIPT = """
ALTER TABLE places ADD COLUMN note TEXT NOT NULL DEFAULT '';
ALTER TABLE places ADD COLUMN free INTEGER;
ALTER TABLE places ADD COLUMN total INTEGER;
ALTER TABLE places ADD COLUMN room_at INTEGER;
"""
