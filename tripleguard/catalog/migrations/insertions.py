"""On which file system a drive was last, and in which insertion of it the bytes of a copy were last in memory.

remounted_at is the time of a reading through the cache that had to come from the device; it speaks for the copy as
long as that reading is its latest evidence, and then `medium` says `dropped`.

Landed: never edited.
"""

from __future__ import annotations

SCRIPT = """
ALTER TABLE places ADD COLUMN identity TEXT;
ALTER TABLE copies ADD COLUMN cached_in TEXT;
ALTER TABLE copies ADD COLUMN remounted_at INTEGER;
CREATE INDEX copies_cached ON copies (place_id) WHERE state = 'present' AND medium = 'cached';
"""
