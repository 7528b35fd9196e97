"""0004: what is known of ratings, what was chosen, and what therefore is wanted offsite.

Landed: never edited.
"""

from __future__ import annotations

SCRIPT = """
-- What pictures are rated, by the main file of their frame. In hundredths; -100 is rejected. said_at: the time of
-- the sidecar that said it, NULL where the picture itself did
CREATE TABLE ratings (
  file_id INTEGER PRIMARY KEY REFERENCES files,
  rating INTEGER NOT NULL,
  said_at INTEGER
) STRICT;

-- Contents that were looked into for a rating of their own: once is enough
CREATE TABLE looked_into (
  file_id INTEGER PRIMARY KEY REFERENCES files
) STRICT;

-- Sidecars that were read, as they were then. source: a place's id, or '' for a folder that is none
CREATE TABLE sidecars_read (
  source TEXT NOT NULL,
  path ANY NOT NULL,
  size INTEGER NOT NULL,
  mtime_ns INTEGER NOT NULL,
  PRIMARY KEY (source, path)
) STRICT, WITHOUT ROWID;

-- The person's choice, by the main file of the frame. One that was dropped stays, so that a rating does not choose
-- again what a hand has dropped
CREATE TABLE selects (
  file_id INTEGER PRIMARY KEY REFERENCES files,
  chosen INTEGER NOT NULL CHECK (chosen IN (0, 1)),
  how TEXT NOT NULL CHECK (how IN ('rating', 'hand', 'list', 'folder')),
  since INTEGER NOT NULL
) STRICT;
CREATE INDEX selects_chosen ON selects (since) WHERE chosen;

-- Every file of every chosen frame, under the path by which it is known
CREATE TABLE wanted_offsite (
  file_id INTEGER NOT NULL REFERENCES files,
  path ANY NOT NULL,
  shoot_id INTEGER NOT NULL REFERENCES shoots,
  rating INTEGER NOT NULL,
  since INTEGER NOT NULL,
  round INTEGER NOT NULL,
  PRIMARY KEY (file_id, path)
) STRICT, WITHOUT ROWID;
"""
