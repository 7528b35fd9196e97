"""Tables of what is known about files: findings, selects, integrity checks, sessions, objects offsite, search.

Search keeps each name once, findable by any part of it. Cameras use the same ten thousand names again and again,
so there are far fewer names than files: a query looks for its parts among the names, and finds the files by
`files_by_name`. A copy whose name differs from its file's, as in an archive made by hand, is rare, and has a row
in `called`.
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

-- What pictures are rated, by the main file of their frame. In hundredths; -100 is rejected. said_at: the time of
-- the sidecar that said it, NULL where the picture itself did
CREATE TABLE ratings (
  file_id INTEGER PRIMARY KEY REFERENCES files,
  rating INTEGER NOT NULL,
  said_at INTEGER
) STRICT;
CREATE INDEX ratings_by_rating ON ratings (rating);

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

-- One form of file that one model writes; files: how many were looked through. Unknown cameras share none.
CREATE TABLE forms (
  id INTEGER PRIMARY KEY,
  make TEXT NOT NULL,
  model TEXT NOT NULL,
  extension TEXT NOT NULL,
  files INTEGER NOT NULL DEFAULT 0,
  UNIQUE (make, model, extension)
) STRICT;

CREATE TABLE looks (
  file_id INTEGER PRIMARY KEY REFERENCES files,
  form_id INTEGER REFERENCES forms,
  at INTEGER NOT NULL,
  verdict TEXT NOT NULL CHECK (verdict IN
    ('clean as far as can be told', 'not checkable', 'suspicious', 'broken')),
  why TEXT NOT NULL DEFAULT '',
  decoded_at INTEGER,
  width INTEGER,
  height INTEGER,
  orientation INTEGER CHECK (orientation BETWEEN 1 AND 8),
  rating REAL CHECK (rating BETWEEN -1 AND 5)
) STRICT;
CREATE INDEX looks_to_decode ON looks (file_id) WHERE decoded_at IS NULL;
CREATE INDEX looks_by_form ON looks (form_id);

CREATE TABLE flaws (
  id INTEGER PRIMARY KEY,
  file_id INTEGER NOT NULL REFERENCES looks,
  sign TEXT NOT NULL,
  form_id INTEGER REFERENCES forms,
  grave INTEGER NOT NULL CHECK (grave IN (0, 1)),
  habit INTEGER NOT NULL CHECK (habit IN (0, 1)),
  decoded INTEGER NOT NULL CHECK (decoded IN (0, 1)),
  why TEXT NOT NULL,
  UNIQUE (file_id, sign)
) STRICT;
CREATE INDEX flaws_by_sign ON flaws (form_id, sign);

-- What may be how a model's files are; files: how many have it. since: it is believed to be so.
CREATE TABLE habits (
  form_id INTEGER NOT NULL REFERENCES forms,
  sign TEXT NOT NULL,
  files INTEGER NOT NULL DEFAULT 0,
  since INTEGER,
  PRIMARY KEY (form_id, sign)
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
  closed_how TEXT,
  accepted_at INTEGER,
  accepted_by TEXT,
  accepted_why TEXT,
  evidence TEXT NOT NULL DEFAULT '{}',
  CHECK (place_id IS NOT NULL OR (kind = 'damaged at source' AND file_id IS NOT NULL))
) STRICT;
CREATE UNIQUE INDEX findings_open ON findings (place_id, path, kind) WHERE closed_at IS NULL;
CREATE INDEX findings_by_copy ON findings (copy_id) WHERE closed_at IS NULL;
CREATE UNIQUE INDEX findings_of_file ON findings (file_id) WHERE closed_at IS NULL AND place_id IS NULL;

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

-- Beside the row of each copy offsite. tag: the server's own word for the version. proof: how it was last proved:
-- 'server' (it refused what did not arrive as sent) or 'read' (read back). stored: bytes as they lie there, which
-- differ from the file's where it is encrypted; sealed: how, '' for not; blake3: of the bytes as they lie there
CREATE TABLE objects (
  copy_id INTEGER PRIMARY KEY REFERENCES copies,
  tag TEXT NOT NULL,
  proof TEXT NOT NULL CHECK (proof IN ('server', 'read')),
  stored INTEGER NOT NULL,
  sealed TEXT NOT NULL DEFAULT '',
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
  began_at INTEGER NOT NULL,
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
  asked_at INTEGER NOT NULL,
  habits TEXT NOT NULL
) STRICT;

CREATE TABLE names (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE
) STRICT;

CREATE VIRTUAL TABLE name_parts USING fts5(name, content='names', content_rowid='id', tokenize='trigram');

CREATE TABLE called (
  file_id INTEGER NOT NULL REFERENCES files,
  name ANY NOT NULL,
  PRIMARY KEY (file_id, name)
) STRICT, WITHOUT ROWID;
CREATE INDEX called_by_name ON called (name);
CREATE INDEX called_oddly ON called (file_id) WHERE typeof(name) = 'blob';
"""

_INTEGRITY_TRIGGERS = """
CREATE TRIGGER look_in AFTER INSERT ON looks BEGIN
  UPDATE forms SET files = files + 1 WHERE id = NEW.form_id;
END;

CREATE TRIGGER flaw_in AFTER INSERT ON flaws WHEN NEW.habit = 1 AND NEW.form_id IS NOT NULL BEGIN
  INSERT INTO habits (form_id, sign) SELECT NEW.form_id, NEW.sign
    WHERE NOT EXISTS (SELECT 1 FROM habits WHERE form_id = NEW.form_id AND sign = NEW.sign);
  UPDATE habits SET files = files + 1 WHERE form_id = NEW.form_id AND sign = NEW.sign;
END;

CREATE TRIGGER flaw_out AFTER DELETE ON flaws WHEN OLD.habit = 1 AND OLD.form_id IS NOT NULL BEGIN
  UPDATE habits SET files = files - 1 WHERE form_id = OLD.form_id AND sign = OLD.sign;
END;
"""

_SEARCH_TRIGGERS = """
CREATE TRIGGER name_new AFTER INSERT ON names BEGIN
  INSERT INTO name_parts (rowid, name) VALUES (NEW.id, NEW.name);
END;

CREATE TRIGGER name_of_file AFTER INSERT ON files WHEN typeof(NEW.name) = 'text' BEGIN
  INSERT INTO names (name) SELECT NEW.name WHERE NOT EXISTS (SELECT 1 FROM names WHERE name = NEW.name);
END;

CREATE TRIGGER name_of_copy AFTER INSERT ON copies

WHEN NEW.name <> (SELECT name FROM files WHERE id = NEW.file_id) BEGIN
  INSERT INTO called (file_id, name) SELECT NEW.file_id, NEW.name
    WHERE NOT EXISTS (SELECT 1 FROM called WHERE file_id = NEW.file_id AND name = NEW.name);
END;

CREATE TRIGGER name_of_copy_changed AFTER UPDATE OF name, file_id ON copies

WHEN NEW.name <> (SELECT name FROM files WHERE id = NEW.file_id) BEGIN
  INSERT INTO called (file_id, name) SELECT NEW.file_id, NEW.name
    WHERE NOT EXISTS (SELECT 1 FROM called WHERE file_id = NEW.file_id AND name = NEW.name);
END;

CREATE TRIGGER called_new AFTER INSERT ON called WHEN typeof(NEW.name) = 'text' BEGIN
  INSERT INTO names (name) SELECT NEW.name WHERE NOT EXISTS (SELECT 1 FROM names WHERE name = NEW.name);
END;
"""

ANNOTATIONS_SCRIPT = _TABLES + _INTEGRITY_TRIGGERS + _SEARCH_TRIGGERS
"""The statements that create these tables and their triggers."""
