"""Which generation of the catalog this is, and drives that were answered with a yes that nobody took back.

Landed: never edited.
"""

from __future__ import annotations

SCRIPT = """
-- One row for each time that a job was about to change what is known of copies, or had changed it.
CREATE TABLE generations (
  number INTEGER PRIMARY KEY,
  token TEXT NOT NULL UNIQUE CHECK (length(token) = 32),
  at INTEGER NOT NULL
) STRICT;

CREATE TABLE standing_yes (
  place_id INTEGER PRIMARY KEY REFERENCES places,
  at INTEGER NOT NULL
) STRICT;
INSERT INTO standing_yes (place_id, at)
  SELECT p.id, max(c.at) FROM places p JOIN clearances c ON c.subject = 'drive ' || p.name
  WHERE c.subject_kind = 'drive' AND c.answer = 1 AND p.kind = 'drive' GROUP BY p.id;
"""
