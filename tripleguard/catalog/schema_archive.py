"""Tables of the archive: places, shoots, files, copies, jobs, events and clearances, with the counts over them.

Triggers keep the counts, whoever writes: on how many drives each file has a good copy, what each shoot has on
each place, how many files of a shoot are under-replicated, and which check lists are stale. So a query costs the
same at ten thousand files and at ten million.
"""

from __future__ import annotations

_TABLES = """
CREATE TABLE meta (
  key TEXT PRIMARY KEY,
  value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE places (
  id INTEGER PRIMARY KEY,
  uid TEXT NOT NULL UNIQUE,
  name TEXT NOT NULL UNIQUE COLLATE NOCASE,
  kind TEXT NOT NULL CHECK (kind IN ('drive', 'offsite')),
  role TEXT NOT NULL CHECK (role IN ('road', 'shelf')),
  state TEXT NOT NULL CHECK (state IN ('active', 'shelved', 'lost', 'retired')),
  added_at INTEGER NOT NULL,
  last_seen_at INTEGER,
  last_path ANY,
  identity TEXT,
  retiring_since INTEGER,
  note TEXT NOT NULL DEFAULT '',
  free INTEGER,
  total INTEGER,
  space_at INTEGER
) STRICT;

CREATE TABLE shoots (
  id INTEGER PRIMARY KEY,
  day TEXT NOT NULL CHECK (day GLOB '[12][0-9][0-9][0-9]-[01][0-9]-[0-3][0-9]'),
  name TEXT NOT NULL COLLATE NOCASE,
  created_at INTEGER NOT NULL,
  files INTEGER NOT NULL DEFAULT 0,
  bytes INTEGER NOT NULL DEFAULT 0,
  under_replicated INTEGER NOT NULL DEFAULT 0,
  UNIQUE (day, name)
) STRICT;

CREATE TABLE bodies (
  id INTEGER PRIMARY KEY,
  label TEXT NOT NULL UNIQUE,
  make TEXT NOT NULL,
  model TEXT NOT NULL,
  serial TEXT NOT NULL,
  UNIQUE (make, model, serial)
) STRICT;

CREATE TABLE files (
  id INTEGER PRIMARY KEY,
  digest BLOB NOT NULL UNIQUE CHECK (length(digest) = 32),
  size INTEGER NOT NULL CHECK (size >= 0),
  name ANY NOT NULL,
  kind TEXT NOT NULL,
  shoot_id INTEGER NOT NULL REFERENCES shoots,
  body_id INTEGER REFERENCES bodies,
  captured_wall_ns INTEGER,
  captured_offset INTEGER,
  sample BLOB,
  first_seen_at INTEGER NOT NULL,
  required_copies INTEGER NOT NULL,
  drive_copies INTEGER NOT NULL DEFAULT 0,
  offsite_copies INTEGER NOT NULL DEFAULT 0,
  -- BLAKE3 of nothing: a file that holds bytes can never have it
  CHECK ((digest = x'af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262') = (size = 0))
) STRICT;
CREATE INDEX files_by_name ON files (name COLLATE NOCASE, size);
CREATE INDEX files_named_not_text ON files (id) WHERE typeof(name) = 'blob';
CREATE INDEX files_by_body ON files (body_id, captured_wall_ns) WHERE body_id IS NOT NULL;
CREATE INDEX files_by_shoot ON files (shoot_id);
CREATE INDEX files_by_capture ON files (captured_wall_ns) WHERE captured_wall_ns IS NOT NULL;
CREATE INDEX files_under_replicated ON files (drive_copies, first_seen_at) WHERE drive_copies < required_copies;

CREATE TABLE folders (
  id INTEGER PRIMARY KEY,
  place_id INTEGER NOT NULL REFERENCES places,
  path ANY NOT NULL,
  UNIQUE (place_id, path)
) STRICT;

CREATE TABLE copies (
  id INTEGER PRIMARY KEY,
  file_id INTEGER NOT NULL REFERENCES files,
  place_id INTEGER NOT NULL REFERENCES places,
  folder_id INTEGER NOT NULL REFERENCES folders,
  name ANY NOT NULL,
  shoot_id INTEGER NOT NULL REFERENCES shoots,
  mtime_ns INTEGER NOT NULL,
  state TEXT NOT NULL CHECK (state IN ('present', 'missing', 'corrupt', 'altered', 'quarantined')),
  state_since INTEGER NOT NULL,
  written_at INTEGER,
  verified_at INTEGER,
  medium TEXT CHECK (medium IN ('direct', 'dropped', 'cached')),
  -- When a reading through the cache had to come from the device. It describes the copy while it is the latest
  -- evidence; `medium` is 'dropped' then
  remounted_at INTEGER,
  -- The insertion of the drive in which the bytes last went through the system's cache
  cached_insertion TEXT,
  -- What an earlier catalog said; counts for nothing until this catalog has read the copy
  inherited_at INTEGER,
  listed_at INTEGER,
  -- The change time that the file system gave right before the copy was last read back; NULL: not known
  verified_ctime_ns INTEGER,
  UNIQUE (folder_id, name),
  CHECK ((verified_at IS NULL) = (medium IS NULL))
) STRICT;
CREATE INDEX copies_by_file ON copies (file_id, place_id);
CREATE INDEX copies_due ON copies (place_id, verified_at) WHERE state = 'present';
CREATE INDEX copies_cached ON copies (place_id) WHERE state = 'present' AND medium = 'cached';
CREATE INDEX copies_quarantined ON copies (place_id) WHERE state = 'quarantined';
CREATE INDEX copies_bad ON copies (state, place_id) WHERE state IN ('missing', 'corrupt', 'altered');

CREATE TABLE coverage (
  shoot_id INTEGER NOT NULL REFERENCES shoots,
  place_id INTEGER NOT NULL REFERENCES places,
  copies INTEGER NOT NULL DEFAULT 0,
  bytes INTEGER NOT NULL DEFAULT 0,
  good INTEGER NOT NULL DEFAULT 0,
  good_bytes INTEGER NOT NULL DEFAULT 0,
  PRIMARY KEY (shoot_id, place_id)
) STRICT, WITHOUT ROWID;
CREATE INDEX coverage_by_place ON coverage (place_id);

CREATE TABLE stale_checklists (
  place_id INTEGER NOT NULL REFERENCES places,
  shoot_id INTEGER NOT NULL REFERENCES shoots,
  PRIMARY KEY (place_id, shoot_id)
) STRICT, WITHOUT ROWID;

CREATE TABLE jobs (
  id INTEGER PRIMARY KEY,
  kind TEXT NOT NULL,
  subject ANY,
  insertion TEXT,
  agent TEXT NOT NULL,
  started_at INTEGER NOT NULL,
  ended_at INTEGER,
  outcome TEXT,
  detail TEXT NOT NULL DEFAULT '{}'
) STRICT;
CREATE INDEX jobs_by_start ON jobs (started_at);

CREATE TABLE events (
  id INTEGER PRIMARY KEY,
  at INTEGER NOT NULL,
  type TEXT NOT NULL,
  outcome TEXT NOT NULL CHECK (outcome IN ('success', 'partial', 'failure')),
  job_id INTEGER REFERENCES jobs,
  place_id INTEGER REFERENCES places,
  shoot_id INTEGER REFERENCES shoots,
  file_id INTEGER REFERENCES files,
  message TEXT NOT NULL,
  detail TEXT NOT NULL DEFAULT '{}'
) STRICT;
CREATE INDEX events_by_time ON events (at);
CREATE INDEX events_by_shoot ON events (shoot_id, at) WHERE shoot_id IS NOT NULL;
CREATE INDEX events_by_file ON events (file_id, at) WHERE file_id IS NOT NULL;

CREATE TABLE card_files (
  id INTEGER PRIMARY KEY,
  job_id INTEGER NOT NULL REFERENCES jobs,
  folder ANY NOT NULL,
  name ANY NOT NULL,
  size INTEGER NOT NULL,
  mtime_ns INTEGER NOT NULL,
  ctime_ns INTEGER NOT NULL DEFAULT 0,
  file_id INTEGER NOT NULL REFERENCES files,
  read_at INTEGER NOT NULL,
  UNIQUE (job_id, folder, name)
) STRICT;
CREATE INDEX card_files_by_name ON card_files (name, size);
CREATE INDEX card_files_by_file ON card_files (file_id);

CREATE TABLE clearances (
  id INTEGER PRIMARY KEY,
  at INTEGER NOT NULL,
  subject_kind TEXT NOT NULL CHECK (subject_kind IN ('card', 'drive')),
  subject ANY NOT NULL,
  agent TEXT NOT NULL,
  answer INTEGER NOT NULL CHECK (answer IN (0, 1)),
  files INTEGER NOT NULL,
  bytes INTEGER NOT NULL,
  covered INTEGER NOT NULL,
  list_digest BLOB NOT NULL,
  detail TEXT NOT NULL
) STRICT;

-- Files that are needed under more than one name: equal sidecars of two pictures, empty files
CREATE TABLE shared_files (
  file_id INTEGER PRIMARY KEY REFERENCES files
) STRICT;

-- One row each time a job is about to change evidence, or has changed it
CREATE TABLE generations (
  number INTEGER PRIMARY KEY,
  token TEXT NOT NULL UNIQUE CHECK (length(token) = 32),
  at INTEGER NOT NULL
) STRICT;

CREATE TABLE drives_given_yes (
  place_id INTEGER PRIMARY KEY REFERENCES places,
  at INTEGER NOT NULL
) STRICT;
"""


def build_good_copy_condition(row: str) -> str:
    """Return the SQL condition that a row of `copies` is a good copy, as `rules.is_good_copy` has it.

    Only the view `good_copies` and the triggers, which also count rows that are no longer in the table, use it.
    """
    return f"{row}.state = 'present' AND {row}.verified_at IS NOT NULL"


_VIEWS = f"""
-- Copies that are present and were read back by this catalog, wherever and whenever
CREATE VIEW good_copies AS SELECT c.* FROM copies c WHERE {build_good_copy_condition("c")};

-- Copies that are present and were never read back by this catalog
CREATE VIEW unverified_copies AS SELECT c.* FROM copies c WHERE c.state = 'present' AND c.verified_at IS NULL;

-- Places whose good copies count
CREATE VIEW places_in_service AS SELECT p.* FROM places p
  WHERE p.state IN ('active', 'shelved') AND p.retiring_since IS NULL;
"""


def _count_places(kind: str) -> str:
    """Return the number of places of a kind where a file has a good copy.

    Each place is asked for one such copy, so that the count costs the same however many names a content has.
    """
    return f"""(SELECT count(*) FROM places_in_service p WHERE p.kind = '{kind}'
      AND EXISTS (SELECT 1 FROM good_copies c WHERE c.file_id = files.id AND c.place_id = p.id))"""


_RECOUNT = f"""
  UPDATE files SET drive_copies = {_count_places("drive")}, offsite_copies = {_count_places("offsite")}
"""


def _count_coverage(row: str, sign: str) -> str:
    """Add (`+`) or take away (`-`) one row of `copies` (`NEW` or `OLD`) in the coverage of its shoot and place."""
    size = f"(SELECT size FROM files WHERE id = {row}.file_id)"
    present = f"({row}.state = 'present')"
    good = f"({build_good_copy_condition(row)})"
    return f"""
  UPDATE coverage SET
    copies = copies {sign} {present}, bytes = bytes {sign} {present} * {size},
    good = good {sign} {good}, good_bytes = good_bytes {sign} {good} * {size}
  WHERE shoot_id = {row}.shoot_id AND place_id = {row}.place_id;
"""


_ADD_COVERAGE = """
  INSERT INTO coverage (shoot_id, place_id) SELECT NEW.shoot_id, NEW.place_id
    WHERE NOT EXISTS (SELECT 1 FROM coverage WHERE shoot_id = NEW.shoot_id AND place_id = NEW.place_id);
"""

_MARK_CHECKLIST_STALE = """
  INSERT INTO stale_checklists (place_id, shoot_id) SELECT NEW.place_id, NEW.shoot_id
    WHERE NOT EXISTS (SELECT 1 FROM stale_checklists WHERE place_id = NEW.place_id AND shoot_id = NEW.shoot_id);
"""

_MARK_SHARED = """
  INSERT INTO shared_files (file_id) SELECT NEW.file_id
    WHERE NOT EXISTS (SELECT 1 FROM shared_files WHERE file_id = NEW.file_id)
    AND EXISTS (SELECT 1 FROM files WHERE id = NEW.file_id AND (kind IN ('companion', 'other') OR size = 0))
    AND EXISTS (SELECT 1 FROM copies c JOIN folders d ON d.id = c.folder_id JOIN folders n ON n.id = NEW.folder_id
      WHERE c.file_id = NEW.file_id AND c.id <> NEW.id AND c.state <> 'quarantined'
        AND (c.name <> NEW.name OR d.path <> n.path));
"""

_TRIGGERS = f"""
CREATE TRIGGER copy_added AFTER INSERT ON copies BEGIN
{_ADD_COVERAGE}{_MARK_CHECKLIST_STALE}{_count_coverage("NEW", "+")}{_RECOUNT} WHERE id = NEW.file_id;
{_MARK_SHARED}
END;

CREATE TRIGGER copy_moved AFTER UPDATE OF file_id, folder_id, name, shoot_id ON copies
WHEN OLD.file_id <> NEW.file_id OR OLD.folder_id <> NEW.folder_id OR OLD.name <> NEW.name
  OR OLD.shoot_id <> NEW.shoot_id BEGIN
{_MARK_CHECKLIST_STALE}
END;

CREATE TRIGGER copy_changed AFTER UPDATE OF file_id, place_id, shoot_id, state, verified_at ON copies BEGIN
{_ADD_COVERAGE}{_count_coverage("OLD", "-")}{_count_coverage("NEW", "+")}
{_RECOUNT} WHERE id IN (OLD.file_id, NEW.file_id);
END;

CREATE TRIGGER copy_content_changed AFTER UPDATE OF file_id ON copies WHEN OLD.file_id <> NEW.file_id BEGIN
{_MARK_SHARED}
END;

CREATE TRIGGER copy_removed AFTER DELETE ON copies BEGIN
{_count_coverage("OLD", "-")}{_RECOUNT} WHERE id = OLD.file_id;
END;

CREATE TRIGGER place_changed AFTER UPDATE OF state, kind, retiring_since ON places
WHEN OLD.state <> NEW.state OR (OLD.retiring_since IS NULL) <> (NEW.retiring_since IS NULL) BEGIN
{_RECOUNT} WHERE id IN (SELECT file_id FROM copies WHERE place_id = NEW.id);
END;

CREATE TRIGGER file_added AFTER INSERT ON files BEGIN
  UPDATE shoots SET files = files + 1, bytes = bytes + NEW.size,
    under_replicated = under_replicated + (NEW.drive_copies < NEW.required_copies)
  WHERE id = NEW.shoot_id;
END;

CREATE TRIGGER file_changed AFTER UPDATE OF shoot_id, size, required_copies, drive_copies ON files
WHEN OLD.shoot_id <> NEW.shoot_id OR OLD.size <> NEW.size
  OR (OLD.drive_copies < OLD.required_copies) <> (NEW.drive_copies < NEW.required_copies) BEGIN
  UPDATE shoots SET files = files - 1, bytes = bytes - OLD.size,
    under_replicated = under_replicated - (OLD.drive_copies < OLD.required_copies)
  WHERE id = OLD.shoot_id;
  UPDATE shoots SET files = files + 1, bytes = bytes + NEW.size,
    under_replicated = under_replicated + (NEW.drive_copies < NEW.required_copies)
  WHERE id = NEW.shoot_id;
END;

CREATE TRIGGER events_not_changed BEFORE UPDATE ON events
BEGIN SELECT RAISE(ABORT, 'events are append-only'); END;
CREATE TRIGGER events_not_removed BEFORE DELETE ON events
BEGIN SELECT RAISE(ABORT, 'events are append-only'); END;
CREATE TRIGGER clearances_not_changed BEFORE UPDATE ON clearances
BEGIN SELECT RAISE(ABORT, 'clearances are append-only'); END;
CREATE TRIGGER clearances_not_removed BEFORE DELETE ON clearances
BEGIN SELECT RAISE(ABORT, 'clearances are append-only'); END;
"""

ARCHIVE_SCRIPT = _TABLES + _VIEWS + _TRIGGERS
"""The statements that create these tables, their views and triggers."""
