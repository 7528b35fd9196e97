"""The threads that upload: each takes the next part to send, and retries until it is sent.

Bytes in flight are bounded by what the network carries in a second, and by one part, so that a broken connection
costs no more. Small files are sent in parallel, as on a slow network the replies take the time.
"""

from __future__ import annotations

import itertools
import queue
import threading
import time
from collections.abc import Callable, Iterator
from functools import partial
from typing import TypeVar

from tripleguard.catalog import offsite as rows
from tripleguard.catalog.store import Catalog
from tripleguard.clock import Clock
from tripleguard.digest import Hasher
from tripleguard.errors import (
    AccessDeniedError,
    CaptivePortalError,
    CopyError,
    ItemStuckError,
    NameTakenError,
    NetworkError,
    PlaceFailedError,
    StoppedError,
    TripleguardError,
)
from tripleguard.jobs.copying.copy_tasks import ThreadCrashed
from tripleguard.jobs.offsite.network import InFlightLimiter, RetryPolicy, Throttle, choose_in_flight_limit
from tripleguard.jobs.offsite.offsite_place import OpenOffsite, UploadSender
from tripleguard.jobs.offsite.upload_events import ItemNotSent, ItemSent, PartSent, RetryNotice
from tripleguard.jobs.offsite.upload_item import UploadItem, build_changed_error
from tripleguard.jobs.offsite.upload_queue import KeyChooser
from tripleguard.names import escape_text
from tripleguard.places.s3.bucket import S3Bucket

_SIGN_IN_TRIES = 3
_MAX_KEYS = 20
ResponseT = TypeVar("ResponseT")


SendResult = PartSent | ItemSent | ItemNotSent | RetryNotice | ThreadCrashed


class UploadWorkers:
    """Sends items, taken by one thread at a time, until none is left; results come out of `iter_batches`."""

    def __init__(
        self,
        offsite: OpenOffsite,
        items: Iterator[UploadItem],
        catalog: Catalog,
        clock: Clock,
        throttle: Throttle,
        retry_policy: RetryPolicy,
        threads: int,
        max_in_flight_bytes: int,
        should_stop: Callable[[], bool],
    ) -> None:
        self.results: queue.Queue[SendResult] = queue.Queue()
        self.last_response_at = time.monotonic()
        self._last_progress_at = self.last_response_at
        self._offsite = offsite
        self._items = items
        self._catalog = catalog
        self._clock = clock
        self._throttle = throttle
        self._retry_policy = retry_policy
        self._key_chooser = KeyChooser(offsite, catalog)
        self._stop_event = threading.Event()
        self._should_stop = should_stop
        self._in_flight = InFlightLimiter(
            lambda: choose_in_flight_limit(throttle.measure_rate(), max_in_flight_bytes), self._is_stopping
        )
        self._items_lock = threading.Lock()
        self._catalog_lock = threading.Lock()
        self._multipart_item: UploadItem | None = None
        self._threads = [
            threading.Thread(target=self._run_guarded, name=f"send-{number}", daemon=True)
            for number in range(threads)
        ]

    def start(self) -> None:
        for thread in self._threads:
            thread.start()

    @property
    def is_alive(self) -> bool:
        return any(thread.is_alive() for thread in self._threads)

    def stop(self) -> None:
        self._stop_event.set()

    def join(self) -> None:
        for thread in self._threads:
            thread.join()

    def _is_stopping(self) -> bool:
        return self._stop_event.is_set() or self._should_stop()

    def _run_guarded(self) -> None:
        sender = self._offsite.create_sender()
        try:
            while not self._is_stopping():
                work = self._take_next()
                if work is None:
                    break
                self._send(sender, *work)
        except StoppedError:
            pass
        except BaseException as error:  # noqa: BLE001 - a thread's outer edge; the job raises it again
            self.stop()
            self.results.put(ThreadCrashed(error))
        finally:
            sender.close()

    def _take_next(self) -> tuple[UploadItem, int] | None:
        """Return the next part to send; number 0 is a whole file."""
        with self._items_lock:
            while True:
                if self._multipart_item is not None:
                    number = self._take_next_part(self._multipart_item)
                    if number and self._is_still_selected(self._multipart_item):
                        return self._multipart_item, number
                    self._multipart_item = None
                item = next(self._items, None)
                if item is None:
                    return None
                if item.source.part_count == 1 or not self._can_send_parts():
                    return item, 0
                self._multipart_item = item

    def _can_send_parts(self) -> bool:
        return self._offsite.url.kind == "s3"

    def _take_next_part(self, item: UploadItem) -> int:
        """Return the number of the next part not yet sent; 0 if there is none."""
        while not item.has_failed and item.next_part <= item.source.part_count:
            number, item.next_part = item.next_part, item.next_part + 1
            if number not in item.sent_parts:
                return number
        return 0

    def _is_still_selected(self, item: UploadItem) -> bool:
        """Return whether the file is still selected; if not, cancel its upload."""
        with self._catalog_lock:
            wanted = rows.is_required(self._catalog, item.missing_copy.required)
        if not wanted:
            self._mark_failed(
                item, CopyError("It was dropped from the selects while it was sent."), is_final=False
            )
        return wanted

    def _send(self, sender: UploadSender, item: UploadItem, number: int) -> None:
        try:
            if number == 0:
                self._send_whole(sender, item)
            else:
                assert isinstance(sender, S3Bucket)
                self._send_part(sender, item, number, self._get_part_size(item, number))
        except (CaptivePortalError, AccessDeniedError) as error:
            self._mark_failed(item, error, is_final=True)
        except NetworkError as error:
            self._mark_failed(item, error, is_final=True)
        except PlaceFailedError as error:
            self._mark_failed(item, error, is_final=not self._offsite.place.is_connected())
        except CopyError as error:
            self._mark_failed(item, error, is_final=False)
        except FileNotFoundError:
            self._restart_lost_upload(item)
        except OSError as error:
            trouble = PlaceFailedError(f"The copy can't be read ({error.strerror or error}).")
            self._mark_failed(item, trouble, is_final=False)

    @staticmethod
    def _get_part_size(item: UploadItem, number: int) -> int:
        source = item.source
        return min(source.part_bytes, source.size - (number - 1) * source.part_bytes)

    def _send_whole(self, sender: UploadSender, item: UploadItem) -> None:
        self._choose_key(sender, item)
        source = item.source
        if item.is_already_there:
            self.results.put(ItemSent(item, "", is_verified_on_arrival=False))
            return
        if isinstance(sender, S3Bucket):
            body = source.read_part(1)
            tag = self._create_object(
                sender, item, lambda: sender.put(item.key, body, item.metadata, pace=self._throttle), len(body)
            )
        else:
            tag, mtime = "", source.mtime_ns
            self._request_with_retries(
                lambda: sender.send(item.key, self._read_throttled(item), source.size, mtime, item.metadata),
                source.size,
            )
        self.results.put(PartSent(source.size))
        self.results.put(
            ItemSent(
                item,
                tag,
                is_verified_on_arrival=self._offsite.is_verified_on_arrival and isinstance(sender, S3Bucket),
            )
        )

    def _read_throttled(self, item: UploadItem) -> Iterator[bytes]:
        hasher = Hasher()
        for piece in item.source.iter_chunks():
            if self._is_stopping():
                raise StoppedError("Stopped in the middle of a file.", safe="What was sent before stays.")
            self._throttle(len(piece))
            hasher.update(piece)
            yield piece
        # Check before it gets its name: a name means the whole and right file.
        if hasher.as_file() != item.source.file:
            raise build_changed_error("The copy changed while it was sent")

    def _send_part(self, sender: S3Bucket, item: UploadItem, number: int, size: int) -> None:
        with item.lock:
            if item.has_failed or item.is_already_there:
                return
            if not item.is_key_chosen:
                self._choose_key(sender, item)
                if item.is_already_there:
                    self.results.put(ItemSent(item, "", is_verified_on_arrival=False))
                    return
                if not item.upload_token:
                    self._begin_upload(sender, item)
                self.results.put(PartSent(sum(self._get_part_size(item, done) for done in item.sent_parts)))
            is_done = number in item.sent_parts
        if not is_done:
            body, sha256 = item.source.read_part(number), item.source.part_digests[number - 1]
            tag = self._request_with_retries(
                lambda: sender.put_part(item.key, item.upload_token, number, body, self._throttle), size
            )
            with self._catalog_lock, self._catalog.transaction():
                rows.add_sent_part(self._catalog, item.upload_id, number, tag, sha256)
            self.results.put(PartSent(size))
            item.sent_parts[number] = (tag, sha256)
        with item.lock:
            if len(item.sent_parts) < item.source.part_count or item.is_finishing:
                return
            item.is_finishing = True
        if self._is_still_selected(item):
            self._finish_item(sender, item)

    def _finish_item(self, sender: S3Bucket, item: UploadItem) -> None:
        tag = self._create_object(
            sender, item, lambda: sender.complete_upload(item.key, item.upload_token, item.sent_parts)
        )
        with self._catalog_lock, self._catalog.transaction():
            rows.remove_upload(self._catalog, item.upload_id)
        self.results.put(ItemSent(item, tag, is_verified_on_arrival=self._offsite.is_verified_on_arrival))

    def _choose_key(self, sender: UploadSender, item: UploadItem) -> None:
        """Choose the key, or resume the upload of an earlier run."""
        with self._catalog_lock:
            keys = list(itertools.islice(self._key_chooser.iter_candidate_keys(item), _MAX_KEYS))
        for key in keys:
            if isinstance(sender, S3Bucket) and self._try_to_resume(sender, item, key):
                item.is_key_chosen = True
                return
            there = self._request_with_retries(partial(self._key_chooser.is_already_there, sender, item, key))
            if there is False:
                continue
            item.key, item.is_key_chosen, item.is_already_there = key, True, bool(there)
            return
        raise NameTakenError(f"No key is free for {escape_text(item.missing_copy.required.path)}.")

    def _try_to_resume(self, sender: S3Bucket, item: UploadItem, key: str) -> bool:
        with self._catalog_lock:
            try:
                if self._request_with_retries(lambda: self._key_chooser.resume_upload(sender, item, key)):
                    return True
            except FileNotFoundError:
                # The server forgot it, or an interrupted run completed it without recording that.
                item.upload_token = ""
                item.sent_parts.clear()
            self._key_chooser.abort_unfinished(sender, key, lambda ask: self._request_with_retries(ask))
        return False

    def _create_object(self, sender: S3Bucket, item: UploadItem, request: Callable[[], str], size: int = 0) -> str:
        """Send the request that creates the object; after a lost reply, the object may exist already."""
        attempts = 0

        def once() -> str:
            nonlocal attempts
            attempts += 1
            try:
                return request()
            except (NameTakenError, FileNotFoundError):
                tag = self._find_own_tag(sender, item) if attempts > 1 else None
                if tag is None:
                    raise
                return tag

        return self._request_with_retries(once, size)

    def _find_own_tag(self, sender: S3Bucket, item: UploadItem) -> str | None:
        """Return the tag of the object under the item's key, if it is this very item."""
        found = sender.head(item.key)
        if found is None or found.get("content-length") != str(item.source.size):
            return None
        return found.get("etag", "") if found.get("x-amz-meta-blake3") == item.metadata["blake3"] else None

    def _begin_upload(self, sender: S3Bucket, item: UploadItem) -> None:
        item.upload_token = self._request_with_retries(lambda: sender.begin_upload(item.key, item.metadata))
        source = item.source
        with self._catalog_lock, self._catalog.transaction():
            item.upload_id = rows.add_upload(
                self._catalog,
                self._offsite.record.id,
                item.missing_copy.known_file.id,
                item.key,
                item.upload_token,
                source.part_bytes,
                source.file.digest,
                self._clock.now(),
            )

    def _request_with_retries(self, request: Callable[[], ResponseT], size: int = 0) -> ResponseT:
        """Repeat a request until it succeeds, waiting longer after each failure. Raises the final error.

        size: bytes in flight during the request; while it waits, others may be sent.
        """
        failures, pages, began = 0, 0, time.monotonic()
        while True:
            try:
                answer = self._request_within_limit(request, size)
            except NameTakenError:
                raise
            except CaptivePortalError as error:
                pages += 1
                if pages >= _SIGN_IN_TRIES:
                    raise
                failures += 1
                self._wait_before_retry(failures, error)
            except NetworkError as error:
                failures += 1
                quiet = time.monotonic() - self.last_response_at
                if failures >= self._retry_policy.max_tries or quiet > self._retry_policy.give_up_after_s:
                    # Other requests got through since, so the network is not at fault.
                    raise (
                        self._build_stuck_error(error, failures) if self._last_progress_at > began else error
                    ) from None
                self._wait_before_retry(failures, error)
            else:
                self.last_response_at = time.monotonic()
                return answer

    def _request_within_limit(self, request: Callable[[], ResponseT], size: int) -> ResponseT:
        if size and not self._in_flight.acquire(size):
            raise StoppedError("Stopped before it was sent.", safe="What was sent before stays.")
        try:
            answer = request()
        finally:
            if size:
                self._in_flight.release(size)
        if size:
            self._last_progress_at = time.monotonic()
        return answer

    @staticmethod
    def _build_stuck_error(error: NetworkError, failures: int) -> ItemStuckError:
        return ItemStuckError(
            f"It did not get through in {failures} tries, though others did ({error.what})",
            safe="Nothing is lost.",
            do="Run `upload` again, on another network if it stays so.",
        )

    def _wait_before_retry(self, failures: int, error: TripleguardError) -> None:
        self.results.put(RetryNotice(error))
        until = time.monotonic() + self._retry_policy.choose_wait(failures)
        while (left := until - time.monotonic()) > 0:
            if self._is_stopping():
                raise StoppedError("Stopped while the line was down.", safe="What was sent before stays.")
            time.sleep(min(left, 0.2))

    def _restart_lost_upload(self, item: UploadItem) -> None:
        """Start an upload again that the server has forgotten, with everything sent for it."""
        with self._catalog_lock, self._catalog.transaction():
            rows.remove_upload(self._catalog, item.upload_id)
        self._mark_failed(
            item, NetworkError("The server forgot the parts that it had; they are sent again."), is_final=False
        )

    def _mark_failed(self, item: UploadItem, error: TripleguardError, *, is_final: bool) -> None:
        with item.lock:
            if item.has_failed:
                return
            item.has_failed = True
        if is_final:
            self.stop()
        self.results.put(ItemNotSent(item, error, is_final))
