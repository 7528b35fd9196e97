"""The context of a job, and the names of the locks that belong to a home."""

from __future__ import annotations

import getpass
import platform
import threading
from collections.abc import Callable
from dataclasses import dataclass, field

from tripleguard.catalog.store import Catalog
from tripleguard.clock import Clock
from tripleguard.config import Settings
from tripleguard.home import Home
from tripleguard.places.base import PlaceAccess

WATCH_LOCK = "watch"
"""The lock that the watch of a home holds for as long as it runs."""
CLI_PRIORITY_LOCK = "way"
"""The lock that typed commands request before they write to drives; rescans and drills of the watch end for it."""


def _ignore_message(message: str) -> None:
    """Drop a message: this context has no one to show it to."""


@dataclass(frozen=True, slots=True)
class JobContext:
    """The catalog, settings, clock, home and stop signal that every job is given.

    Attributes:
        places: finds and opens the drives and folders that the job works with.
        stop: set when the user asks the job to end.
        lock_timeout_s: seconds to wait for drives that another job holds. While it waits, the job asks the watch
            to release them.
        notify: called with each line for the user that is part of no result.
        protected_place_ids: ids of drives on which nothing may change, because they may be about to leave.
    """

    home: Home
    catalog: Catalog
    settings: Settings
    clock: Clock
    places: PlaceAccess
    stop: threading.Event = field(default_factory=threading.Event)
    lock_timeout_s: float = 0.0
    notify: Callable[[str], None] = _ignore_message
    protected_place_ids: set[int] = field(default_factory=set)


def current_agent() -> str:
    """Return who runs the job, for the record: user and machine."""
    try:
        user = getpass.getuser()
    except (KeyError, OSError):
        user = "unknown"
    return f"{user}@{platform.node() or 'unknown'}"
