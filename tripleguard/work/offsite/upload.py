"""Sending what is owed offsite, and proving it there.

The oldest day's debt goes first, in it the highest rating. A file that lies under its key is believed only once it
is proved: the server refused what did not arrive as it was sent, or the object was read back. Stop it at any time,
by the person or by the line: at most one part is sent again.
"""

from __future__ import annotations

import contextlib
import queue
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from tripleguard.catalog import offsite as rows
from tripleguard.catalog.journal import add_event, begin_job, end_job
from tripleguard.errors import CopyTrouble, PlaceTrouble, Stopped, TripleguardError
from tripleguard.model import EventType, Outcome
from tripleguard.names import shown
from tripleguard.places.bucket import Bucket
from tripleguard.work.budget import Budget
from tripleguard.work.cards.results import Crashed
from tripleguard.work.frames import follow_selects
from tripleguard.work.kit import Kit, OpenDrive, agent
from tripleguard.work.offsite.leaving_offsite import leave_offsite
from tripleguard.work.offsite.line import Patience, Throttle, is_open
from tripleguard.work.offsite.packing import Packing
from tripleguard.work.offsite.proving import Proof, enter_proof, prove_sent
from tripleguard.work.offsite.rescan_offsite import rescan_offsite
from tripleguard.work.offsite.sending import Faltered, NotSent, PartSent, Sending, Sent
from tripleguard.work.offsite.third_place import OpenOffsite
from tripleguard.work.progress import Job, Moved, Progress, Said

_TICK = 0.1
_PASSES = 3
_SAID_AT_MOST = 20


@dataclass(slots=True)
class UploadResult:
    """What an upload did.

    wanted: whether anything is chosen at all. sent, sent_bytes: files and their bytes that are proved offsite now.
    line_bytes: what went over the line for them. listed: what lies there was listed in this run. read_back: how
    much of it was read back there, and when. faltered: how often the line failed. still_owed: files. not_sent:
    (path, why). waits: why nothing more is sent now, '' if all was. rate: bytes/s while sending.
    """

    place: str
    wanted: bool = True
    sent: int = 0
    sent_bytes: int = 0
    line_bytes: int = 0
    faltered: int = 0
    still_owed: int = 0
    still_owed_bytes: int = 0
    surplus: int = 0
    surplus_bytes: int = 0
    listed: bool = False
    read_back: rows.ReadBack = field(default_factory=rows.ReadBack)
    rate: float = 0.0
    seconds: float = 0.0
    waits: str = ""
    not_sent: list[tuple[str, str]] = field(default_factory=list)
    troubles: list[TripleguardError] = field(default_factory=list)


def upload(
    kit: Kit,
    drives: Sequence[OpenDrive],
    offsite: OpenOffsite,
    budget: Budget,
    *,
    even_metered: bool = False,
    patience: Patience | None = None,
) -> Job[UploadResult]:
    """Send what is owed to the open place from the open drives, within the budget. Yields progress.

    Raises CatalogTrouble. A stop by the person ends it in good order.
    """
    run = _Upload(kit, drives, offsite, budget, patience or Patience())
    why = f"{why}, so nothing was sent." if (why := not_now(kit, even_metered)) else ""
    if why:
        run.result.waits = why
        yield Said(why)
    else:
        yield from run.run()
    return run.finished()


def not_now(kit: Kit, even_metered: bool = False) -> str:
    """Why the line to the offsite place is not to be used now, by the settings; '' if it may be."""
    settings = kit.settings.offsite
    if settings.metered and not even_metered:
        return "This connection is paid by the byte (offsite.metered in the settings)"
    if not is_open(settings.window, datetime.fromtimestamp(kit.clock.now() / 1e9, kit.clock.zone()).time()):
        return f"It is not the time for it (offsite.hours in the settings: {settings.hours})"
    return ""


class _Upload:
    """One run, from the caller's thread."""

    def __init__(
        self, kit: Kit, drives: Sequence[OpenDrive], offsite: OpenOffsite, budget: Budget, patience: Patience
    ) -> None:
        self._kit, self._drives, self._offsite = kit, drives, offsite
        self._budget, self._patience = budget, patience
        self._began = time.monotonic()
        self._throttle = Throttle(budget.rate or kit.settings.offsite.limit_bytes, kit.stop.is_set)
        self._done_bytes = 0
        self._files = 0
        self._of_files = 0
        self._of_bytes = 0
        self._said = 0
        self._refused_keys: dict[int, set[str]] = {}
        self.result = UploadResult(offsite.record.name)
        with kit.catalog.writing():
            follow_selects(kit.catalog)
            self._job = begin_job(kit.catalog, "upload", offsite.record.name, agent(), kit.clock.now())

    def run(self) -> Iterator[Progress]:
        """Passes until nothing more can be done: what failed for itself in one is tried once more in the next.

        What lies there and is in doubt is read back first, within the budget for that: it need not be sent again.
        When nothing is owed any more what lies there is listed, so that what vanished since is sent again.
        """
        if any(debt.lies_there for debt in self._owed()):
            yield from self._look()
        yield from self._send_all()
        if not self._owed() and not self._kit.stop.is_set():
            yield from self._look()
            if self._owed() and not self._must_end():
                yield from self._send_all()
        if self._kit.stop.is_set():
            return
        yield from self._leave()

    def _owed(self) -> list[rows.Debt]:
        return rows.owed_offsite(self._kit.catalog, self._offsite.record.id)

    def _look(self) -> Iterator[Progress]:
        """List what lies there; what is in doubt is read back."""
        try:
            yield from rescan_offsite(self._kit, self._offsite, "quick", self._budget, strays=False)
            self.result.listed = True
        except (CopyTrouble, PlaceTrouble) as error:
            self.result.listed = False
            self.result.troubles.append(error)

    def _send_all(self) -> Iterator[Progress]:
        debts = self._owed()
        self._of_files, self._of_bytes = len(debts), sum(debt.known.file.size for debt in debts)
        usual = rows.last_rate(self._kit.catalog) or 0.0
        yield Moved("upload", 0, self._of_files, 0, self._of_bytes, usual, self._left(usual))
        for _ in range(_PASSES):
            self.result.not_sent.clear()
            ended = yield from self._one_pass()
            if ended or not self.result.not_sent or self._must_end():
                break

    def finished(self) -> UploadResult:
        """What was done; entered into the catalog."""
        result, catalog = self.result, self._kit.catalog
        standing = rows.standing(catalog, self._offsite.record.id)
        result.wanted = catalog.row("SELECT 1 FROM wanted_offsite LIMIT 1") is not None
        result.still_owed, result.still_owed_bytes = standing.owed, standing.owed_bytes
        result.surplus, result.surplus_bytes = standing.surplus, standing.surplus_bytes
        result.read_back = rows.read_back(catalog, self._offsite.record.id)
        result.line_bytes = self._throttle.sent
        result.seconds = round(time.monotonic() - self._began, 3)
        outcome = Outcome.SUCCESS if not result.still_owed else Outcome.PARTIAL
        detail = {"sent": result.sent, "bytes": result.sent_bytes, "line": result.line_bytes, "rate": result.rate}
        with catalog.writing():
            if result.sent:
                add_event(
                    catalog,
                    EventType.REPLICATION,
                    outcome,
                    f"{result.sent:,} selects sent offsite and proved, {result.sent_bytes:,} bytes",
                    self._kit.clock.now(),
                    job_id=self._job,
                    place_id=self._offsite.record.id,
                )
            end_job(catalog, self._job, outcome, detail, self._kit.clock.now())
        return result

    def _one_pass(self) -> Job[bool]:
        """Send all that is owed now; whether something ended it for good."""
        packing = Packing(self._kit, self._drives, self._offsite, self._refused_keys, self._must_end)
        settings = self._kit.settings.offsite
        sending = Sending(
            self._offsite,
            packing.parcels(),
            self._kit.catalog.reopened(),
            self._kit.clock,
            self._throttle,
            self._patience,
            settings.at_once,
            packing.most_at_once,
            self._must_end,
        )
        sending.start()
        ended = False
        try:
            while sending.alive or not sending.results.empty():
                try:
                    result = sending.results.get(timeout=_TICK)
                except queue.Empty:
                    yield self._moved()
                    continue
                if isinstance(result, Crashed):
                    raise result.error
                ended |= isinstance(result, NotSent) and result.ends
                yield from self._enter(result, packing)
        finally:
            sending.stop()
            sending.join()
            while not sending.results.empty():
                left = sending.results.get()
                if not isinstance(left, Crashed):
                    for _ in self._enter(left, packing):
                        pass
            packing.close()
        self.result.not_sent += packing.refused
        return ended

    def _enter(self, result: PartSent | Sent | NotSent | Faltered, packing: Packing) -> Iterator[Progress]:
        match result:
            case PartSent(size):
                self._done_bytes += size
                self._measure()
                yield self._moved()
            case Faltered(error):
                self.result.faltered += 1
                if self.result.faltered == 1:
                    yield Said(f"{error.what} It is tried again until it works.")
            case NotSent(parcel, error, ends):
                packing.given_up(parcel)
                self.result.not_sent.append((parcel.debt.wanted.path, error.what))
                if ends and not isinstance(error, Stopped):
                    self.result.troubles.append(error)
                    self.result.waits = error.what
                yield from self._say(f"{shown(parcel.debt.wanted.path)}: {error.what}")
            case Sent():
                yield from self._prove(result, packing)

    def _prove(self, sent: Sent, packing: Packing) -> Iterator[Progress]:
        parcel = sent.parcel
        try:
            proof = prove_sent(self._offsite, sent, self._kit.stop.is_set)
        except (CopyTrouble, OSError, TripleguardError) as error:
            self.result.not_sent.append(
                (parcel.debt.wanted.path, f"it was sent, and could not be proved: {error}")
            )
            packing.given_up(parcel)
            return
        if isinstance(proof, str):
            self._refused_keys.setdefault(parcel.debt.known.id, set()).add(parcel.key)
            self.result.not_sent.append((parcel.debt.wanted.path, proof))
            yield from self._say(f"{shown(parcel.key)}: {proof}")
        elif isinstance(proof, Proof):
            with self._kit.catalog.writing():
                enter_proof(self._kit, self._offsite, parcel, proof)
            self._files += 1
            self.result.sent += 1
            self.result.sent_bytes += parcel.debt.known.file.size
        packing.sent(parcel)
        yield self._moved()

    def _give_up_orphans(self) -> None:
        """End uploads that were begun for what is wanted no more: their parts would cost room for ever."""
        wanted = {debt.known.id for debt in rows.owed_offsite(self._kit.catalog, self._offsite.record.id)}
        begun = rows.begun_uploads(self._kit.catalog, self._offsite.record.id)
        orphans = [one for one in begun if one.file_id not in wanted]
        if not orphans:
            return
        sender = self._offsite.new_sender()
        try:
            for one in orphans:
                if isinstance(sender, Bucket):
                    with contextlib.suppress(FileNotFoundError):
                        sender.forget(one.key, one.token)
                with self._kit.catalog.writing():
                    rows.upload_ended(self._kit.catalog, one.id)
        except TripleguardError as error:
            self.result.troubles.append(error)
        finally:
            sender.close()

    def _say(self, line: str) -> Iterator[Progress]:
        self._said += 1
        if self._said <= _SAID_AT_MOST:
            yield Said(line)

    def _must_end(self) -> bool:
        """Whether nothing more is to be begun: the person, the time that was given, or the hours."""
        if self._kit.stop.is_set():
            return True
        if self._budget.used_up():
            self.result.waits = self.result.waits or "The time that was given is over."
            return True
        window = self._kit.settings.offsite.window
        now = datetime.fromtimestamp(self._kit.clock.now() / 1e9, self._kit.clock.zone())
        if not is_open(window, now.time()):
            self.result.waits = self.result.waits or "The hours for sending are over."
            return True
        return False

    def _measure(self) -> None:
        self.result.rate = round(self._throttle.sent / max(0.001, time.monotonic() - self._began), 1)

    def _moved(self) -> Moved:
        rate = self._throttle.measured()
        done, left = min(self._done_bytes, self._of_bytes), self._left(rate)
        return Moved("upload", self._files, self._of_files, done, self._of_bytes, rate, left)

    def _left(self, rate: float | None) -> float | None:
        remaining = self._of_bytes - self._done_bytes
        return remaining / rate if rate and rate > 1 and remaining > 0 else None

    def _leave(self) -> Iterator[Progress]:
        self._give_up_orphans()
        yield Moved("leaving check lists and the catalog", 0, 0, 0, 0, 0.0, None)
        self.result.troubles += leave_offsite(self._kit, self._offsite, self._throttle)
