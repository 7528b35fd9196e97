"""Putting right what a good copy can put right, without ever risking that copy.

The source is only read, and its digest is checked while it is. The new copy is written and flushed beside the bad
one; only then is the bad one moved aside, and the good one takes its name and is read back. Files with the fewest
good copies come first. Where no copy is good, everything is kept, and two bad copies are laid side by side to see
whether one whole file is left in them.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from tripleguard.catalog.findings import close_at
from tripleguard.errors import TripleguardError
from tripleguard.model import EventType, FindingKind, Outcome
from tripleguard.names import shown
from tripleguard.work.cards.copying import CopyResult, Read, Unread
from tripleguard.work.cards.from_copies import FromCopies
from tripleguard.work.cards.results import NotCopied, Proved
from tripleguard.work.kit import Kit, OpenDrive, Source
from tripleguard.work.mending.putting_back import put_back, why_not_back
from tripleguard.work.mending.wounds import LATER, Plan, Wound
from tripleguard.work.progress import Job, Moved, Progress

_PASSES = 3
_HEALED = tuple(kind for kind in FindingKind if kind is not FindingKind.MISPLACED)


@dataclass(frozen=True, slots=True)
class Mended:
    """One finding and what was done, or why nothing was."""

    kind: FindingKind
    place: str
    path: str
    how: str
    offsite: bool = False


@dataclass(frozen=True, slots=True)
class MendResult:
    """What a mend did, or with dry_run would do."""

    mended: tuple[Mended, ...]
    not_mended: tuple[Mended, ...]
    dry_run: bool
    troubles: tuple[TripleguardError, ...]
    seconds: float


def mend(
    kit: Kit,
    drives: Sequence[OpenDrive],
    sources: Sequence[Source] = (),
    refused: Sequence[TripleguardError] = (),
    *,
    dry_run: bool = False,
) -> Job[MendResult]:
    """Put right what is open and can be put right on the open and locked drives. Yields progress.

    sources: further drives that are only read from. refused: why drives that are connected can't be written to
    now; it is told with the rest. Raises Stopped, PlaceFailed (no drive left), CatalogTrouble.
    """
    began = time.monotonic()
    yield Moved("looking what is wrong", 0, 0, 0, 0, 0.0, None)
    if dry_run:
        mended, not_mended = _would(kit, drives, sources)
        return MendResult(mended, not_mended, True, tuple(refused), round(time.monotonic() - began, 3))
    run = _Mend(kit, drives, sources)
    run.troubles += refused
    yield from run.run()
    return MendResult(
        tuple(run.mended), tuple(run.not_mended()), False, tuple(run.troubles), round(time.monotonic() - began, 3)
    )


class _Mend(FromCopies):
    """One run, from the caller's thread."""

    def __init__(self, kit: Kit, drives: Sequence[OpenDrive], sources: Sequence[Source]) -> None:
        self._sources = sources
        self._plan = Plan(kit, drives, range(len(drives)), sources)
        wounds = [wound for wound in self._plan.wounds if wound.known is not None]
        total = sum(wound.known.file.size for wound in wounds if wound.known)
        super().__init__(kit, drives, "mend", len(wounds), total)
        self.mended: list[Mended] = []
        self._open = {wound.finding.id: wound for wound in self._plan.wounds}
        self._why: dict[int, str] = {}

    def run(self) -> Iterator[Progress]:
        """Names first, then copies, in passes: a bad source found in one is avoided in the next.

        What was made whole where it did not belong gets its own name back at the end.
        """
        try:
            self._put_back()
            for _ in range(_PASSES):
                yield from self.one_pass(self._plan.tasks, self._plan.decide)
                again = bool(self.take_again()) or self._plan.once_more
                self._plan.close()
                self._why |= self._plan.why_not
                self._plan = Plan(self.kit, self.drives, self.alive_lanes(), self._sources)
                if not again:
                    break
            self._put_back()
        except BaseException:
            with contextlib.suppress(TripleguardError):
                self.leave(with_snapshots=False)
                self._close(Outcome.FAILURE)
            raise
        finally:
            self._plan.close()
        self.give_up()
        self.leave(with_snapshots=True)
        self._close(Outcome.PARTIAL if self._open else Outcome.SUCCESS)

    def not_mended(self) -> Iterator[Mended]:
        """What is still open, and why."""
        why = self._plan.why_not | self._why
        for wound in self._open.values():
            drive = self.drives[wound.lane].record.name
            yield Mended(wound.finding.kind, drive, wound.finding.path, why.get(wound.finding.id, LATER))

    def enter(self, result: CopyResult) -> None:
        match result:
            case NotCopied(task, _, error) if task.heals is not None:
                self._why[task.heals.finding] = error.what
            case Unread(task, why) if task.heals is not None:
                self._why[task.heals.finding] = f"{shown(task.entry.path)}: {why}"
            case _:
                pass
        match result:
            case Read():
                self.files_done += 1
            case Proved(proof, lane, _, _):
                super().enter(result)
                self._healed(lane, proof.path)
            case _:
                super().enter(result)

    def _put_back(self) -> None:
        for wound in list(self._open.values()):
            if wound.finding.kind is FindingKind.MISPLACED:
                why = put_back(self.kit, self.drives[wound.lane], wound, self.recorder)
                if why is None:
                    self._done(wound, "moved back to its place")
                    self._why.pop(wound.finding.id, None)
                else:
                    self._why[wound.finding.id] = why

    def _healed(self, lane: int, path: str) -> None:
        """A copy at this path is proved now: what was open there is over, but for its place."""
        drive = self.drives[lane].record
        close_at(self.kit.catalog, drive.id, path, "mended from a good copy", self.kit.clock.now(), kinds=_HEALED)
        for wound in list(self._open.values()):
            if wound.lane == lane and wound.finding.path == path and wound.finding.kind in _HEALED:
                self.recorder.event(
                    EventType.RECOVERY, Outcome.SUCCESS, f"{shown(path)} was mended", place_id=drive.id
                )
                self._done(wound, "copied from a good copy and read back")

    def _done(self, wound: Wound, how: str) -> None:
        self._open.pop(wound.finding.id, None)
        name = self.drives[wound.lane].record.name
        self.mended.append(Mended(wound.finding.kind, name, wound.finding.path, how))

    def _close(self, outcome: Outcome) -> None:
        with self.kit.catalog.writing():
            self.end(outcome, {"mended": len(self.mended), "open": len(self._open)})


def _would(
    kit: Kit, drives: Sequence[OpenDrive], sources: Sequence[Source]
) -> tuple[tuple[Mended, ...], tuple[Mended, ...]]:
    """What a mend would do, and what it could not."""
    plan = Plan(kit, drives, range(len(drives)), sources)
    would: list[Mended] = []
    would_not: list[Mended] = []
    try:
        for wound in plan.wounds:
            finding, drive = wound.finding, drives[wound.lane]
            if finding.kind is FindingKind.MISPLACED:
                why, how = why_not_back(kit, drive, wound), "would be moved back to its place"
            else:
                can = plan.can(wound)
                why = None if can else plan.why_not.get(finding.id, LATER)
                how = "would be copied from a good copy"
            one = Mended(finding.kind, drive.record.name, finding.path, how if why is None else why)
            (would if why is None else would_not).append(one)
    finally:
        plan.close()
    return tuple(would), tuple(would_not)
