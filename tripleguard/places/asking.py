"""Asking a server what it does with something wrong, before anything it says is believed.

A server that ignores a checksum header, or a condition, says yes to everything. So it is sent small bodies with a
wrong checksum, and a second body for a key that is taken; only a no counts. The probes lie below the tool's own
prefix and are removed again, where the credentials allow that.
"""

from __future__ import annotations

import base64
import contextlib
import secrets
from collections.abc import Callable

from tripleguard.errors import ArrivedChanged, LineTrouble, NameTaken, NoAccess
from tripleguard.places.bucket import Bucket, Habits
from tripleguard.places.own import OWN

_RIGHT = b"tripleguard asks what this server does with a wrong checksum; this may be removed\n"
_OTHER = _RIGHT.replace(b"wrong", b"right")


def ask_habits(bucket: Bucket) -> Habits:
    """What this server checks. The bucket's own habits must be the most cautious ones.

    Raises LineTrouble, NoAccess, SignInPage where it can't be asked at all.
    """
    base = f"{OWN}/probes/{secrets.token_hex(8)}"
    made: list[str] = []

    def key(name: str) -> str:
        made.append(f"{base}-{name}")
        return made[-1]

    try:
        taken = key("taken")
        bucket.put(taken, _RIGHT, {})
        wrong = b"\1" * 32
        header = {"x-amz-checksum-sha256": base64.b64encode(wrong).decode()}
        return Habits(
            conditional=_says_no(lambda: bucket.put(taken, _OTHER, {}), NameTaken),
            conditional_parts=_refuses_parts(bucket, taken),
            proves=_says_no(
                lambda: bucket.put(key("signed"), _RIGHT, {}, claims={}, sha256=wrong), ArrivedChanged
            ),
            header=_says_no(lambda: bucket.put(key("header"), _RIGHT, {}, claims=header), ArrivedChanged),
        )
    finally:
        for name in made:
            # Credentials that may not delete are good ones.
            with contextlib.suppress(LineTrouble, NoAccess, FileNotFoundError):
                bucket.remove_probe(name)


def _refuses_parts(bucket: Bucket, taken: str) -> bool:
    """Whether parts are not made an object where there is one. The bucket itself must not look first."""
    upload = bucket.begin(taken, {})
    try:
        tag = bucket.put_part(taken, upload, 1, _OTHER, None)
        return _says_no(lambda: bucket.finish_blindly(taken, upload, {1: (tag, b"")}), NameTaken)
    finally:
        with contextlib.suppress(LineTrouble, NoAccess, FileNotFoundError):
            bucket.forget(taken, upload)


def _says_no(ask: Callable[[], object], no: type[Exception]) -> bool:
    """Whether it refuses for the right reason; a server that can't do what is asked does not do it."""
    try:
        ask()
    except no:
        return True
    except NoAccess:
        return False
    return False
