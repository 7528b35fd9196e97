"""List an S3 bucket and read its marker, with retries, through requests of our own.

A bucket can be shared, and a key can be anything: `../x`, `a//b`, control characters. The library that reads
objects refuses a whole page for one of those; here they are text like any other, and none is used as a path. A
captive portal or a wrong clock is reported as such from the very first request.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from functools import partial
from typing import TypeVar

from tripleguard.errors import NetworkError, StoppedError
from tripleguard.places.offsite_store import ObjectEntry
from tripleguard.places.s3.bucket import S3Bucket

_MAX_TRIES = 5
_FIRST_DELAY_S = 0.5

Result = TypeVar("Result")


class S3Listing:
    """Looks into one bucket. new_bucket makes a connection; it is made when it is needed and closed after it."""

    def __init__(self, open_bucket: Callable[[], S3Bucket], is_stopped: Callable[[], bool]) -> None:
        self._open_bucket = open_bucket
        self._is_stopped = is_stopped

    def read_small_object(self, key: str) -> bytes | None:
        """A small object, None if there is none. Raises LineTrouble, NoAccess, SignInPage, Stopped."""
        bucket = self._open_bucket()
        try:
            return self._retry(lambda: bucket.get(key))
        except FileNotFoundError:
            return None
        finally:
            bucket.close()

    def list_objects(self, prefix: str) -> Iterator[ObjectEntry]:
        """Every object below a prefix, in the server's order. Raises as `read_small_object` does."""
        bucket, token = self._open_bucket(), ""
        try:
            while True:
                page, following = self._retry(partial(bucket.list_page, prefix, token))
                yield from page
                if not following:
                    return
                if following == token:
                    raise NetworkError("The server lists the same page again and again.")
                token = following
        finally:
            bucket.close()

    def _retry(self, request: Callable[[], Result]) -> Result:
        for attempt in range(_MAX_TRIES - 1):
            try:
                return request()
            except NetworkError:
                self._sleep(_FIRST_DELAY_S * 2.0**attempt)
        try:
            return request()
        except NetworkError as error:
            raise NetworkError(
                error.what,
                safe="Nothing is lost; what was sent before stays.",
                do="Check the network, then run the command again.",
            ) from error

    def _sleep(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while (left := until - time.monotonic()) > 0:
            if self._is_stopped():
                raise StoppedError("Stopped while the line was down.", safe="Nothing was changed.")
            time.sleep(min(left, 0.2))
