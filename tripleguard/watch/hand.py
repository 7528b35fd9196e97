"""The one who does the work: an errand at a time, each in a thread of its own with its own catalog connection.

A fresh thread for each, so that a rescan that makes itself gentle leaves no trace on the next card.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Generator
from dataclasses import replace

from tripleguard.errors import PlaceBusy, Stopped, TripleguardError
from tripleguard.watch.errand import Ended, Errand, Outcome
from tripleguard.watch.heart import Pulse
from tripleguard.work.kit import Kit
from tripleguard.work.progress import Job, Moved, Progress, Said

_MOST = 3600.0
"""Seconds without any sign of progress that are allowed: one file of a video may take half an hour."""


class Hand:
    """Does errands. said gets the lines a job says, ended the end of each errand; both from the hand's thread."""

    def __init__(
        self,
        kit: Kit,
        job_for: Callable[[Kit, Errand], Job[Ended]],
        said: Callable[[Errand, str], None],
        ended: Callable[[Ended, BaseException | None], None],
    ) -> None:
        self._kit = kit
        self._job_for = job_for
        self._said = said
        self._ended = ended
        self._thread: threading.Thread | None = None
        self._stop = threading.Event()
        self.errand: Errand | None = None
        self.since = 0
        self.moved: Moved | None = None
        self.pulse = Pulse("The work", _MOST)

    def start(self, errand: Errand) -> None:
        """Begin an errand; nothing else is in hand."""
        if self.errand is not None:
            raise AssertionError("one errand at a time")
        self._stop = threading.Event()
        self.errand, self.since, self.moved = errand, self._kit.clock.now(), None
        self._thread = threading.Thread(
            target=self._edge, args=(errand, self._stop), name=f"hand-{errand.what}", daemon=True
        )
        self.pulse.busy()
        self._thread.start()

    def stop(self) -> None:
        """Ask the errand in hand to end soon and in good order."""
        self._stop.set()

    @property
    def stopping(self) -> bool:
        return self._stop.is_set()

    def put_down(self) -> None:
        """The end of the errand was taken note of."""
        self.errand = self.moved = None
        self.pulse.idle()

    def wait(self, seconds: float) -> bool:
        """Wait for the end of the errand; whether there is none any more."""
        if self._thread is None:
            return True
        self._thread.join(seconds)
        return not self._thread.is_alive()

    def _edge(self, errand: Errand, stop: threading.Event) -> None:
        error: BaseException | None = None
        try:
            ended = self._done(errand, stop)
        except Stopped as end:
            ended = Ended(errand, Outcome.STOPPED, end.what)
        except PlaceBusy as busy:
            ended = Ended(errand, Outcome.WAITS, busy.what)
        except TripleguardError as trouble:
            ended = Ended(errand, Outcome.FAILED, str(trouble), str(trouble))
        except BaseException as unforeseen:  # noqa: BLE001 - a thread's outer edge; it is logged with its trace
            error = unforeseen
            words = f"something happened that nobody foresaw: {type(unforeseen).__name__}: {unforeseen}"
            ended = Ended(errand, Outcome.FAILED, words, f"{errand.what}: {words}")
        self._ended(ended, error)

    def _done(self, errand: Errand, stop: threading.Event) -> Ended:
        catalog = self._kit.catalog.reopened()
        kit = replace(self._kit, catalog=catalog, stop=stop, notices=[])
        try:
            job = self._job_for(kit, errand)
            return _run(job, lambda progress: self._note(errand, progress))
        finally:
            for notice in kit.notices:
                self._said(errand, f"Caution: {notice}")
            catalog.close()

    def _note(self, errand: Errand, progress: Progress) -> None:
        self.pulse.busy()
        if isinstance(progress, Said):
            self._said(errand, progress.line)
        else:
            self.moved = progress


def _run(job: Generator[Progress, None, Ended], note: Callable[[Progress], None]) -> Ended:
    try:
        while True:
            note(next(job))
    except StopIteration as end:
        ended: Ended = end.value
        return ended
    finally:
        job.close()
