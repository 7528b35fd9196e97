"""What was read off a card or a folder before."""

from __future__ import annotations

from tripleguard.catalog.store import Catalog
from tripleguard.catalog.text import joined_path, to_db


def taken_from(catalog: Catalog, subject: str) -> dict[str, tuple[int, int]]:
    """Paths below a source that were read and have a copy on some drive: path to size and mtime (ns) as read."""
    rows = catalog.each(
        "SELECT r.folder, r.name, r.size, r.mtime_ns FROM jobs j JOIN card_files r ON r.job_id = j.id"
        " WHERE j.kind = 'offload' AND j.subject = ? AND EXISTS"
        " (SELECT 1 FROM copies c WHERE c.file_id = r.file_id AND c.state = 'present') ORDER BY r.id",
        to_db(subject),
    )
    return {joined_path(folder, name): (size, mtime) for folder, name, size, mtime in rows}
