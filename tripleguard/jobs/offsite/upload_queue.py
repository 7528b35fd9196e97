"""Queue the files to upload next, and choose the key of each.

A key never changes its meaning. Other content under a key stays there, and the next free name is taken.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence

from tripleguard.catalog import file_queries
from tripleguard.catalog import offsite as rows
from tripleguard.catalog.store import Catalog
from tripleguard.errors import NameTakenError, SourceMismatchError, StoppedError, TripleguardError
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.offsite.encryption import Encryptor, build_object_key
from tripleguard.jobs.offsite.offsite_place import OpenOffsite, UploadSender
from tripleguard.jobs.offsite.upload_item import UploadItem, build_metadata, open_verified_source
from tripleguard.model import CopyState
from tripleguard.names import add_number, escape_text
from tripleguard.places.s3.bucket import MIN_PART_BYTES, S3Bucket

_AWAITS_READ_BACK = "it lies there and waits to be read back, a budget at a time: run `rescan --place offsite`"
_NO_GOOD_COPY = "no good copy of it is on a connected drive: connect the drives and run `upload` again"


class UploadQueue:
    """The items of one pass. Each keeps its source open until it is sent or given up.

    taken_keys: by file id, the keys under which other content was found.
    """

    def __init__(
        self,
        ctx: JobContext,
        drives: Sequence[OpenDrive],
        offsite: OpenOffsite,
        taken_keys: Mapping[int, set[str]],
        should_stop: Callable[[], bool],
    ) -> None:
        self.max_in_flight_bytes = MIN_PART_BYTES
        self.skipped: list[tuple[str, str]] = []
        self._ctx, self._drives, self._offsite = ctx, drives, offsite
        self._should_stop = should_stop
        self._catalog = ctx.catalog.reopen()
        self._taken_keys = taken_keys
        self._encryptor = Encryptor(ctx.home, ctx.settings.offsite.seal_for)
        self._open_items: set[UploadItem] = set()
        self._lock = threading.Lock()

    def iter_items(self) -> Iterator[UploadItem]:
        """Yield one item for each missing copy that can be sent now; called by one thread at a time."""
        for missing_copy in rows.list_missing_offsite(self._catalog, self._offsite.record.id):
            if self._should_stop():
                return
            if missing_copy.is_recorded:
                self.skipped.append((missing_copy.required.path, _AWAITS_READ_BACK))
                continue
            # Check right before sending: a picture that was deselected must not be sent.
            if not rows.is_required(self._catalog, missing_copy.required):
                continue
            try:
                plain = open_verified_source(
                    self._catalog, self._drives, missing_copy.known_file, self._should_stop
                )
                if plain is None:
                    self.skipped.append((missing_copy.required.path, _NO_GOOD_COPY))
                    continue
                source = self._encryptor.encrypt(plain)
            except StoppedError:
                return
            except SourceMismatchError as error:
                self.skipped.append((missing_copy.required.path, error.what))
                continue
            except (TripleguardError, OSError) as error:
                self.skipped.append((missing_copy.required.path, str(error)))
                continue
            about = build_metadata(missing_copy.known_file, source, self._encryptor.method)
            item = UploadItem(missing_copy, source, missing_copy.required.path, self._encryptor.method, about)
            item.taken_keys = self._taken_keys.get(missing_copy.known_file.id, set())
            with self._lock:
                self._open_items.add(item)
            yield item

    def mark_sent(self, item: UploadItem) -> None:
        """Release what was kept for an item that arrived."""
        self.give_up(item)
        self._encryptor.forget(item.missing_copy.known_file.file)

    def give_up(self, item: UploadItem) -> None:
        """Drop an item from this pass; what was prepared for it is kept for the next."""
        with self._lock:
            if item in self._open_items:
                self._open_items.remove(item)
                item.source.close()

    def close(self) -> None:
        with self._lock:
            for item in self._open_items:
                item.source.close()
            self._open_items.clear()
        self._catalog.close()


_MAX_NAMES = 99


class KeyChooser:
    """Chooses keys. Callers hold a lock around each call; the catalog belongs to the lock's holder."""

    def __init__(self, offsite: OpenOffsite, catalog: Catalog) -> None:
        self._offsite = offsite
        self._catalog = catalog

    def iter_candidate_keys(self, item: UploadItem) -> Iterator[str]:
        """Yield keys that hold nothing else by the catalog, the plain one first.

        Raises NameTakenError after the last.
        """
        folder, _, name = item.missing_copy.required.path.rpartition("/")
        for number in range(1, _MAX_NAMES):
            path = f"{folder}/{add_number(name, number)}" if folder else add_number(name, number)
            key = self._offsite.place.fit_key(build_object_key(path, item.encryption))
            recorded = file_queries.find_copy_at(self._catalog, self._offsite.record.id, key)
            if recorded is None or self._is_key_usable(
                recorded.file_id == item.missing_copy.known_file.id, recorded.state
            ):
                yield key
        raise NameTakenError(f"No name is left for {escape_text(item.missing_copy.required.path)}.")

    def resume_upload(self, sender: S3Bucket, item: UploadItem, key: str) -> bool:
        """Resume an unfinished upload of this item to a key, if there is one.

        Raises FileNotFoundError if the server has forgotten it.
        """
        begun = rows.find_unfinished_upload(self._catalog, self._offsite.record.id, key)
        if begun is None:
            return False
        source = item.source
        if begun.blake3 != source.file.digest or begun.part_bytes != source.part_bytes:
            return False
        item.key, item.upload_token, item.upload_id = key, begun.token, begun.id
        there = sender.list_parts(key, begun.token)
        for number, (tag, sha256) in begun.parts.items():
            size = min(source.part_bytes, source.size - (number - 1) * source.part_bytes)
            if there.get(number) == (tag, size) and sha256 == source.part_digests[number - 1]:
                item.sent_parts[number] = (tag, sha256)
        return True

    def abort_unfinished(
        self, sender: S3Bucket, key: str, run_with_retries: Callable[[Callable[[], None]], object]
    ) -> None:
        """Abort an unfinished upload to this key of another file or an older version."""
        begun = rows.find_unfinished_upload(self._catalog, self._offsite.record.id, key)
        if begun is None:
            return
        with contextlib.suppress(FileNotFoundError):
            run_with_retries(lambda: sender.abort_upload(key, begun.token))
        with self._catalog.transaction():
            rows.remove_upload(self._catalog, begun.id)

    def is_already_there(self, sender: UploadSender, item: UploadItem, key: str) -> bool | None:
        """Return whether this item seems to be under a key already; None if nothing is there."""
        if key in item.taken_keys:
            return False
        if isinstance(sender, S3Bucket):
            found = sender.head(key)
            if found is None:
                return None
            same = found.get("x-amz-meta-blake3") == item.metadata["blake3"]
            return same and found.get("content-length") == str(item.source.size)
        entry = self._offsite.place.stat(key)
        if entry is None:
            return False if self._offsite.place.exists(key) else None
        return entry.size == item.source.size

    @staticmethod
    def _is_key_usable(is_same_file: bool, state: CopyState) -> bool:
        """Return whether a recorded key may be used: it is the same file's, and that is missing or good."""
        return is_same_file and state in (CopyState.PRESENT, CopyState.MISSING)
