"""Tables of what is known about files: findings, selects, integrity checks, sessions, objects offsite, search.

Search keeps each name once, findable by any part of it. Cameras use the same ten thousand names again and again,
so there are far fewer names than files: a query looks for its parts among the names, and finds the files by
`files_by_name`. A copy whose name differs from its file's, as in an archive made by hand, is rare, and has a row
in `other_names`.
"""

from __future__ import annotations

_TABLES = """
CREATE TABLE versions (
  id INTEGER PRIMARY KEY,
  shoot_id INTEGER NOT NULL REFERENCES shoots,
  path ANY NOT NULL,
  number INTEGER NOT NULL,
  file_id INTEGER NOT NULL REFERENCES files,
  mtime_ns INTEGER NOT NULL,
  seen_at INTEGER NOT NULL,
  UNIQUE (path, number),
  UNIQUE (path, file_id)
) STRICT;
CREATE INDEX versions_by_file ON versions (file_id);

-- Ratings by the main file of the frame, in hundredths; -100 is rejected. stated_at: the time of the sidecar that
-- has the rating, NULL where the picture itself has it
CREATE TABLE ratings (
  file_id INTEGER PRIMARY KEY REFERENCES files,
  rating INTEGER NOT NULL,
  stated_at INTEGER
) STRICT;
CREATE INDEX ratings_by_rating ON ratings (rating);

-- Files that were searched for a rating of their own: once is enough
CREATE TABLE files_checked_for_rating (
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

-- The person's choice, by the main file of the frame. A dropped frame keeps its row, so that a rating does not
-- choose again what the person dropped
CREATE TABLE selects (
  file_id INTEGER PRIMARY KEY REFERENCES files,
  chosen INTEGER NOT NULL CHECK (chosen IN (0, 1)),
  method TEXT NOT NULL CHECK (method IN ('rating', 'hand', 'list', 'folder')),
  since INTEGER NOT NULL
) STRICT;
CREATE INDEX selects_chosen ON selects (since) WHERE chosen;

-- Every file of every chosen frame, with its path on the drives, which is its key offsite
CREATE TABLE offsite_requirements (
  file_id INTEGER NOT NULL REFERENCES files,
  path ANY NOT NULL,
  shoot_id INTEGER NOT NULL REFERENCES shoots,
  rating INTEGER NOT NULL,
  since INTEGER NOT NULL,
  round INTEGER NOT NULL,
  PRIMARY KEY (file_id, path)
) STRICT, WITHOUT ROWID;

-- One format that one camera model writes. files: how many were checked. Files of unknown cameras have none
CREATE TABLE file_formats (
  id INTEGER PRIMARY KEY,
  make TEXT NOT NULL,
  model TEXT NOT NULL,
  extension TEXT NOT NULL,
  files INTEGER NOT NULL DEFAULT 0,
  UNIQUE (make, model, extension)
) STRICT;

CREATE TABLE integrity_checks (
  file_id INTEGER PRIMARY KEY REFERENCES files,
  format_id INTEGER REFERENCES file_formats,
  at INTEGER NOT NULL,
  verdict TEXT NOT NULL CHECK (verdict IN
    ('clean as far as can be told', 'not checkable', 'suspicious', 'broken')),
  explanation TEXT NOT NULL DEFAULT '',
  decoded_at INTEGER,
  width INTEGER,
  height INTEGER,
  orientation INTEGER CHECK (orientation BETWEEN 1 AND 8),
  rating REAL CHECK (rating BETWEEN -1 AND 5)
) STRICT;
CREATE INDEX integrity_checks_to_decode ON integrity_checks (file_id) WHERE decoded_at IS NULL;
CREATE INDEX integrity_checks_by_format ON integrity_checks (format_id);

CREATE TABLE flaws (
  id INTEGER PRIMARY KEY,
  file_id INTEGER NOT NULL REFERENCES integrity_checks,
  sign TEXT NOT NULL,
  format_id INTEGER REFERENCES file_formats,
  is_grave INTEGER NOT NULL CHECK (is_grave IN (0, 1)),
  is_possible_quirk INTEGER NOT NULL CHECK (is_possible_quirk IN (0, 1)),
  decoded INTEGER NOT NULL CHECK (decoded IN (0, 1)),
  explanation TEXT NOT NULL,
  UNIQUE (file_id, sign)
) STRICT;
CREATE INDEX flaws_by_sign ON flaws (format_id, sign);

-- Flaws that may be a quirk of a model and no damage. files: how many have it. since: it is taken for a quirk
CREATE TABLE model_quirks (
  format_id INTEGER NOT NULL REFERENCES file_formats,
  sign TEXT NOT NULL,
  files INTEGER NOT NULL DEFAULT 0,
  since INTEGER,
  PRIMARY KEY (format_id, sign)
) STRICT, WITHOUT ROWID;

CREATE TABLE findings (
  id INTEGER PRIMARY KEY,
  kind TEXT NOT NULL,
  place_id INTEGER REFERENCES places,
  path ANY NOT NULL,
  copy_id INTEGER REFERENCES copies,
  file_id INTEGER REFERENCES files,
  shoot_id INTEGER REFERENCES shoots,
  since INTEGER NOT NULL,
  seen_at INTEGER NOT NULL,
  closed_at INTEGER,
  resolution TEXT,
  accepted_at INTEGER,
  accepted_by TEXT,
  accepted_reason TEXT,
  evidence TEXT NOT NULL DEFAULT '{}',
  CHECK (place_id IS NOT NULL OR (kind = 'damaged at source' AND file_id IS NOT NULL))
) STRICT;
CREATE UNIQUE INDEX findings_open ON findings (place_id, path, kind) WHERE closed_at IS NULL;
CREATE INDEX findings_by_copy ON findings (copy_id) WHERE closed_at IS NULL;
CREATE UNIQUE INDEX findings_of_file ON findings (file_id) WHERE closed_at IS NULL AND place_id IS NULL;

-- One shooting day. cards: those with files of their own; readings: offloads of cards; reported_cards: how many
-- cards a person said there were; extra_days: days of wrong camera clocks that belong to it
CREATE TABLE sessions (
  day TEXT PRIMARY KEY,
  cards INTEGER NOT NULL DEFAULT 0,
  readings INTEGER NOT NULL DEFAULT 0,
  reported_cards INTEGER,
  reported_at INTEGER,
  reported_by TEXT,
  seen_at INTEGER,
  extra_days TEXT NOT NULL DEFAULT '[]'
) STRICT, WITHOUT ROWID;

-- The last frame of each body on each day, with which the next day's first frame is compared, and the sizes of the
-- gaps left by deletions
CREATE TABLE body_sessions (
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
CREATE INDEX body_sessions_by_day ON body_sessions (day);

-- Gaps in frame numbers that may mean a missing card. closed_by: the person who explained it; a gap
-- that was closed without one was filled
CREATE TABLE gaps (
  id INTEGER PRIMARY KEY,
  day TEXT NOT NULL,
  kind TEXT NOT NULL,
  gap_key TEXT NOT NULL,
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
  should_keep_cards INTEGER NOT NULL CHECK (should_keep_cards IN (0, 1)),
  opened_at INTEGER NOT NULL,
  seen_at INTEGER NOT NULL,
  closed_at INTEGER,
  closed_by TEXT,
  closed_reason TEXT
) STRICT;
CREATE UNIQUE INDEX gaps_open ON gaps (day, gap_key) WHERE closed_at IS NULL;
CREATE INDEX gaps_explained ON gaps (body_id, closed_at) WHERE closed_by IS NOT NULL;

-- More about each copy offsite. tag: the server's name for the version. verified_by: 'server' (it refuses what
-- does not arrive as sent) or 'read' (read back). stored_bytes: their number there, which differs from the file's
-- where it is encrypted; encryption: the method, '' for none; blake3: of the stored bytes
CREATE TABLE objects (
  copy_id INTEGER PRIMARY KEY REFERENCES copies,
  tag TEXT NOT NULL,
  verified_by TEXT NOT NULL CHECK (verified_by IN ('server', 'read')),
  stored_bytes INTEGER NOT NULL,
  encryption TEXT NOT NULL DEFAULT '',
  blake3 BLOB NOT NULL CHECK (length(blake3) = 32)
) STRICT;

CREATE TABLE uploads (
  id INTEGER PRIMARY KEY,
  place_id INTEGER NOT NULL REFERENCES places,
  file_id INTEGER NOT NULL REFERENCES files,
  key ANY NOT NULL,
  token TEXT NOT NULL,
  part_bytes INTEGER NOT NULL,
  blake3 BLOB NOT NULL CHECK (length(blake3) = 32),
  started_at INTEGER NOT NULL,
  UNIQUE (place_id, key)
) STRICT;

CREATE TABLE upload_parts (
  upload_id INTEGER NOT NULL REFERENCES uploads,
  number INTEGER NOT NULL,
  tag TEXT NOT NULL,
  sha256 BLOB NOT NULL CHECK (length(sha256) = 32),
  PRIMARY KEY (upload_id, number)
) STRICT, WITHOUT ROWID;

CREATE TABLE servers (
  place_id INTEGER PRIMARY KEY REFERENCES places,
  probed_at INTEGER NOT NULL,
  capabilities TEXT NOT NULL
) STRICT;

CREATE TABLE names (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE
) STRICT;

CREATE VIRTUAL TABLE name_parts USING fts5(name, content='names', content_rowid='id', tokenize='trigram');

CREATE TABLE other_names (
  file_id INTEGER NOT NULL REFERENCES files,
  name ANY NOT NULL,
  PRIMARY KEY (file_id, name)
) STRICT, WITHOUT ROWID;
CREATE INDEX other_names_by_name ON other_names (name);
CREATE INDEX other_names_not_text ON other_names (file_id) WHERE typeof(name) = 'blob';
"""

_INTEGRITY_TRIGGERS = """
CREATE TRIGGER integrity_check_added AFTER INSERT ON integrity_checks BEGIN
  UPDATE file_formats SET files = files + 1 WHERE id = NEW.format_id;
END;

CREATE TRIGGER flaw_added AFTER INSERT ON flaws
WHEN NEW.is_possible_quirk = 1 AND NEW.format_id IS NOT NULL BEGIN
  INSERT INTO model_quirks (format_id, sign) SELECT NEW.format_id, NEW.sign
    WHERE NOT EXISTS (SELECT 1 FROM model_quirks WHERE format_id = NEW.format_id AND sign = NEW.sign);
  UPDATE model_quirks SET files = files + 1 WHERE format_id = NEW.format_id AND sign = NEW.sign;
END;

CREATE TRIGGER flaw_removed AFTER DELETE ON flaws
WHEN OLD.is_possible_quirk = 1 AND OLD.format_id IS NOT NULL BEGIN
  UPDATE model_quirks SET files = files - 1 WHERE format_id = OLD.format_id AND sign = OLD.sign;
END;
"""

_SEARCH_TRIGGERS = """
CREATE TRIGGER name_added AFTER INSERT ON names BEGIN
  INSERT INTO name_parts (rowid, name) VALUES (NEW.id, NEW.name);
END;

CREATE TRIGGER file_name_added AFTER INSERT ON files WHEN typeof(NEW.name) = 'text' BEGIN
  INSERT INTO names (name) SELECT NEW.name WHERE NOT EXISTS (SELECT 1 FROM names WHERE name = NEW.name);
END;

CREATE TRIGGER copy_name_added AFTER INSERT ON copies

WHEN NEW.name <> (SELECT name FROM files WHERE id = NEW.file_id) BEGIN
  INSERT INTO other_names (file_id, name) SELECT NEW.file_id, NEW.name
    WHERE NOT EXISTS (SELECT 1 FROM other_names WHERE file_id = NEW.file_id AND name = NEW.name);
END;

CREATE TRIGGER copy_name_changed AFTER UPDATE OF name, file_id ON copies

WHEN NEW.name <> (SELECT name FROM files WHERE id = NEW.file_id) BEGIN
  INSERT INTO other_names (file_id, name) SELECT NEW.file_id, NEW.name
    WHERE NOT EXISTS (SELECT 1 FROM other_names WHERE file_id = NEW.file_id AND name = NEW.name);
END;

CREATE TRIGGER other_name_added AFTER INSERT ON other_names WHEN typeof(NEW.name) = 'text' BEGIN
  INSERT INTO names (name) SELECT NEW.name WHERE NOT EXISTS (SELECT 1 FROM names WHERE name = NEW.name);
END;
"""

ANNOTATIONS_SCRIPT = _TABLES + _INTEGRITY_TRIGGERS + _SEARCH_TRIGGERS
"""The statements that create these tables and their triggers."""
