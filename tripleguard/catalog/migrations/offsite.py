"""0008: what is known of objects offsite, uploads that are not finished, and what servers were seen to check.

Landed: never edited.
"""

from __future__ import annotations

SCRIPT = """
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
"""
