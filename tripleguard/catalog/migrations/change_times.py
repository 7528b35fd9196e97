"""When a copy was last changed in any way, as its file system said right before it was last read back.

NULL: not known, as for every copy that was read back before this step.

Landed: never edited.
"""

from __future__ import annotations

SCRIPT = """
ALTER TABLE copies ADD COLUMN verified_ctime_ns INTEGER;
"""
