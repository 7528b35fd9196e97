"""Finding files among millions: each name once, searchable by any part of it; and files by body and by rating.

Cameras use the same ten thousand names again and again, so there are far fewer names than files: the parts are
looked for among the names, and the files follow by `files_by_name`. A copy that is called otherwise than its file,
as in an archive made by hand, is one of few, and has a row of its own in `called`.

Landed: never edited.
"""

from __future__ import annotations

_NAME_IN = "INSERT INTO names (name) SELECT NEW.name WHERE NOT EXISTS (SELECT 1 FROM names WHERE name = NEW.name)"

_CALLED = """
WHEN NEW.name <> (SELECT name FROM files WHERE id = NEW.file_id) BEGIN
  INSERT INTO called (file_id, name) SELECT NEW.file_id, NEW.name
    WHERE NOT EXISTS (SELECT 1 FROM called WHERE file_id = NEW.file_id AND name = NEW.name);
END;
"""

SCRIPT = f"""
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

CREATE TRIGGER name_new AFTER INSERT ON names BEGIN
  INSERT INTO name_parts (rowid, name) VALUES (NEW.id, NEW.name);
END;

CREATE TRIGGER name_of_file AFTER INSERT ON files WHEN typeof(NEW.name) = 'text' BEGIN
  {_NAME_IN};
END;

CREATE TRIGGER name_of_copy AFTER INSERT ON copies
{_CALLED}
CREATE TRIGGER name_of_copy_changed AFTER UPDATE OF name, file_id ON copies
{_CALLED}
CREATE TRIGGER called_new AFTER INSERT ON called WHEN typeof(NEW.name) = 'text' BEGIN
  {_NAME_IN};
END;

INSERT INTO called (file_id, name) SELECT DISTINCT c.file_id, c.name FROM copies c JOIN files f ON f.id = c.file_id
  WHERE c.name <> f.name;
INSERT OR IGNORE INTO names (name) SELECT DISTINCT name FROM files WHERE typeof(name) = 'text';

CREATE INDEX files_of_odd_names ON files (id) WHERE typeof(name) = 'blob';
CREATE INDEX called_oddly ON called (file_id) WHERE typeof(name) = 'blob';
CREATE INDEX files_by_body ON files (body_id, captured_wall_ns) WHERE body_id IS NOT NULL;
CREATE INDEX ratings_by_rating ON ratings (rating);
"""
