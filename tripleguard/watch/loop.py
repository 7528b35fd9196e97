"""The loop: it hears what happened, decides what to do next, and says so. It touches no volume itself.

Everything reaches it through one queue: what is plugged in, the end of an errand, the wish to stop. Everything it
knows can be found again at the next start: what is plugged in, what is owed, what was served.
"""

from __future__ import annotations

import contextlib
import os
import queue
import time
from collections import deque
from dataclasses import dataclass
from functools import partial

from tripleguard.clock import SECOND, iso_utc
from tripleguard.errors import CatalogTrouble
from tripleguard.home import open_home_lock
from tripleguard.names import shown
from tripleguard.places.locks import is_taken
from tripleguard.watch.alarm import Alarm
from tripleguard.watch.due import due, from_now_on, timetable, upcoming
from tripleguard.watch.errand import GIVES_WAY, Ended, Outcome, What, choose, gives_way
from tripleguard.watch.errands import job_for
from tripleguard.watch.hand import Hand
from tripleguard.watch.heart import Heart, Pulse
from tripleguard.watch.journal import Journal
from tripleguard.watch.landing import Landing
from tripleguard.watch.looking import Looker
from tripleguard.watch.notes import Notes
from tripleguard.watch.power import battery_now, held_back
from tripleguard.watch.status import Doing, Here, Last, Next, Status, Waiting, keep_status
from tripleguard.watch.telling import Teller
from tripleguard.watch.volumes import Plugged
from tripleguard.watch.wanting import Wanting
from tripleguard.work.kit import WAY_LOCK, Kit
from tripleguard.work.offsite.third_place import offsite_record

_IDLE, _BUSY, _YIELDING = 30.0, 0.5, 0.2
_GRACE = 1.4
"""Seconds that a job gets to end in good order."""
_LAST_WORDS = 0.3
_KEPT = 20
_MOST = 300.0
"""Seconds that the loop may take to decide; it touches no volume."""
_SLEPT = int(_IDLE + 60) * SECOND
"""A look at the clock that comes so much later than the last one (ns): the machine was asleep."""


@dataclass(frozen=True, slots=True)
class _Seen:
    plugged: Plugged
    trouble: str


@dataclass(frozen=True, slots=True)
class _Over:
    ended: Ended
    error: BaseException | None


@dataclass(frozen=True, slots=True)
class _Landed:
    key: tuple[What, str]
    files: int


class _Rang:
    """The alarm rang."""


_Note = _Seen | _Over | _Landed | _Rang | None
"""What the queue carries; None: stop."""


class Loop:
    """One watch. Use: `run` in the main thread; `stop` from a signal handler or another thread."""

    def __init__(self, kit: Kit, notes: Notes, journal: Journal) -> None:
        self._kit = kit
        self._notes = notes
        self._journal = journal
        self._queue: queue.SimpleQueue[_Note] = queue.SimpleQueue()
        self._trouble = self._was_stuck = ""
        self._wanting = Wanting(ask_only=kit.settings.watch.cards == "ask")
        self._turns: dict[str, int] = {}
        self._last: deque[Last] = deque(maxlen=_KEPT)
        self._since = self._looked = kit.clock.now()
        self._table = timetable(kit.settings)
        self._lets_by = False
        self._alarm = Alarm(lambda: self._queue.put(_Rang()))
        self._looker = Looker(kit, lambda plugged, trouble: self._queue.put(_Seen(plugged, trouble)))
        self._teller = Teller(kit.settings.watch, journal, kit.home)
        self._pulse = Pulse("The watch itself", _MOST)
        self._heart = Heart(kit.settings.watch, journal, self._stuck)
        self._landing = Landing(
            kit, lambda key, files: self._queue.put(_Landed(key, files)), journal.trouble, self._looker.turns.of
        )
        self._hand = Hand(
            kit,
            lambda its, errand: job_for(its, errand, notes, self._landing),
            lambda errand, line: journal.say(line, errand=errand.what, subject=errand.subject),
            lambda ended, error: self._queue.put(_Over(ended, error)),
        )

    def stop(self) -> None:
        """End soon, in good order. May be called from a signal handler."""
        self._queue.put(None)

    def run(self) -> None:
        """Until `stop`."""
        self._journal.say(f"The watch of {self._kit.home.root} has begun.", pid=os.getpid())
        every = timetable(self._kit.settings, offsite=True)
        self._notes.served = from_now_on(every, self._notes.served, self._since, self._kit.clock.zone())
        self._look_at_the_clock()
        self._alarm.start()
        self._looker.start()
        self._landing.start()
        self._teller.start()
        self._heart.start()
        self._show()
        try:
            while True:
                with contextlib.suppress(queue.Empty):
                    note = self._queue.get(timeout=self._pause())
                    if note is None:
                        break
                    self._take(note)
                self._pulse.busy()
                self._look_at_the_clock()
                self._look_after_itself()
                self._consider()
                self._show()
        finally:
            self._end()

    def _stuck(self) -> str:
        """What does not come back, in words; '' if all is well. Any thread may ask."""
        parts = (self._pulse, self._looker.pulse, self._landing.pulse, self._hand.pulse)
        return "; ".join(filter(None, (one.stuck() for one in parts)))

    def _look_after_itself(self) -> None:
        """Say it when a part of the watch does not come back: a device that hangs holds it."""
        stuck = self._stuck()
        if stuck and stuck.partition(" has ")[0] not in self._was_stuck:
            doing = self._hand.errand
            during = f" during {doing.what} {doing.subject}".rstrip() if doing is not None else ""
            words = (
                f"The watch is stuck{during}: {stuck}. Nothing is lost. Next: unplug the cards and drives, plug "
                "them in again; if it stays so, start the watch again."
            )
            self._journal.trouble(words)
            self._tell_person(words, "stuck")
        self._was_stuck = stuck
        for words in self._landing.troubles():
            self._tell_person(words, words)

    def _end(self) -> None:
        self._heart.end()
        self._alarm.end()
        self._landing.end()
        self._looker.end()
        self._hand.stop()
        self._hand.wait(_GRACE)
        while not self._queue.empty():
            note = self._queue.get()
            if isinstance(note, _Over):
                self._over(note)
        doing = self._hand.errand
        if doing is not None:
            self._journal.say(f"The {doing.what} was cut off; it goes on at the next start.")
        self._hand.put_down()
        self._teller.end(_LAST_WORDS)
        self._journal.say("The watch has ended.")
        self._show()

    def _pause(self) -> float:
        """Seconds until the loop looks around by itself."""
        again = self._wanting.pause()
        doing = self._hand.errand
        idle = _IDLE if not self._lets_by else _BUSY
        usual = idle if doing is None else _YIELDING if doing.what in GIVES_WAY else _BUSY
        return usual if again is None else max(0.05, min(usual, again))

    # What happened

    def _take(self, note: _Seen | _Over | _Landed | _Rang) -> None:
        match note:
            case _Over():
                self._over(note)
            case _Landed(key, files):
                doing = self._hand.errand
                if doing is None or doing.key != key:  # else it is being taken, and is told anew if some is left
                    self._wanting.landed(key, files)
            case _Seen():
                self._see(note)

    def _see(self, note: _Seen) -> None:
        self._landing.drives_are(note.plugged.drives)
        for line in self._wanting.see(note.plugged):
            self._journal.say(line)
        if note.trouble and note.trouble != self._trouble:
            self._journal.trouble(note.trouble)
            self._tell_person(note.trouble, note.trouble)
        self._trouble = note.trouble

    def _look_at_the_clock(self) -> None:
        """What is due now, by the wall clock of wherever this is; and when to look again."""
        if hasattr(time, "tzset"):
            time.tzset()  # the system's zone may be another one since the last look
        now, zone = self._kit.clock.now(), self._kit.clock.zone()
        if now - self._looked > _SLEPT:
            self._journal.say("The machine was asleep, or its clock was set.")
            self._looker.look_now()
        self._looked = now
        held = held_back(battery_now(), self._kit.settings.watch.battery_floor)
        if held != self._wanting.held_back:
            self._journal.say(
                f"Only new pictures are cared for: {held}." if held else "There is power for all again."
            )
        with contextlib.suppress(CatalogTrouble):
            named = offsite_record(self._kit) is not None
            self._wanting.may_upload(named)
            self._table = timetable(self._kit.settings, offsite=named)
        self._wanting.by_clock(due(self._table, self._notes.served, now, zone), held)
        self._coming = upcoming(self._table, now, zone)
        self._alarm.set_to(self._coming[0][1])

    def _over(self, over: _Over) -> None:
        ended, errand = over.ended, over.ended.errand
        self._hand.put_down()
        self._turns[errand.reader] = max(self._turns.values(), default=0) + 1
        if over.error is not None:
            self._journal.trouble(ended.message, over.error, errand=errand.what, subject=errand.subject)
        news = self._wanting.over(ended)
        if errand.what is What.QUICK and ended.outcome is not Outcome.WAITS:
            self._landing.scan_all()
        if ended.outcome in (Outcome.WAITS, Outcome.FAILED):
            self._looker.look_now()
        elif ended.outcome is not Outcome.STOPPED:
            if errand.served is not None:
                self._notes.served[errand.what] = errand.served
            with contextlib.suppress(OSError):
                self._notes.keep()
        if news:
            self._tell(ended)

    def _tell(self, ended: Ended) -> None:
        errand, at = ended.errand, iso_utc(self._kit.clock.now())
        words = f"{errand.what} {errand.subject}".rstrip()
        self._journal.say(f"{words}: {ended.message}", outcome=ended.outcome)
        if ended.outcome is Outcome.WAITS:
            return
        if ended.tell:
            self._tell_person(ended.tell, f"{ended.card.insertion if ended.card else ''} {ended.tell}")
        if any((one.what, one.message) == (What.UPLOAD, shown(ended.message)) for one in self._last):
            return  # every hour the same
        self._last.appendleft(Last(errand.what, shown(errand.subject), at, ended.outcome, shown(ended.message)))

    def _tell_person(self, words: str, key: str) -> None:
        """Say it through the channels, unless just that was said today."""
        if self._notes.is_new(key, self._kit.clock.now()):
            self._journal.say(f"Told: {words}")
            self._teller.tell(words)

    # What to do

    def _consider(self) -> None:
        doing = self._hand.errand
        ready = self._wanting.ready(doing)
        typed = self._way_is_asked()
        best = choose((one for one in ready if not typed or one.what not in GIVES_WAY), self._turns)
        # Nothing tells when a typed command ends: what waits for that alone is looked at again soon.
        self._lets_by = typed and best is None and bool(ready)
        if doing is None:
            if best is not None:
                if best.key not in self._wanting.trying:  # a log that says each try of a night says nothing else
                    self._journal.say(f"Begins: {best.what} {best.subject}".rstrip())
                self._wanting.began(best)
                self._hand.start(best)
        elif not self._hand.stopping and gives_way(doing, best, typed=typed or bool(self._wanting.held_back)):
            self._journal.say(f"The {doing.what} gives way.")
            self._hand.stop()

    def _way_is_asked(self) -> bool:
        try:
            return is_taken(partial(open_home_lock, self._kit.home, WAY_LOCK))
        except OSError:
            return False

    # What is seen from outside

    def _show(self) -> None:
        doing, plugged = self._hand.errand, self._wanting.plugged
        drives = [Here("drive", one.record.name, shown(str(one.root))) for one in plugged.drives]
        cards = [Here("card", shown(one.name), shown(str(one.root))) for one in plugged.cards]
        waiting = [
            Waiting(one.what, shown(one.subject), shown(self._wanting.why(one, doing)))
            for one in self._wanting.all()
            if doing is None or one.key != doing.key
        ]
        status = Status(
            pid=os.getpid(),
            since=iso_utc(self._since),
            at=iso_utc(self._kit.clock.now()),
            doing=self._doing(),
            waiting=tuple(waiting),
            last=tuple(self._last),
            here=(*drives, *cards),
            away=tuple(shown(record.name) for record in plugged.away),
            next=tuple(Next(what, iso_utc(at)) for what, at in self._coming),
            power=self._wanting.held_back,
            trouble=shown(
                " ".join(
                    filter(
                        None, (self._trouble, self._was_stuck, *self._landing.troubles(), *self._teller.unusable)
                    )
                )
            ),
        )
        with contextlib.suppress(OSError):
            keep_status(self._kit.home, status)

    def _doing(self) -> Doing | None:
        errand, moved = self._hand.errand, self._hand.moved
        if errand is None:
            return None
        doing = Doing(errand.what, shown(errand.subject), iso_utc(self._hand.since))
        if moved is None:
            return doing
        return Doing(
            doing.what,
            doing.subject,
            doing.since,
            moved.doing,
            moved.files,
            moved.of_files,
            moved.read,
            moved.of_bytes,
            round(moved.rate, 1),
            moved.left,
        )
