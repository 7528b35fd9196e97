"""What an earlier catalog said of a copy, until this one has read it back itself.

Landed: never edited.
"""

from __future__ import annotations

SCRIPT = """
ALTER TABLE copies ADD COLUMN inherited_at INTEGER;
"""
