"""The threads that send: each takes the next part there is, and goes on trying until it is through.

What is on its way at once is bounded by what the line carries in a second, and by one part, so that a cut line or
a kill costs no more. Small files go side by side, since on a slow line it is the answers that are waited for; a
large one goes part by part.
"""

from __future__ import annotations

import itertools
import queue
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import TypeVar

from tripleguard.catalog import offsite as rows
from tripleguard.catalog.store import Catalog
from tripleguard.clock import Clock
from tripleguard.digest import Hasher
from tripleguard.errors import (
    CopyTrouble,
    LineTrouble,
    NameTaken,
    NoAccess,
    OneStuck,
    PlaceFailed,
    SignInPage,
    Stopped,
    TripleguardError,
)
from tripleguard.names import shown
from tripleguard.places.bucket import Bucket
from tripleguard.work.cards.results import Crashed
from tripleguard.work.offsite.aiming import Aiming
from tripleguard.work.offsite.line import InFlight, Patience, Throttle, at_once
from tripleguard.work.offsite.parcels import Parcel, changed
from tripleguard.work.offsite.third_place import OpenOffsite, Sender

_SIGN_IN_TRIES = 3
_KEYS = 20
Answer = TypeVar("Answer")


@dataclass(frozen=True, slots=True)
class PartSent:
    """So many bytes of a parcel arrived."""

    size: int


@dataclass(frozen=True, slots=True)
class Sent:
    """A parcel lies under its key. tag: the server's word for it, '' if it gave none. arrived: proved by parts."""

    parcel: Parcel
    tag: str
    arrived: bool


@dataclass(frozen=True, slots=True)
class NotSent:
    """A parcel could not be sent. ends: nothing more can be sent now, for the same reason."""

    parcel: Parcel
    error: TripleguardError
    ends: bool


@dataclass(frozen=True, slots=True)
class Faltered:
    """The line failed and is tried again; for the count."""

    error: TripleguardError


SendResult = PartSent | Sent | NotSent | Faltered | Crashed


class Sending:
    """Sends parcels from a source of them with some threads; results come out of `results`.

    parcels is called by one thread at a time. The threads end when it is exhausted, or stop is called.
    """

    def __init__(
        self,
        offsite: OpenOffsite,
        parcels: Iterator[Parcel],
        catalog: Catalog,
        clock: Clock,
        throttle: Throttle,
        patience: Patience,
        threads: int,
        in_flight: int,
        stopped: Callable[[], bool],
    ) -> None:
        self.results: queue.Queue[SendResult] = queue.Queue()
        self.heard = time.monotonic()
        self._arrived = self.heard
        self._offsite = offsite
        self._parcels = parcels
        self._catalog = catalog
        self._clock = clock
        self._throttle = throttle
        self._patience = patience
        self._aiming = Aiming(offsite, catalog)
        self._ended = threading.Event()
        self._asked_to_stop = stopped
        self._in_flight = InFlight(lambda: at_once(throttle.measured(), in_flight), self._stopped)
        self._taking = threading.Lock()
        self._entering = threading.Lock()
        self._open: Parcel | None = None
        self._threads = [
            threading.Thread(target=self._edge, name=f"send-{number}", daemon=True) for number in range(threads)
        ]

    def start(self) -> None:
        for thread in self._threads:
            thread.start()

    @property
    def alive(self) -> bool:
        return any(thread.is_alive() for thread in self._threads)

    def stop(self) -> None:
        self._ended.set()

    def join(self) -> None:
        for thread in self._threads:
            thread.join()

    def _stopped(self) -> bool:
        return self._ended.is_set() or self._asked_to_stop()

    def _edge(self) -> None:
        sender = self._offsite.new_sender()
        try:
            while not self._stopped():
                work = self._next()
                if work is None:
                    break
                self._one(sender, *work)
        except Stopped:
            pass
        except BaseException as error:  # noqa: BLE001 - a thread's outer edge; the job raises it again
            self.stop()
            self.results.put(Crashed(error))
        finally:
            sender.close()

    def _next(self) -> tuple[Parcel, int] | None:
        """The next part there is to send; number 0 is a whole file."""
        with self._taking:
            while True:
                if self._open is not None:
                    number = self._next_part(self._open)
                    if number and self._is_wanted(self._open):
                        return self._open, number
                    self._open = None
                parcel = next(self._parcels, None)
                if parcel is None:
                    return None
                if parcel.source.parts == 1 or not self._in_parts():
                    return parcel, 0
                self._open = parcel

    def _in_parts(self) -> bool:
        return self._offsite.url.kind == "s3"

    def _next_part(self, parcel: Parcel) -> int:
        """The number of the next part that did not arrive yet; 0: there is none."""
        while not parcel.failed and parcel.next_part <= parcel.source.parts:
            number, parcel.next_part = parcel.next_part, parcel.next_part + 1
            if number not in parcel.done:
                return number
        return 0

    def _is_wanted(self, parcel: Parcel) -> bool:
        """Whether it is chosen still; else it goes no further."""
        with self._entering:
            wanted = rows.is_wanted(self._catalog, parcel.debt.wanted)
        if not wanted:
            self._gave_up(parcel, CopyTrouble("It was dropped from the selects while it was sent."), ends=False)
        return wanted

    def _one(self, sender: Sender, parcel: Parcel, number: int) -> None:
        try:
            if number == 0:
                self._whole(sender, parcel)
            else:
                assert isinstance(sender, Bucket)
                self._part(sender, parcel, number, self._size_of(parcel, number))
        except (SignInPage, NoAccess) as error:
            self._gave_up(parcel, error, ends=True)
        except LineTrouble as error:
            self._gave_up(parcel, error, ends=True)
        except PlaceFailed as error:
            self._gave_up(parcel, error, ends=not self._offsite.place.here())
        except CopyTrouble as error:
            self._gave_up(parcel, error, ends=False)
        except FileNotFoundError:
            self._forgotten(parcel)
        except OSError as error:
            trouble = PlaceFailed(f"The copy can't be read ({error.strerror or error}).")
            self._gave_up(parcel, trouble, ends=False)

    @staticmethod
    def _size_of(parcel: Parcel, number: int) -> int:
        source = parcel.source
        return min(source.part_bytes, source.size - (number - 1) * source.part_bytes)

    def _whole(self, sender: Sender, parcel: Parcel) -> None:
        self._aim(sender, parcel)
        source = parcel.source
        if parcel.found:
            self.results.put(Sent(parcel, "", arrived=False))
            return
        if isinstance(sender, Bucket):
            body = source.part(1)
            tag = self._settled(
                sender, parcel, lambda: sender.put(parcel.key, body, parcel.about, pace=self._throttle), len(body)
            )
        else:
            tag, mtime = "", source.mtime_ns
            self._patiently(
                lambda: sender.send(parcel.key, self._paced(parcel), source.size, mtime, parcel.about), source.size
            )
        self.results.put(PartSent(source.size))
        self.results.put(Sent(parcel, tag, arrived=self._offsite.proves and isinstance(sender, Bucket)))

    def _paced(self, parcel: Parcel) -> Iterator[bytes]:
        hasher = Hasher()
        for piece in parcel.source.pieces():
            if self._stopped():
                raise Stopped("Stopped in the middle of a file.", safe="What was sent before stays.")
            self._throttle(len(piece))
            hasher.update(piece)
            yield piece
        # Before it gets its name: a name means the whole and the right file.
        if hasher.file() != parcel.source.file:
            raise changed("The copy changed while it was sent")

    def _part(self, sender: Bucket, parcel: Parcel, number: int, size: int) -> None:
        with parcel.lock:
            if parcel.failed or parcel.found:
                return
            if not parcel.aimed:
                self._aim(sender, parcel)
                if parcel.found:
                    self.results.put(Sent(parcel, "", arrived=False))
                    return
                if not parcel.token:
                    self._begin(sender, parcel)
                self.results.put(PartSent(sum(self._size_of(parcel, done) for done in parcel.done)))
            is_done = number in parcel.done
        if not is_done:
            body, sha256 = parcel.source.part(number), parcel.source.sums[number - 1]
            tag = self._patiently(
                lambda: sender.put_part(parcel.key, parcel.token, number, body, self._throttle), size
            )
            with self._entering, self._catalog.writing():
                rows.part_sent(self._catalog, parcel.upload_id, number, tag, sha256)
            self.results.put(PartSent(size))
            parcel.done[number] = (tag, sha256)
        with parcel.lock:
            if len(parcel.done) < parcel.source.parts or parcel.finishing:
                return
            parcel.finishing = True
        if self._is_wanted(parcel):
            self._finish(sender, parcel)

    def _finish(self, sender: Bucket, parcel: Parcel) -> None:
        tag = self._settled(sender, parcel, lambda: sender.finish(parcel.key, parcel.token, parcel.done))
        with self._entering, self._catalog.writing():
            rows.upload_ended(self._catalog, parcel.upload_id)
        self.results.put(Sent(parcel, tag, arrived=self._offsite.proves))

    def _aim(self, sender: Sender, parcel: Parcel) -> None:
        """Choose the key, or go on where an earlier run was."""
        with self._entering:
            keys = list(itertools.islice(self._aiming.candidates(parcel), _KEYS))
        for key in keys:
            if isinstance(sender, Bucket) and self._is_resumed(sender, parcel, key):
                parcel.aimed = True
                return
            there = self._patiently(partial(self._aiming.lies_there, sender, parcel, key))
            if there is False:
                continue
            parcel.key, parcel.aimed, parcel.found = key, True, bool(there)
            return
        raise NameTaken(f"No key is free for {shown(parcel.debt.wanted.path)}.")

    def _is_resumed(self, sender: Bucket, parcel: Parcel, key: str) -> bool:
        with self._entering:
            try:
                if self._patiently(lambda: self._aiming.resume(sender, parcel, key)):
                    return True
            except FileNotFoundError:
                # Forgotten, or made an object by a run that did not live to hear of it.
                parcel.token = ""
                parcel.done.clear()
            self._aiming.forget_begun(sender, key, lambda ask: self._patiently(ask))
        return False

    def _settled(self, sender: Bucket, parcel: Parcel, ask: Callable[[], str], size: int = 0) -> str:
        """Ask for what makes the object; where the answer to an earlier try was lost, it is there already."""
        attempts = 0

        def once() -> str:
            nonlocal attempts
            attempts += 1
            try:
                return ask()
            except (NameTaken, FileNotFoundError):
                tag = self._ours(sender, parcel) if attempts > 1 else None
                if tag is None:
                    raise
                return tag

        return self._patiently(once, size)

    def _ours(self, sender: Bucket, parcel: Parcel) -> str | None:
        """The tag of what lies under the parcel's key, if that is this very parcel."""
        found = sender.head(parcel.key)
        if found is None or found.get("content-length") != str(parcel.source.size):
            return None
        return found.get("etag", "") if found.get("x-amz-meta-blake3") == parcel.about["blake3"] else None

    def _begin(self, sender: Bucket, parcel: Parcel) -> None:
        parcel.token = self._patiently(lambda: sender.begin(parcel.key, parcel.about))
        source = parcel.source
        with self._entering, self._catalog.writing():
            parcel.upload_id = rows.upload_begun(
                self._catalog,
                self._offsite.record.id,
                parcel.debt.known.id,
                parcel.key,
                parcel.token,
                source.part_bytes,
                source.file.digest,
                self._clock.now(),
            )

    def _patiently(self, ask: Callable[[], Answer], size: int = 0) -> Answer:
        """Ask until it is answered, waiting longer from failure to failure. Raises what ends it.

        size: bytes that are on their way while it is asked; while it waits, others may go.
        """
        failures, pages, began = 0, 0, time.monotonic()
        while True:
            try:
                answer = self._asked(ask, size)
            except NameTaken:
                raise
            except SignInPage as error:
                pages += 1
                if pages >= _SIGN_IN_TRIES:
                    raise
                failures += 1
                self._wait(failures, error)
            except LineTrouble as error:
                failures += 1
                quiet = time.monotonic() - self.heard
                if failures >= self._patience.tries or quiet > self._patience.without:
                    # Where others get through, it is not the line.
                    raise self._stuck(error, failures) if self._arrived > began else error from None
                self._wait(failures, error)
            else:
                self.heard = time.monotonic()
                return answer

    def _asked(self, ask: Callable[[], Answer], size: int) -> Answer:
        if size and not self._in_flight.take(size):
            raise Stopped("Stopped before it was sent.", safe="What was sent before stays.")
        try:
            answer = ask()
        finally:
            if size:
                self._in_flight.give_back(size)
        if size:
            self._arrived = time.monotonic()
        return answer

    @staticmethod
    def _stuck(error: LineTrouble, failures: int) -> OneStuck:
        return OneStuck(
            f"It did not get through in {failures} tries, though others did ({error.what})",
            safe="Nothing is lost.",
            do="Run `upload` again, on another network if it stays so.",
        )

    def _wait(self, failures: int, error: TripleguardError) -> None:
        self.results.put(Faltered(error))
        until = time.monotonic() + self._patience.wait(failures)
        while (left := until - time.monotonic()) > 0:
            if self._stopped():
                raise Stopped("Stopped while the line was down.", safe="What was sent before stays.")
            time.sleep(min(left, 0.2))

    def _forgotten(self, parcel: Parcel) -> None:
        """The server knows nothing of an upload any more: what was sent of it is lost, and it is begun anew."""
        with self._entering, self._catalog.writing():
            rows.upload_ended(self._catalog, parcel.upload_id)
        self._gave_up(
            parcel, LineTrouble("The server forgot the parts that it had; they are sent again."), ends=False
        )

    def _gave_up(self, parcel: Parcel, error: TripleguardError, *, ends: bool) -> None:
        with parcel.lock:
            if parcel.failed:
                return
            parcel.failed = True
        if ends:
            self.stop()
        self.results.put(NotSent(parcel, error, ends))
