"""Import what another program put into a folder: copy it to the drives like the files of a card.

Only stable files are copied; the folder is only read. A folder is never reformatted, so there is no clearance at
the end.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Sequence
from dataclasses import dataclass

from tripleguard.catalog.frame_counts import mark_folder_job
from tripleguard.errors import TripleguardError
from tripleguard.jobs.cards.offload import CardCopyRun, CardFileNote
from tripleguard.jobs.clearance.card_observation import CardObservation
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.progress import Job, Message, ProgressUpdate
from tripleguard.model import PlaceRecord
from tripleguard.places.base import SourceFolder


@dataclass(frozen=True, slots=True)
class ImportResult:
    """What an import did.

    Attributes:
        files: How many of the folder's files were to be copied.
        copied: How many of them a drive got now.
    """

    files: int
    copied: int
    not_copied: tuple[CardFileNote, ...]
    errors: tuple[TripleguardError, ...]
    seconds: float


def import_from_folder(
    ctx: JobContext,
    folder: SourceFolder,
    drives: Sequence[OpenDrive],
    unavailable: Sequence[tuple[PlaceRecord, TripleguardError]] = (),
) -> Job[ImportResult]:
    """Copy the folder's new files to the open and locked drives. Raises as `offload` does."""
    began = time.monotonic()
    yield ProgressUpdate("listing the folder", 0, 0, 0, 0, 0.0, None)
    with contextlib.closing(CardObservation(folder)) as observation:
        run = CardCopyRun(ctx, observation, drives, None)
        with ctx.catalog.transaction():
            mark_folder_job(ctx.catalog, run.job_id)
        for record, error in unavailable:
            run.errors.append(error)
            yield Message(f"Drive {record.name} is left out: {error.what}")
        yield from run.run()
    return ImportResult(
        files=run.totals.files,
        copied=len(run.copied),
        not_copied=run.list_not_copied(),
        errors=tuple(run.errors),
        seconds=round(time.monotonic() - began, 3),
    )
