"""The events that the upload workers report to the job."""

from __future__ import annotations

from dataclasses import dataclass

from tripleguard.errors import (
    TripleguardError,
)
from tripleguard.jobs.offsite.upload_item import UploadItem


@dataclass(frozen=True, slots=True)
class PartSent:
    """This many bytes of an item arrived."""

    size: int


@dataclass(frozen=True, slots=True)
class ItemSent:
    """An item was stored under its key. tag: the server's, '' if it gave none."""

    item: UploadItem
    tag: str
    is_verified_on_arrival: bool


@dataclass(frozen=True, slots=True)
class ItemNotSent:
    """An item could not be sent. is_final: nothing more can be sent now, for the same reason."""

    item: UploadItem
    error: TripleguardError
    is_final: bool


@dataclass(frozen=True, slots=True)
class RetryNotice:
    """A request failed and is retried; for the count."""

    error: TripleguardError
