"""0002: findings, the versions of companions, and contents that lie under several names.

Landed: never edited.
"""

from __future__ import annotations

_TABLES = """
CREATE TABLE findings (
  id INTEGER PRIMARY KEY,
  kind TEXT NOT NULL,
  place_id INTEGER NOT NULL REFERENCES places,
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
  evidence TEXT NOT NULL DEFAULT '{}'
) STRICT;
CREATE UNIQUE INDEX findings_open ON findings (place_id, path, kind) WHERE closed_at IS NULL;
CREATE INDEX findings_by_copy ON findings (copy_id) WHERE closed_at IS NULL;

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

-- Files that mean something under more than one name: equal sidecars of two pictures, empty files
CREATE TABLE twins (
  file_id INTEGER PRIMARY KEY REFERENCES files
) STRICT;
"""

_TWIN = """
  INSERT INTO twins (file_id) SELECT NEW.file_id WHERE NOT EXISTS (SELECT 1 FROM twins WHERE file_id = NEW.file_id)
    AND EXISTS (SELECT 1 FROM files WHERE id = NEW.file_id AND (kind IN ('companion', 'other') OR size = 0))
    AND EXISTS (SELECT 1 FROM copies c JOIN folders d ON d.id = c.folder_id JOIN folders n ON n.id = NEW.folder_id
      WHERE c.file_id = NEW.file_id AND c.id <> NEW.id AND c.state <> 'aside'
        AND (c.name <> NEW.name OR d.path <> n.path));
"""

_TRIGGERS = f"""
CREATE TRIGGER twin_in AFTER INSERT ON copies BEGIN
{_TWIN}
END;

CREATE TRIGGER twin_changed AFTER UPDATE OF file_id ON copies WHEN OLD.file_id <> NEW.file_id BEGIN
{_TWIN}
END;
"""

SCRIPT = _TABLES + _TRIGGERS
