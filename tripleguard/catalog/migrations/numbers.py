"""Frame numbers: what was seen of each night, where each body's count stood, and what may be missing.

Landed: never edited.
"""

from __future__ import annotations

SCRIPT = """
-- One shooting day: cards with files of their own, readings of cards, how many cards somebody said there were, and
-- the days of failed clocks that belong to it
CREATE TABLE nights (
  day TEXT PRIMARY KEY,
  cards INTEGER NOT NULL DEFAULT 0,
  readings INTEGER NOT NULL DEFAULT 0,
  told INTEGER,
  told_at INTEGER,
  told_by TEXT,
  seen_at INTEGER,
  also TEXT NOT NULL DEFAULT '[]'
) STRICT, WITHOUT ROWID;

-- Each body's night: its last frame, which the next night's first one is held against, and what was deleted
CREATE TABLE body_nights (
  body_id INTEGER NOT NULL REFERENCES bodies,
  day TEXT NOT NULL,
  frames INTEGER NOT NULL,
  last_number INTEGER NOT NULL,
  last_folder INTEGER NOT NULL,
  last_letters TEXT NOT NULL,
  last_wall_ns INTEGER,
  last_offset INTEGER,
  last_file_id INTEGER NOT NULL REFERENCES files,
  deleted TEXT NOT NULL,
  PRIMARY KEY (body_id, day)
) STRICT, WITHOUT ROWID;
CREATE INDEX body_nights_by_day ON body_nights (day);

-- What may be missing. closed_by: a person, with a reason; closed without one: it turned up
CREATE TABLE doubts (
  id INTEGER PRIMARY KEY,
  day TEXT NOT NULL,
  kind TEXT NOT NULL,
  mark TEXT NOT NULL,
  body_id INTEGER REFERENCES bodies,
  verdict TEXT NOT NULL CHECK (verdict IN ('a card may be missing', 'look')),
  frames INTEGER NOT NULL,
  first_name TEXT NOT NULL,
  last_name TEXT NOT NULL,
  first_at INTEGER NOT NULL,
  last_at INTEGER NOT NULL,
  since_wall_ns INTEGER,
  until_wall_ns INTEGER,
  readings TEXT NOT NULL,
  keeps INTEGER NOT NULL CHECK (keeps IN (0, 1)),
  opened_at INTEGER NOT NULL,
  seen_at INTEGER NOT NULL,
  closed_at INTEGER,
  closed_by TEXT,
  closed_why TEXT
) STRICT;
CREATE UNIQUE INDEX doubts_open ON doubts (day, mark) WHERE closed_at IS NULL;
CREATE INDEX doubts_explained ON doubts (body_id, closed_at) WHERE closed_by IS NOT NULL;
"""
