"""Parse the URL of an offsite place, and open the store that it names.

`s3://bucket/prefix?endpoint=https://...&region=...` for S3 and compatible servers, `gs://bucket/prefix`,
`az://container/prefix`, `file:///mnt/nas/pictures` or a plain path for a folder. A URL never holds a
credential: it is kept in the catalog and shown in reports.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Literal
from urllib.parse import parse_qsl, unquote, urlsplit

from tripleguard.errors import PlaceError, UsageError
from tripleguard.names import escape_text
from tripleguard.places.s3.bucket import BucketAddress
from tripleguard.places.s3.credentials import find_credentials, find_region
from tripleguard.places.s3.signing import Credentials

if TYPE_CHECKING:
    from obstore.store import ClientConfig, ObjectStore, S3Config

StoreKind = Literal["s3", "gs", "az", "file"]
_KINDS: tuple[StoreKind, ...] = ("s3", "gs", "az", "file")
_OPTIONS = frozenset({"endpoint", "region", "profile", "style"})


@dataclass(frozen=True, slots=True)
class OffsiteUrl:
    """A parsed URL. bucket: the container's name, empty for a folder. prefix: empty or ending in `/`."""

    text: str
    kind: StoreKind
    bucket: str
    prefix: str
    options: Mapping[str, str]

    @property
    def folder(self) -> Path:
        """Return the folder of a `file:` address."""
        return Path(unquote(urlsplit(self.text).path))


def parse_offsite_url(text: str) -> OffsiteUrl:
    """Return the parsed URL. Raises UsageError if it is invalid, or contains a credential."""
    if "://" not in text:
        return parse_offsite_url(Path(text).expanduser().absolute().as_uri())
    parts = urlsplit(text)
    kind = next((kind for kind in _KINDS if kind == parts.scheme), None)
    if kind is None:
        raise _address_error(
            text, f"{escape_text(parts.scheme)}:// is not known; s3://, gs://, az:// and file:// are"
        )
    if "@" in parts.netloc:
        raise UsageError(
            "The address holds a credential.",
            safe="It was not kept.",
            do="Give it without; see docs/offsite.md for where credentials belong.",
        )
    options = dict(parse_qsl(parts.query, keep_blank_values=True))
    if parts.fragment or set(options) - _OPTIONS or (options and kind != "s3"):
        raise _address_error(text, f"after ? only {', '.join(sorted(_OPTIONS))} can stand, for s3://")
    if kind == "file":
        return OffsiteUrl(text, kind, "", "", {})
    if not parts.netloc:
        raise _address_error(text, "it names no bucket")
    endpoint = options.get("endpoint")
    if endpoint is not None and ("@" in endpoint or not endpoint.startswith(("https://", "http://"))):
        raise _address_error(text, "the endpoint must begin with https:// and hold no credential")
    prefix = unquote(parts.path).strip("/")
    return OffsiteUrl(text, kind, parts.netloc, f"{prefix}/" if prefix else "", options)


def resolve_s3_address(url: OffsiteUrl, environment: Mapping[str, str]) -> tuple[BucketAddress, Credentials]:
    """Return an S3 bucket's address and our credentials. Raises AccessDeniedError without credentials."""
    profile = url.options.get("profile")
    region = url.options.get("region") or find_region(profile, environment)
    given = (
        url.options.get("endpoint")
        or environment.get("AWS_ENDPOINT_URL_S3")
        or environment.get("AWS_ENDPOINT_URL")
    )
    virtual = url.options.get("style") == "virtual" or (given is None and "." not in url.bucket)
    endpoint = (given or f"https://s3.{region}.amazonaws.com").rstrip("/")
    if virtual:
        scheme, _, host = endpoint.partition("://")
        endpoint = f"{scheme}://{url.bucket}.{host}"
    address = BucketAddress(endpoint, url.bucket, url.prefix, region, virtual)
    return address, find_credentials(url.bucket, profile, environment)


def open_object_store(url: OffsiteUrl, environment: Mapping[str, str]) -> ObjectStore:
    """Return the store at a URL that is no folder. Raises AccessDeniedError, PlaceError without obstore."""
    try:
        from obstore.store import AzureStore, GCSStore, S3Store
    except ImportError as error:
        raise missing_obstore_error() from error
    prefix = url.prefix.rstrip("/") or None
    patience: ClientConfig = {"timeout": timedelta(seconds=120), "connect_timeout": timedelta(seconds=20)}
    retry = {"max_retries": 4, "retry_timeout": timedelta(seconds=60)}
    if url.kind == "s3":
        address, who = resolve_s3_address(url, environment)
        patience["allow_http"] = address.endpoint.startswith("http://")
        config: S3Config = {
            "access_key_id": who.access_key,
            "secret_access_key": who.secret_key,
            "endpoint": address.endpoint,
            "region": address.region,
            "virtual_hosted_style_request": address.is_virtual_hosted,
        }
        if who.session_token:
            config["session_token"] = who.session_token
        return S3Store(
            url.bucket,
            prefix=prefix,
            config=config,
            client_options=patience,
            retry_config=retry,  # type: ignore[arg-type]
        )
    kind = GCSStore if url.kind == "gs" else AzureStore
    return kind(url.bucket, prefix=prefix, client_options=patience, retry_config=retry)  # type: ignore[arg-type]


def missing_obstore_error() -> PlaceError:
    """Return the error if the library for object stores is not installed."""
    return PlaceError(
        "What talks to object stores is not installed.",
        safe="Nothing was sent.",
        do="Install it: pip install 'tripleguard[offsite]'.",
    )


def get_environment() -> Mapping[str, str]:
    """Return the environment of this process; a test passes another one."""
    return os.environ


def _address_error(text: str, reason: str) -> UsageError:
    # The part after ? or before @ may be a credential, and messages may be logged.
    harmless = text.partition("?")[0].rpartition("@")[2]
    return UsageError(
        f"{escape_text(harmless)} is no address of an offsite place: {reason}.",
        safe="Nothing was changed.",
        do="Write it like s3://bucket/pictures?endpoint=https://s3.example.org or file:///mnt/nas/pictures.",
    )
