"""Listing an S3 bucket, and reading its marker, with requests of our own.

A bucket can be shared, and a key can be anything: `../x`, `a//b`, control characters. The library that reads
objects refuses a whole page for one of those; here they are text like any other, and nobody makes a path of them.
And what a page of the network or a wrong clock answers is told as that, from the very first request.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from functools import partial
from typing import TypeVar

from tripleguard.errors import LineTrouble, Stopped
from tripleguard.places.bucket import Bucket, Lying

_TRIES = 5
_FIRST_WAIT = 0.5

Answer = TypeVar("Answer")


class Looking:
    """Looks into one bucket. new_bucket makes a connection; it is made when it is needed and closed after it."""

    def __init__(self, new_bucket: Callable[[], Bucket], stopped: Callable[[], bool]) -> None:
        self._new_bucket = new_bucket
        self._stopped = stopped

    def small(self, key: str) -> bytes | None:
        """A small object, None if there is none. Raises LineTrouble, NoAccess, SignInPage, Stopped."""
        bucket = self._new_bucket()
        try:
            return self._patiently(lambda: bucket.get(key))
        except FileNotFoundError:
            return None
        finally:
            bucket.close()

    def listed(self, prefix: str) -> Iterator[Lying]:
        """Every object below a prefix, in the server's order. Raises as `small` does."""
        bucket, token = self._new_bucket(), ""
        try:
            while True:
                page, following = self._patiently(partial(bucket.page, prefix, token))
                yield from page
                if not following:
                    return
                if following == token:
                    raise LineTrouble("The server lists the same page again and again.")
                token = following
        finally:
            bucket.close()

    def _patiently(self, ask: Callable[[], Answer]) -> Answer:
        for attempt in range(_TRIES - 1):
            try:
                return ask()
            except LineTrouble:
                self._wait(_FIRST_WAIT * 2.0**attempt)
        try:
            return ask()
        except LineTrouble as error:
            raise LineTrouble(
                error.what,
                safe="Nothing is lost; what was sent before stays.",
                do="Check the network, then run the command again.",
            ) from error

    def _wait(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0:
            if self._stopped():
                raise Stopped("Stopped while the line was down.", safe="Nothing was changed.")
            time.sleep(min(left, 0.2))
