"""A drive that is about to be retired: its copies do not count any more, and are still read from.

Landed: never edited.
"""

from __future__ import annotations

from tripleguard.catalog.migrations.first import LIST_DUE, OPEN_COVERAGE, coverage_step

_COUNTED = "p.state IN ('active', 'shelved') AND p.leaving_since IS NULL"

_RECOUNT = f"""
  UPDATE files SET
    drive_copies = (SELECT count(DISTINCT c.place_id) FROM copies c JOIN places p ON p.id = c.place_id
      WHERE c.file_id = files.id AND c.state = 'present' AND c.verified_at IS NOT NULL
        AND p.kind = 'drive' AND {_COUNTED}),
    offsite_copies = (SELECT count(DISTINCT c.place_id) FROM copies c JOIN places p ON p.id = c.place_id
      WHERE c.file_id = files.id AND c.state = 'present' AND c.verified_at IS NOT NULL
        AND p.kind = 'offsite' AND {_COUNTED})
"""

SCRIPT = f"""
ALTER TABLE places ADD COLUMN leaving_since INTEGER;

DROP TRIGGER copy_in;
CREATE TRIGGER copy_in AFTER INSERT ON copies BEGIN
{OPEN_COVERAGE}{LIST_DUE}{coverage_step("NEW", "+")}{_RECOUNT} WHERE id = NEW.file_id;
END;

DROP TRIGGER copy_changed;
CREATE TRIGGER copy_changed AFTER UPDATE OF file_id, place_id, shoot_id, state, verified_at ON copies BEGIN
{OPEN_COVERAGE}{coverage_step("OLD", "-")}{coverage_step("NEW", "+")}
{_RECOUNT} WHERE id IN (OLD.file_id, NEW.file_id);
END;

DROP TRIGGER copy_out;
CREATE TRIGGER copy_out AFTER DELETE ON copies BEGIN
{coverage_step("OLD", "-")}{_RECOUNT} WHERE id = OLD.file_id;
END;

DROP TRIGGER place_changed;
CREATE TRIGGER place_changed AFTER UPDATE OF state, kind, leaving_since ON places
WHEN OLD.state <> NEW.state OR (OLD.leaving_since IS NULL) <> (NEW.leaving_since IS NULL) BEGIN
{_RECOUNT} WHERE id IN (SELECT file_id FROM copies WHERE place_id = NEW.id);
END;
"""
