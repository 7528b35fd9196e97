"""Counting the places of a file costs the same however many names its content has.

Landed: never edited.
"""

from __future__ import annotations

from tripleguard.catalog.migrations.first import LIST_DUE, OPEN_COVERAGE, coverage_step


def _places(kind: str) -> str:
    """On how many places of a kind a file has a copy that counts; each place is asked for one such copy only."""
    return f"""(SELECT count(*) FROM places p
      WHERE p.kind = '{kind}' AND p.state IN ('active', 'shelved') AND p.leaving_since IS NULL
        AND EXISTS (SELECT 1 FROM copies c WHERE c.file_id = files.id AND c.place_id = p.id
          AND c.state = 'present' AND c.verified_at IS NOT NULL))"""


_RECOUNT = f"""
  UPDATE files SET drive_copies = {_places("drive")}, offsite_copies = {_places("offsite")}
"""

SCRIPT = f"""
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
