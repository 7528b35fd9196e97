"""Probe which checks an S3 server really makes, before any of its answers is trusted.

A server that ignores a checksum header, or a condition, says yes to everything. So it is sent small bodies with
a wrong checksum, and a second body for a key that exists; only a refusal counts. The probes lie below the
tool's own prefix and are removed again, where the credentials allow that.
"""

from __future__ import annotations

import base64
import contextlib
import secrets
from collections.abc import Callable

from tripleguard.errors import AccessDeniedError, NameTakenError, NetworkError, UploadCorruptedError
from tripleguard.places.reserved import RESERVED_DIR
from tripleguard.places.s3.bucket import S3Bucket, ServerCapabilities

_PROBE_BODY = b"tripleguard asks what this server does with a wrong checksum; this may be removed\n"
_OTHER_BODY = _PROBE_BODY.replace(b"wrong", b"right")


def probe_server(bucket: S3Bucket) -> ServerCapabilities:
    """What this server checks. The bucket's own habits must be the most cautious ones.

    Raises LineTrouble, NoAccess, SignInPage where it can't be asked at all.
    """
    base = f"{RESERVED_DIR}/probes/{secrets.token_hex(8)}"
    made: list[str] = []

    def key(name: str) -> str:
        made.append(f"{base}-{name}")
        return made[-1]

    try:
        taken = key("taken")
        bucket.put(taken, _PROBE_BODY, {})
        wrong = b"\1" * 32
        header = {"x-amz-checksum-sha256": base64.b64encode(wrong).decode()}
        return ServerCapabilities(
            conditional=_is_rejected(lambda: bucket.put(taken, _OTHER_BODY, {}), NameTakenError),
            conditional_parts=_rejects_existing_key(bucket, taken),
            proves=_is_rejected(
                lambda: bucket.put(key("signed"), _PROBE_BODY, {}, checksum_headers={}, sha256=wrong),
                UploadCorruptedError,
            ),
            header=_is_rejected(
                lambda: bucket.put(key("header"), _PROBE_BODY, {}, checksum_headers=header), UploadCorruptedError
            ),
        )
    finally:
        for name in made:
            # Credentials that may not delete are good ones.
            with contextlib.suppress(NetworkError, AccessDeniedError, FileNotFoundError):
                bucket.delete_probe(name)


def _rejects_existing_key(bucket: S3Bucket, existing_key: str) -> bool:
    """Whether parts are not made an object where there is one. The bucket itself must not look first."""
    upload = bucket.begin_upload(existing_key, {})
    try:
        tag = bucket.put_part(existing_key, upload, 1, _OTHER_BODY, None)
        return _is_rejected(
            lambda: bucket.complete_upload_unchecked(existing_key, upload, {1: (tag, b"")}), NameTakenError
        )
    finally:
        with contextlib.suppress(NetworkError, AccessDeniedError, FileNotFoundError):
            bucket.abort_upload(existing_key, upload)


def _is_rejected(request: Callable[[], object], expected_error: type[Exception]) -> bool:
    """Whether it refuses for the right reason; a server that can't do what is asked does not do it."""
    try:
        request()
    except expected_error:
        return True
    except AccessDeniedError:
        return False
    return False
