"""What another body tells, where a body's own numbers are silent.

Numbers never show the card after the last one, nor one that was shot while the count was set back. But two bodies
shoot one show: where one of them is silent for half an hour and the other is not, one more card may have been in
it. That is worth a look and no more: people also put a camera down.

Clocks of two bodies are compared by UTC where both write their offset, and by wall time where not. A clock that
was moved in the middle is followed (`runs.moments_of`).
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from tripleguard.cameras.counter import Moved
from tripleguard.cameras.doubts import Doubt
from tripleguard.cameras.frames import Frame
from tripleguard.cameras.holes import Verdict, Where
from tripleguard.cameras.rows import Row
from tripleguard.cameras.runs import moments_of
from tripleguard.clock import SECOND

SILENT = 30
"""Minutes of a body's silence, while another one shoots, from which on it is worth a look."""

_MINUTE = 60 * SECOND
_REPLACED = 20 * _MINUTE
_FEW = 20


@dataclass(frozen=True, slots=True)
class _Times:
    """A row with the moments of its frames, by run and all in order."""

    row: Row
    runs: Sequence[Sequence[int]]
    all: Sequence[int]

    def between(self, since: int, until: int) -> int:
        """How many frames it took in that time."""
        return bisect_left(self.all, until) - bisect_left(self.all, since)


def pauses(rows: Sequence[Row]) -> Iterator[Doubt]:
    """Silences of bodies in which another one went on."""
    by_offset = all(frame.offset is not None for row in rows for frame in (row.first, row.last))
    timed = []
    for row in rows:
        runs = moments_of(row.runs, by_offset=by_offset)
        times = sorted(moment for run in runs for moment in run if moment)
        if times:
            timed.append(_Times(row, runs, times))
    for one in timed:
        others = [other for other in timed if other is not one]
        if not one.row.known.alone and one.row.frames >= _FEW:
            yield from _at_the_end(one, others)
            yield from _at_the_beginning(one, others)
            yield from _in_the_middle(one, others)


def asked_once(doubts: Iterable[Doubt]) -> list[Doubt]:
    """These doubts, but of all ends only that of the longest silence: whose last card it is, one question tells.

    That a body stops before the others is ordinary; how many cards the night had is what a person can answer.
    """
    found = list(doubts)
    ends = sorted((one for one in found if one.where is Where.END), key=lambda one: (-one.frames, one.body or 0))
    return [one for one in found if one.where is not Where.END] + ends[:1]


def _at_the_end(one: _Times, others: Sequence[_Times]) -> Iterator[Doubt]:
    last = one.all[-1]
    until = max((other.all[-1] for other in others), default=last)
    replaced = any(abs(other.all[0] - last) <= _REPLACED for other in others)
    if not replaced:
        yield from _looked_at(one, others, Where.END, last, until, one.row.last)


def _at_the_beginning(one: _Times, others: Sequence[_Times]) -> Iterator[Doubt]:
    """Only where the body's last number does not vouch for its first one now."""
    row, first = one.row, one.all[0]
    known = row.known.last
    if known is not None and row.counter.step(known, row.first).goes_on:
        return
    since = min((other.all[0] for other in others), default=first)
    replaces = any(abs(other.all[-1] - first) <= _REPLACED for other in others)
    if not replaces:
        yield from _looked_at(one, others, Where.BEGIN, since, first, row.first)


def _in_the_middle(one: _Times, others: Sequence[_Times]) -> Iterator[Doubt]:
    for at in range(1, len(one.runs)):
        if one.row.runs[at].began in (Moved.BACK, Moved.JUMPED):
            since, until = one.runs[at - 1][-1], one.runs[at][0]
            yield from _looked_at(one, others, Where.PAUSE, since, until, one.row.runs[at].frames[0])


def _looked_at(
    one: _Times, others: Sequence[_Times], where: Where, since: int, until: int, frame: Frame
) -> Iterator[Doubt]:
    minutes = (until - since) // _MINUTE
    usual = one.row.known.habit.of(where)
    if minutes < max(SILENT, usual + 10 if usual else 0):
        return
    if max((other.between(since, until) for other in others), default=0) < _FEW:
        return
    name, row = f"{frame.letters}{frame.number:04d}", one.row
    at = row.counter.position(frame)
    begins, ends = (frame.taken, None) if where is Where.END else (None, frame.taken)
    yield Doubt(where, Verdict.LOOK, row.body, row.known.label, minutes, name, name, at, at, begins, ends)
