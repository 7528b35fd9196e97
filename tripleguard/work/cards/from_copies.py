"""What the jobs have in common whose sources are copies, and not a card: `topup` and `mend`.

A source that does not hold what was recorded makes nothing: another one is looked for, and a copy that read wrong
twice is called corrupt.
"""

from __future__ import annotations

from collections.abc import Sequence

from tripleguard.catalog import questions, shoots
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.store import Catalog
from tripleguard.errors import SourceDiffers
from tripleguard.model import EventType, File, Outcome
from tripleguard.names import shown
from tripleguard.work.cards.copying import CopyResult, Unread
from tripleguard.work.cards.placing import Placing
from tripleguard.work.cards.results import NotCopied, Task
from tripleguard.work.cards.run import CopyRun
from tripleguard.work.kit import Kit, OpenDrive, Source


class FromCopies(CopyRun):
    """One run of such a job. sources: drives that are only read from."""

    def __init__(
        self,
        kit: Kit,
        drives: Sequence[OpenDrive],
        kind: str,
        files: int,
        total_bytes: int,
        sources: Sequence[Source] = (),
    ) -> None:
        super().__init__(kit, drives, kind, "", files, total_bytes)
        self._read_from = (*drives, *sources)
        self._suspects: dict[int, Task] = {}

    def enter(self, result: CopyResult) -> None:
        match result:
            case Unread(task, why) if why != "stopped" and not self.kit.stop.is_set():
                self._bad_source(task, why)
            case NotCopied(task, _, error) if isinstance(error, SourceDiffers):
                self._bad_source(task, error.what)
            case _:
                super().enter(result)

    def line_for(self, result: CopyResult) -> str | None:
        if isinstance(result, NotCopied) and isinstance(result.error, SourceDiffers):
            return str(result.error)
        return super().line_for(result)

    def _bad_source(self, task: Task, why: str) -> None:
        """A copy that was to be a source is not good: look for another one; called inside one transaction.

        One bad reading may be the cable's; a second in a later pass, from a drive that answers, is believed.
        """
        if task.source is None:
            return
        self.try_again(task.entry, task.lanes)
        if self._suspects.setdefault(task.source, task) is task:
            return
        row = self.kit.catalog.row("SELECT place_id, shoot_id FROM copies WHERE id = ?", task.source)
        assert row is not None
        if not any(drive.record.id == row[0] and drive.place.here() for drive in self._read_from):
            return
        self.recorder.corrupt(task.source, why)
        self.recorder.event(
            EventType.FIXITY_CHECK,
            Outcome.FAILURE,
            f"{shown(task.entry.path)}: {why}",
            place_id=row[0],
            shoot_id=row[1],
        )


def placed_as(naming: Catalog, task: Task, file: File, path: str) -> KnownFile:
    """Give the task the placing of the copy at path, now that its source was read; what is known of the file.

    naming: the hasher's own catalog. Raises SourceDiffers if the source holds something else than was recorded.
    """
    if file != task.guess:
        raise SourceDiffers(
            f"{shown(task.entry.path)} does not hold what was recorded.",
            safe="Nothing was made from it, and it was left as it is.",
            do="Another copy is used if there is one; see `tripleguard report`.",
        )
    known = questions.file_with_digest(naming, file.digest)
    assert known is not None
    shoot = shoots.shoot_lying_at(naming, known, path)
    task.placing = Placing(known.kind, shoot.day, shoot.name, "", None, known.wall_ns, known.offset)
    return known
