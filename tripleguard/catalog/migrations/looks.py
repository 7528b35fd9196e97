"""0006: what a look into each original told, habits of cameras, and findings that are about a file and no copy.

Landed: never edited.
"""

from __future__ import annotations

_TABLES = """
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

_FINDINGS = """
CREATE TABLE findings_wider (
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
INSERT INTO findings_wider (id, kind, place_id, path, copy_id, file_id, shoot_id, since, seen_at, closed_at,
    closed_how, accepted_at, accepted_by, accepted_why, evidence)
  SELECT id, kind, place_id, path, copy_id, file_id, shoot_id, since, seen_at, closed_at,
    closed_how, accepted_at, accepted_by, accepted_why, evidence FROM findings;
DROP TABLE findings;
ALTER TABLE findings_wider RENAME TO findings;
CREATE UNIQUE INDEX findings_open ON findings (place_id, path, kind) WHERE closed_at IS NULL;
CREATE INDEX findings_by_copy ON findings (copy_id) WHERE closed_at IS NULL;
CREATE UNIQUE INDEX findings_of_file ON findings (file_id) WHERE closed_at IS NULL AND place_id IS NULL;
"""

SCRIPT = _TABLES + _FINDINGS
