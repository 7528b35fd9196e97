"""What the upload workers report to the job that started them."""

from __future__ import annotations

from dataclasses import dataclass

from tripleguard.errors import (
    TripleguardError,
)
from tripleguard.jobs.offsite.upload_item import UploadItem


@dataclass(frozen=True, slots=True)
class PartSent:
    """So many bytes of a parcel arrived."""

    size: int


@dataclass(frozen=True, slots=True)
class ItemSent:
    """A parcel lies under its key. tag: the server's word for it, '' if it gave none. arrived: proved by parts."""

    item: UploadItem
    tag: str
    is_verified_on_arrival: bool


@dataclass(frozen=True, slots=True)
class ItemNotSent:
    """A parcel could not be sent. ends: nothing more can be sent now, for the same reason."""

    item: UploadItem
    error: TripleguardError
    is_final: bool


@dataclass(frozen=True, slots=True)
class RetryNotice:
    """The line failed and is tried again; for the count."""

    error: TripleguardError
