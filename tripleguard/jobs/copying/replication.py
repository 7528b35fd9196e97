"""What topup and repair share: copying runs whose sources are copies and not a card.

A source that does not hold what was recorded is not used; another one is. A copy that was misread twice is
marked corrupt.
"""

from __future__ import annotations

from collections.abc import Sequence

from tripleguard.catalog import file_queries, shoots
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.store import Catalog
from tripleguard.errors import SourceMismatchError
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.copying.copy_tasks import CopyFailed, CopyTask
from tripleguard.jobs.copying.destination import Destination
from tripleguard.jobs.copying.engine import CopyResult, SourceReadFailed
from tripleguard.jobs.copying.run import CopyRun
from tripleguard.jobs.drives import CopySource, OpenDrive
from tripleguard.model import EventOutcome, EventType, File
from tripleguard.names import escape_text


class ReplicationRun(CopyRun):
    """One such run; `sources` are drives that are only read from."""

    def __init__(
        self,
        ctx: JobContext,
        drives: Sequence[OpenDrive],
        kind: str,
        files: int,
        total_bytes: int,
        sources: Sequence[CopySource] = (),
    ) -> None:
        super().__init__(ctx, drives, kind, "", files, total_bytes)
        self._sources_to_ask = (*drives, *sources)
        self._suspect_tasks: dict[int, CopyTask] = {}

    def record_result(self, result: CopyResult) -> None:
        match result:
            case SourceReadFailed(task, why) if why != "stopped" and not self.ctx.stop.is_set():
                self._record_bad_source(task, why)
            case CopyFailed(task, _, error) if isinstance(error, SourceMismatchError):
                self._record_bad_source(task, error.what)
            case _:
                super().record_result(result)

    def message_for(self, result: CopyResult) -> str | None:
        if isinstance(result, CopyFailed) and isinstance(result.error, SourceMismatchError):
            return str(result.error)
        return super().message_for(result)

    def _record_bad_source(self, task: CopyTask, reason: str) -> None:
        """Record that a source copy is bad, so that another one is used; call inside a transaction.

        The first bad reading may be the cable's fault; a second one in a later pass, from a drive that responds,
        counts.
        """
        if task.source_copy_id is None:
            return
        self.retry_later(task.entry, task.lanes)
        if self._suspect_tasks.setdefault(task.source_copy_id, task) is task:
            return
        source = file_queries.get_copy(self.ctx.catalog, task.source_copy_id)
        source_drives = (drive for drive in self._sources_to_ask if drive.record.id == source.place_id)
        if not any(drive.place.is_connected() for drive in source_drives):
            return
        self.recorder.mark_corrupt(task.source_copy_id, reason)
        self.recorder.add_job_event(
            EventType.FIXITY_CHECK,
            EventOutcome.FAILURE,
            f"{escape_text(task.entry.path)}: {reason}",
            place_id=source.place_id,
            shoot_id=source.shoot_id,
        )


def set_destination_from_copy(catalog: Catalog, task: CopyTask, file: File, path: str) -> KnownFile:
    """Give the task the destination of the recorded copy at `path`, and return the file's record.

    Args:
        catalog: The hasher's own connection.

    Raises:
        SourceMismatchError: The source does not hold what was recorded.
    """
    if file != task.expected_file:
        raise SourceMismatchError(
            f"{escape_text(task.entry.path)} does not hold what was recorded.",
            safe="Nothing was made from it, and it was left as it is.",
            do="Another copy is used if there is one; see `tripleguard report`.",
        )
    known = file_queries.find_file_by_digest(catalog, file.digest)
    assert known is not None
    shoot = shoots.get_shoot_at_path(catalog, known, path)
    task.destination = Destination(known.kind, shoot.day, shoot.name, "", None, known.wall_ns, known.offset)
    return known
