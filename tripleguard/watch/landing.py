"""What lands in a folder: a shoot's folder on a drive, or an import folder of the settings.

Events of the file system are hints which folders to list, never the truth: the listing is held against the
catalog, so a lost event, a burst and a renamed folder end in the same place. After a burst everything is listed.
Where the file system tells nothing, it is listed every so often. All of it happens in a thread of its own.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from pathlib import Path

from tripleguard.layout import may_hold_shoots
from tripleguard.model import Entry
from tripleguard.places.mounts import mount_of
from tripleguard.places.own import OWN
from tripleguard.watch.errand import What
from tripleguard.watch.events import Observing
from tripleguard.watch.fresh import looked_at, new_in_folder, new_on_drive
from tripleguard.watch.heart import Pulse
from tripleguard.watch.settling import Settling
from tripleguard.watch.volumes import HereDrive, tells_all
from tripleguard.watch.writers import being_written
from tripleguard.work.kit import Kit

_QUIET, _AT_LEAST_EVERY = 0.7, 5.0
"""Seconds without an event after which is listed; and while events keep coming."""
_BURST = 1000
_LOOK_EVERY = 1.0
_IMPORTS_EVERY = 5.0
"""Seconds after which an import folder is looked at whether it still is the one that is listened to."""
_HELD_EVERY = 5.0
"""Seconds after which is asked again whether somebody still has a file open for writing."""
_SLOWEST, _OFTEN = 300.0, 3
"""Seconds between tries to list a folder that can't be listed, at most; failures before a person hears of it."""
_MOST = 1800.0
"""Seconds that one folder may take to be listed."""

Key = tuple[What, str]


@dataclass(slots=True)
class _Spot:
    """One watched tree. place_id: the drive's; None: an import folder. timed: it tells nothing by itself.

    which: what an import folder was when its events were asked for. trouble: why it can't be listed, '' if it can.
    """

    key: Key
    root: Path
    mark: str
    place_id: int | None
    settling: Settling
    timed: bool = False
    burst: bool = False
    hints: set[str] = field(default_factory=lambda: {""})
    events: int = 0
    first: float = 0.0
    last: float = 0.0
    scanned: float = 0.0
    looked: float = 0.0
    told: int = 0
    held: bool = False
    which: str = ""
    trouble: str = ""
    failures: int = 0
    not_before: float = 0.0
    closed: set[str] = field(default_factory=set)


class Landing:
    """Watches the spots. landed(key, how many files have settled) is called from its thread when that changed.

    turn_of: a number for a path that grows when its volume left, see `turns`.
    """

    def __init__(
        self,
        kit: Kit,
        landed: Callable[[Key, int], None],
        say: Callable[[str], None],
        turn_of: Callable[[Path], int] = lambda _: 0,
    ) -> None:
        self._kit = kit
        self._landed = landed
        self._say = say
        self._turn_of = turn_of
        self._lock = threading.Lock()
        self._spots: dict[Key, _Spot] = {}
        self._drives: dict[Key, HereDrive] = {}
        self._changed = threading.Event()
        self._end = threading.Event()
        self._observing = Observing(self._hint)
        self.pulse = Pulse("The look for new files", _MOST)
        self._thread = threading.Thread(target=self._run, name="landing", daemon=True)

    def start(self) -> None:
        self._observing.start()
        self._thread.start()

    def end(self) -> None:
        self._end.set()
        self._changed.set()
        self._observing.end()

    def drives_are(self, drives: Iterable[HereDrive]) -> None:
        """Watch the shoots of these drives and of no others, from now on."""
        with self._lock:
            self._drives = {(What.FRESH, str(drive.root)): drive for drive in drives if drive.active}
        self._changed.set()

    def scan_all(self) -> None:
        """List everything once: whatever was missed is found."""
        with self._lock:
            for spot in self._spots.values():
                spot.hints.add("")
        self._changed.set()

    def settled(self, key: Key) -> list[Entry]:
        """What has settled there and nobody writes to, as it is now; nothing if the folder is gone."""
        with self._lock:
            spot = self._spots.get(key)
            paths = [entry.path for entry in self._whole(spot)] if spot is not None else []
        if spot is None:
            return []
        try:
            self._look_again(spot, paths)  # it may have waited long for its turn
        except OSError:
            return []
        with self._lock:
            return self._whole(spot)

    def done(self, key: Key, paths: Iterable[str], left: Iterable[str]) -> list[str]:
        """These were taken; those among them that are left did not hold still. Those of them that are given up."""
        again, given_up = set(left), list[str]()
        with self._lock:
            spot = self._spots.get(key)
            if spot is not None:
                spot.settling.try_again(again, time.monotonic())
                spot.settling.forget(set(paths) - again)
                spot.told = 0
                given_up = spot.settling.given_up(again)
        self._changed.set()
        return given_up

    def _hint(self, key: Key, folder: str, *, closed: str) -> None:
        """An event: something happened in this folder of a spot. Called from the observer's thread."""
        now = time.monotonic()
        with self._lock:
            spot = self._spots.get(key)
            if spot is None or folder.partition("/")[0] == OWN:
                return
            if not spot.events:
                spot.first = now
            spot.events += 1
            spot.last = now
            spot.burst |= spot.events > _BURST or len(spot.hints) > _BURST
            if len(spot.hints) <= _BURST:
                spot.hints.add(folder)
            if closed:
                spot.closed.add(closed)
        self._changed.set()

    # The thread

    def _run(self) -> None:
        kit = replace(self._kit, catalog=self._kit.catalog.reopened())
        for path in self._kit.settings.watch.import_folders:
            root = Path(path).expanduser().absolute()
            spot = _Spot((What.IMPORT, str(root)), root, "", None, self._settling())
            self._spots[spot.key] = spot
        try:
            while not self._end.is_set():
                self.pulse.idle()
                self._changed.wait(self._pause())
                self._changed.clear()
                self.pulse.busy()
                self._follow_drives()
                self._follow_imports()
                with self._lock:
                    spots = list(self._spots.values())
                for spot in spots:
                    if not self._end.is_set():
                        self.pulse.busy()
                        self._round(kit, spot)
                if any(spot.events for spot in spots):
                    # Not at every event of a burst.
                    self._end.wait(_QUIET / 2)
        finally:
            kit.catalog.close()

    def _follow_drives(self) -> None:
        with self._lock:
            here = dict(self._drives)
            gone = [
                key
                for key, spot in self._spots.items()
                if spot.place_id is not None and (key not in here or here[key].mark != spot.mark)
            ]
            for key in gone:
                del self._spots[key]
            new = [(key, drive) for key, drive in here.items() if key not in self._spots]
        for key in gone:
            self._observing.forget(key)
            self._landed(key, 0)
        for key, drive in new:
            self._add(_Spot(key, drive.root, drive.mark, drive.record.id, self._settling()))

    def _follow_imports(self) -> None:
        """Listen anew to an import folder that is another one now: its stick left and came back."""
        for spot in [spot for spot in self._spots.values() if spot.place_id is None]:
            which = self._which(spot.root)
            if which == spot.which:
                continue
            self._observing.forget(spot.key)
            self._add(spot)
            with self._lock:
                spot.which, spot.not_before = which, 0.0
                spot.hints.add("")

    def _which(self, root: Path) -> str:
        try:
            status = os.stat(root)
        except OSError as error:
            return f"{error.errno}"
        return f"{self._turn_of(root)} {status.st_dev} {status.st_ino}"

    def _settling(self) -> Settling:
        return Settling(self._kit.settings.watch.settle_seconds)

    def _add(self, spot: _Spot) -> None:
        spot.timed = not self._observe(spot) or not tells_all(mount_of(spot.root))
        with self._lock:
            self._spots[spot.key] = spot
        self._changed.set()

    def _observe(self, spot: _Spot) -> bool:
        """Have the system tell of changes; whether it does."""
        if spot.place_id is None:
            return self._observing.watch(spot.key, spot.root, [spot.root], recursive=True)
        tops: list[str] = []
        with contextlib.suppress(OSError):
            tops += (name for name in os.listdir(spot.root) if may_hold_shoots(self._kit.settings.layout, name))
        told = self._observing.watch(spot.key, spot.root, [spot.root], recursive=False)
        below = [spot.root / name for name in tops if os.path.isdir(spot.root / name)]
        return self._observing.watch(spot.key, spot.root, below, recursive=True) and told

    def _round(self, kit: Kit, spot: _Spot) -> None:
        now = time.monotonic()
        hints: set[str] = set()
        try:
            with self._lock:
                hints = self._hints_due(spot, now)
            if hints:
                self._list(kit, spot, hints)
            elif now - spot.looked >= _LOOK_EVERY:
                with self._lock:
                    paths = spot.settling.unsettled(now)
                self._look_again(spot, paths)
            with self._lock:
                count = len(self._whole(spot))
            if count and count != spot.told:
                self._forget_known(kit, spot)
        except Exception as error:  # noqa: BLE001 - a thread's outer edge; one spot must not blind the others
            # The volume went away, or the catalog is busy: the looker says the first, a later round mends both.
            self._failed(spot, error, now)
            return
        with self._lock:
            if spot.trouble and hints:
                spot.trouble, spot.failures = "", 0
            # Counted and told at one moment: what is taken meanwhile must not be told as new.
            if count != spot.told:
                count = len(self._whole(spot))
            if count != spot.told and self._spots.get(spot.key) is spot:
                spot.told = count
                self._landed(spot.key, count)

    def _failed(self, spot: _Spot, error: Exception, now: float) -> None:
        """It could not be listed: all of it is, in a while, more and more seldom."""
        # Not `Path.is_dir`, which raises where a device does not answer.
        words = f"What is new in {spot.root} can't be told now: {error}" if os.path.isdir(spot.root) else ""
        if words and words != spot.trouble:
            self._say(words)
        with self._lock:
            spot.trouble, spot.failures, spot.events = words, spot.failures + 1, 0
            spot.not_before = now + min(_SLOWEST, _QUIET * 2 ** min(spot.failures, 20))
            spot.hints.add("")

    def troubles(self) -> list[str]:
        """Folders that can't be listed though they are there, in words."""
        with self._lock:
            return [spot.trouble for spot in self._spots.values() if spot.trouble and spot.failures > _OFTEN]

    def _hints_due(self, spot: _Spot, now: float) -> set[str]:
        """The folders to list now; they are taken."""
        every = self._kit.settings.watch.scan_seconds
        if spot.timed and now - spot.scanned >= every:
            spot.hints.add("")
        calm = not spot.events or now - spot.last >= _QUIET or now - spot.first >= _AT_LEAST_EVERY
        if not spot.hints or not calm or now < spot.not_before:
            return set()
        whole = "" in spot.hints or (spot.burst and now - spot.last >= _QUIET)
        hints, spot.hints, spot.events = spot.hints, set(), 0
        if whole:
            spot.burst = False
        return {""} if whole else hints

    def _list(self, kit: Kit, spot: _Spot, hints: set[str]) -> None:
        now = time.monotonic()
        if "" in hints:
            spot.scanned = now
        self._observe(spot)
        found: list[Entry] = []
        if spot.place_id is None:
            found += new_in_folder(kit.catalog, spot.root)
        else:
            for folder in _outermost(hints):
                found += new_on_drive(kit.catalog, kit.settings.layout, spot.place_id, spot.root, folder)
        with self._lock:
            for entry in found:
                spot.settling.seen(entry, now)
            for path in spot.closed:
                spot.settling.closed(path)
            spot.closed.clear()
            paths = spot.settling.paths()
        self._look_again(spot, paths)

    def _forget_known(self, kit: Kit, spot: _Spot) -> None:
        """Forget what some job has entered since it was listed. Raises OSError, CatalogTrouble."""
        with self._lock:
            whole = self._whole(spot)
        folders = {entry.folder for entry in whole}
        if spot.place_id is None:
            new = {entry.path for entry in new_in_folder(kit.catalog, spot.root)}
        else:
            new = set()
            for folder in _outermost(folders):
                found = new_on_drive(kit.catalog, kit.settings.layout, spot.place_id, spot.root, folder)
                new |= {entry.path for entry in found}
        with self._lock:
            spot.settling.forget(entry.path for entry in whole if entry.path not in new)

    def _look_again(self, spot: _Spot, paths: list[str]) -> None:
        """See how these new files are now; forget those that are gone."""
        seen = looked_at(spot.root, paths) if paths else {}
        now = spot.looked = time.monotonic()
        with self._lock:
            for path, entry in seen.items():
                if entry is None:
                    spot.settling.forget([path])
                else:
                    spot.settling.seen(entry, now)

    def _whole(self, spot: _Spot) -> list[Entry]:
        settled, spot.held = spot.settling.settled(time.monotonic()), False
        if not settled:
            return []
        absolute = {os.path.join(spot.root, entry.path): entry for entry in settled}
        held = being_written(set(absolute))
        spot.held = bool(held)
        for path in held:
            del absolute[path]
        return list(absolute.values())

    def _pause(self) -> float | None:
        """Seconds until the next round without any event; None: nothing is to be expected."""
        now, at = time.monotonic(), []
        with self._lock:
            for spot in self._spots.values():
                if spot.events or spot.hints:
                    at.append(max(spot.last + _QUIET, spot.not_before, now))
                if spot.place_id is None:
                    at.append(now + _IMPORTS_EVERY)
                if spot.settling.unsettled(now):
                    at.append(now + _LOOK_EVERY)
                if spot.held:
                    at.append(now + _HELD_EVERY)
                if spot.timed:
                    at.append(spot.scanned + self._kit.settings.watch.scan_seconds)
        return max(0.05, min(at) - now) if at else None


def _outermost(folders: set[str]) -> list[str]:
    """These folders without those that lie inside another one."""
    return [one for one in sorted(folders) if not any(one != top and _is_below(one, top) for top in folders)]


def _is_below(path: str, top: str) -> bool:
    return not top or path.startswith(f"{top}/")
