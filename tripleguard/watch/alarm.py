"""The alarm clock: it rings at one instant, and the loop looks what is due.

It only wakes; what is due is asked of `due`, so an alarm that comes late, twice or never does no harm.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.date import DateTrigger

from tripleguard.clock import SECOND

_NAME = "alarm"


class Alarm:
    """Calls ring at the instant it is set to. Use: `start`, `set_to`, `end`."""

    def __init__(self, ring: Callable[[], None]) -> None:
        self._ring = ring
        self._at: int | None = None
        # However late: a laptop that slept must hear it on waking, and once.
        self._scheduler = BackgroundScheduler(
            timezone=UTC, job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 1}
        )

    def start(self) -> None:
        self._scheduler.start()

    def set_to(self, at: int) -> None:
        """Ring at this instant (UTC ns) and not before."""
        if at != self._at:
            self._at = at
            when = datetime.fromtimestamp(at / SECOND, UTC)
            self._scheduler.add_job(self._ring, DateTrigger(when), id=_NAME, replace_existing=True)

    def end(self) -> None:
        self._scheduler.shutdown(wait=False)
