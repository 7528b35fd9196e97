"""A monitor that reports at once when drives and cards come, go or change.

Linux reports mounts through /proc/self/mountinfo, macOS by a new name in /Volumes; elsewhere, and for folders
that are no volumes, the monitor polls every few seconds. Files on a card that stays plugged in change without any
report, so the cards are listed again every few seconds. All this runs in a thread of its own, because a dead
volume can hang it; the loop goes on without.

The kernel reuses the numbers of mounts and of devices, so a volume that left and came back between two scans looks
unchanged; remounts are therefore counted.
"""

from __future__ import annotations

import contextlib
import select
import sys
import threading
import time
from collections.abc import Callable, Iterable
from dataclasses import replace
from pathlib import Path

from tripleguard.catalog.places import list_places
from tripleguard.errors import TripleguardError
from tripleguard.jobs.context import JobContext
from tripleguard.places.mounts import Mount, list_mounts
from tripleguard.watch.devices import (
    IGNORED_FS,
    ConnectedCard,
    ConnectedDrive,
    ConnectedVolumes,
    find_connected_volumes,
    is_within,
    read_volumes_fingerprint,
)
from tripleguard.watch.monitoring import StallDetector


class RemountCounter:
    """Counts for each mount point how often what was there left. May be used by several threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._last_table: frozenset[tuple[str, int, str]] | None = None
        self._counts: dict[str, int] = {}

    def update(self, table: Iterable[Mount], *, is_unchanged: bool) -> None:
        """The kernel says that the table of mounts changed, and it is this one now.

        unchanged: it reads as before, so something left and came back meanwhile, and nobody knows what.
        """
        now = frozenset((one.point, one.mount_id, one.source) for one in table if one.fs_type not in IGNORED_FS)
        with self._lock:
            before, self._last_table = self._last_table, now
            if before is None:
                return
            for point, _, _ in before if is_unchanged else before - now:
                self._counts[point] = self._counts.get(point, 0) + 1

    def count_for(self, path: Path) -> int:
        """A number that grows whenever a volume on the way to this path left."""
        with self._lock:
            return sum(turn for point, turn in self._counts.items() if is_within(str(path), point))


_SCAN_DELAYS_S = (0.0, 0.3, 1.0, 3.0)
"""Seconds after a change at which it is looked: some volumes show their files a little later."""
_FAST_POLL_S, _SLOW_POLL_S = 1.0, 5.0
_VOLUMES = Path("/Volumes")
_UNRESPONSIVE = "does not answer. What is on it is as it was. Next: unplug it, plug it in again."
_LOOK_AGAIN_S, _LOOK_AT_UNSETTLED_S = 15.0, 3.0
"""Seconds until everything is looked at again without a report, and until a card that is being written to is."""
_LOOK_SHARE = 100
"""Looks take at most this fraction of the time."""
_MORE_ROOM_BYTES = 256 << 20
"""A drive with so much more free space than at its fullest is tried again."""
_MAX_LOOK_S, _HANG_CHECK_S = 15.0, 0.5
"""Seconds that a look may take before another thread looks, and how often that is checked."""
_MAX_SCAN_S = 120.0
"""Seconds that a look may take; a disk that has to spin up needs ten."""


class VolumeHistory:
    """Compares each look with the ones before: which cards are being written to, which drives have more room."""

    def __init__(self) -> None:
        self._listings: dict[str, str] = {}
        self._rooms: dict[str, tuple[int, bool, int]] = {}

    def compare(self, volumes: ConnectedVolumes) -> ConnectedVolumes:
        """Return the volumes with `is_settled` and `room_token` set."""
        cards = tuple(self._compare_card(card) for card in volumes.cards)
        self._listings = {card.mount_token: card.listing for card in cards}
        drives = tuple(self._compare_drive(drive) for drive in volumes.drives)
        self._rooms = {
            drive.mount_token: (
                drive.free_bytes
                if drive.mount_token not in self._rooms or drive.room_token > self._rooms[drive.mount_token][2]
                else min(drive.free_bytes, self._rooms[drive.mount_token][0]),
                drive.is_read_only,
                drive.room_token,
            )
            for drive in drives
        }
        return replace(volumes, cards=cards, drives=drives)

    def _compare_card(self, card: ConnectedCard) -> ConnectedCard:
        # A card that was just plugged in begins at once.
        return replace(card, is_settled=self._listings.get(card.mount_token, card.listing) == card.listing)

    def _compare_drive(self, drive: ConnectedDrive) -> ConnectedDrive:
        least, was_read_only, token = self._rooms.get(drive.mount_token, (drive.free_bytes, drive.is_read_only, 0))
        has_more = drive.free_bytes >= least + _MORE_ROOM_BYTES or (was_read_only and not drive.is_read_only)
        return replace(drive, room_token=token + has_more)


class DeviceMonitor:
    """Calls on_change(what is plugged in, what is wrong) when it changed. Use: `start`, `scan_now`, `stop`.

    A look that hangs is left behind, and another thread goes on; it finds out which volume does not answer.
    """

    def __init__(self, ctx: JobContext, on_change: Callable[[ConnectedVolumes, str], None]) -> None:
        self._ctx = ctx
        self._on_change = on_change
        self._changed = threading.Event()
        self._stop_event = threading.Event()
        watched = ctx.settings.watch.look_also or not sys.platform.startswith("linux")
        self._interval_s = _FAST_POLL_S if watched else _SLOW_POLL_S
        self.remounts = RemountCounter()
        self._history = VolumeHistory()
        self.stall_detector = StallDetector("The look at what is plugged in", _MAX_SCAN_S)
        self._round = 0
        self._last: tuple[ConnectedVolumes, str] | None = None
        self._threads = [threading.Thread(target=self._run, name="device-monitor", daemon=True)]
        if sys.platform.startswith("linux"):
            self._threads.append(threading.Thread(target=self._poll_mounts, name="mounts", daemon=True))

    def start(self) -> None:
        for thread in self._threads:
            thread.start()
        if sys.platform == "darwin":
            self._watch_volumes()

    def scan_now(self) -> None:
        """Have a look soon: the machine has woken up, or a job says that a volume went."""
        self._changed.set()

    def stop(self) -> None:
        self._stop_event.set()
        self._changed.set()

    def _run(self) -> None:
        """Keep one thread looking; leave it behind when a look does not come back."""
        while not self._stop_event.is_set():
            self._round += 1
            hang = StallDetector("A look", _MAX_LOOK_S)
            thread = threading.Thread(
                target=self._look_repeatedly, args=(self._round, hang), name="device-look", daemon=True
            )
            thread.start()
            while thread.is_alive() and not hang.stall_message() and not self._stop_event.is_set():
                thread.join(_HANG_CHECK_S)

    def _look_repeatedly(self, my_round: int, hang: StallDetector) -> None:
        ctx = replace(self._ctx, catalog=self._ctx.catalog.reopen())
        try:
            before, look_at = "", 0.0
            while not self._stop_event.is_set() and my_round == self._round:
                hang.enter()
                self.stall_detector.enter()
                now = self._read_fingerprint(ctx)
                if self._changed.is_set() or now != before:
                    self._changed.clear()
                    before = now
                    self._scan_until_stable(ctx, my_round, hang)
                    look_at = time.monotonic() + self._seconds_to_next_look(0.0)
                elif time.monotonic() >= look_at:
                    began = time.monotonic()
                    self._report_if_new(self._scan(ctx), my_round)
                    look_at = time.monotonic() + self._seconds_to_next_look(time.monotonic() - began)
                self.stall_detector.leave()
                hang.leave()
                self._changed.wait(min(self._interval_s, max(0.0, look_at - time.monotonic())))
        finally:
            ctx.catalog.close()

    def _scan_until_stable(self, ctx: JobContext, my_round: int, hang: StallDetector) -> None:
        """Look now and a few times more while it settles."""
        began = time.monotonic()
        for after in _SCAN_DELAYS_S:
            if self._stop_event.wait(max(0.0, began + after - time.monotonic())):
                break
            self.stall_detector.enter()
            hang.enter()
            self._report_if_new(self._scan(ctx), my_round)
            if self._changed.is_set():
                break

    def _report_if_new(self, found: tuple[ConnectedVolumes, str], my_round: int) -> None:
        if my_round == self._round and found != self._last:
            self._last = found
            self._on_change(*found)

    def _seconds_to_next_look(self, seconds_taken: float) -> float:
        is_settled = self._last is None or all(card.is_settled for card in self._last[0].cards)
        return max(_LOOK_AGAIN_S if is_settled else _LOOK_AT_UNSETTLED_S, min(_LOOK_SHARE * seconds_taken, 60.0))

    def _scan(self, ctx: JobContext) -> tuple[ConnectedVolumes, str]:
        try:
            found = self._history.compare(self._with_remount_counts(find_connected_volumes(ctx)))
            return found, " ".join(f"{one} {_UNRESPONSIVE}" for one in found.unresponsive)
        except TripleguardError as error:
            return ConnectedVolumes(), str(error)
        except OSError as error:
            return ConnectedVolumes(), f"What is plugged in is not known ({error.strerror or error})."
        except Exception as error:  # noqa: BLE001 - a thread's outer edge: a watch that sees nothing must say so
            return ConnectedVolumes(), f"What is plugged in is not known ({type(error).__name__}: {error})."

    def _with_remount_counts(self, volumes: ConnectedVolumes) -> ConnectedVolumes:
        """With marks that differ also where a volume left and came back between two looks."""
        return replace(
            volumes,
            drives=tuple(
                replace(one, mount_token=f"{one.mount_token} {self.remounts.count_for(one.root)}")
                for one in volumes.drives
            ),
            cards=tuple(
                replace(one, mount_token=f"{one.mount_token} {self.remounts.count_for(one.root)}")
                for one in volumes.cards
            ),
        )

    def _read_fingerprint(self, ctx: JobContext) -> str:
        with contextlib.suppress(TripleguardError, OSError):
            paths = [f"{record.last_path} {record.state}" for record in list_places(ctx.catalog)]
            here = [record.last_path for record in list_places(ctx.catalog) if record.last_path]
            return "\n".join([*paths, read_volumes_fingerprint(ctx.settings.watch, here)])
        return str(time.monotonic())

    def _poll_mounts(self) -> None:
        """The kernel marks this file as changed when anything is mounted or unmounted (proc(5))."""
        if sys.platform == "win32":
            return
        with open("/proc/self/mountinfo", encoding="utf-8", errors="surrogateescape") as table:
            poll = select.poll()
            poll.register(table, select.POLLPRI | select.POLLERR)
            self.remounts.update(list_mounts(), is_unchanged=False)
            before = table.read()
            while not self._stop_event.is_set():
                if poll.poll(1000 * 60):
                    table.seek(0)
                    now = table.read()
                    with contextlib.suppress(OSError):
                        self.remounts.update(list_mounts(), is_unchanged=now == before)
                    before = now
                    self._changed.set()

    def _watch_volumes(self) -> None:
        from watchdog.events import FileSystemEvent, FileSystemEventHandler
        from watchdog.observers import Observer

        changed = self._changed

        class Heard(FileSystemEventHandler):
            def on_any_event(self, event: FileSystemEvent) -> None:
                changed.set()

        observer = Observer()
        observer.daemon = True
        observer.schedule(Heard(), str(_VOLUMES), recursive=False)
        with contextlib.suppress(OSError):
            observer.start()
