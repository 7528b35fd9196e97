"""Whether a file among the tool's own is certainly one that the tool wrote. In doubt it is somebody else's.

A reserved name proves nothing: anybody may have put a picture into the tool's folder, or saved one under the
name of a check list. So each kind of file is known by its name *and* by its form. An unfinished copy has any form,
since a power cut may leave anything in it; it is known by a name that carries its own check, and that it has from
the moment it is made.
"""

from __future__ import annotations

import re
import secrets
import zlib
from collections.abc import Callable

import msgspec
from blake3 import blake3

from tripleguard import checklist
from tripleguard.places.own import ASIDE, CHECK_LIST, INCOMING, LISTS, OWN, RECORD_PREFIX, SUPERSEDED

Read = Callable[[int], bytes]
"""Gives the first bytes of the file in question, at most so many. Raises OSError."""

LIST_LIMIT = 256 * 1024 * 1024
_SMALL = 64 * 1024 * 1024
_HEAD = 64 * 1024
_SQLITE = b"SQLite format 3\0"  # sqlite.org/fileformat, section 1.3

_STAMP = r"[0-9]{8}T[0-9]{6}Z"
_UNFINISHED = re.compile(r"([0-9a-f]{16})-([0-9a-f]{16})\.(part|own)")
_TRIAL = 16
_SNAPSHOT = re.compile(rf"{OWN}/catalog/catalog-{_STAMP}-[0-9a-z]{{1,8}}\.db\.gz")
_JSON = re.compile(rf"{OWN}/(place\.json|handover\.json|lock|done/[0-9]{{6,}}|generations/[0-9a-f]+\.json)")
_PACKED_JSON = re.compile(rf"{OWN}/decisions/[0-9a-f]+\.json\.gz")
_RECORD = re.compile(rf"({OWN}/records/retired-[0-9a-z]{{1,8}}-{_STAMP}|(.*/)?{RECORD_PREFIX}{_STAMP})\.txt", re.I)
_RECORD_HEAD = re.compile(r"Clearance: .+\n(?:[a-z]{3,9} +\S.*\n)+\nFiles .+:\n")


def is_certainly_own(path: str, read: Read) -> bool:
    """Whether the file at a relative path is by its name and its form one that this tool wrote.

    path: of a plain file, from the top of the drive. What lies aside is judged by `places.aside`, and is never
    certain here. In doubt, as where it can't be read, the answer is no.
    """
    name = path.rpartition("/")[2]
    if path.startswith(f"{ASIDE}/"):
        return False
    if path.startswith(f"{INCOMING}/"):
        return is_unfinished_name(name) or (is_trial_name(name) and _read(read, 1) == b"")
    path = path.removesuffix(SUPERSEDED)
    for is_of_this_name, is_of_this_form in _KINDS:
        if is_of_this_name(path):
            return is_of_this_form(read)
    return False


def is_remarked_list(content: bytes) -> bool:
    """Whether this is a check list to which somebody added lines of text."""
    return checklist.remarks(content) is not None and next(checklist.parsed(content), None) is not None


def unfinished_name(kind: str) -> str:
    """A fresh name for an unfinished copy that says of itself who gave it. kind: `part` or `own`."""
    token = secrets.token_hex(8)
    return f"{token}-{_check(token + kind, 16)}.{kind}"


def is_unfinished_name(name: str) -> bool:
    """Whether a name was given by `unfinished_name`."""
    found = _UNFINISHED.fullmatch(name)
    return found is not None and _check(found[1] + found[3], 16) == found[2]


def trial_prefix() -> str:
    """What the names of trial files begin with, which are always empty."""
    token = secrets.token_hex(4)
    return f"{token}{_check(token, 8)}"


def is_trial_name(name: str) -> bool:
    """Whether a name begins as `trial_prefix` has it."""
    prefix = name[:_TRIAL]
    return len(prefix) == _TRIAL and _check(prefix[:8], 8) == prefix[8:]


def _check(token: str, digits: int) -> str:
    return blake3(f"unfinished copy of tripleguard {token}".encode()).hexdigest()[:digits]


def _is_list(read: Read) -> bool:
    content = _read(read, LIST_LIMIT)
    return content is not None and checklist.is_list(content)


def _is_json(read: Read) -> bool:
    content = _read(read, _SMALL)
    return content is not None and (not content or _parses(content))


def _is_packed_json(read: Read) -> bool:
    content = _unpacked(_read(read, _SMALL), _SMALL)
    return content is not None and _parses(content)


def _is_snapshot(read: Read) -> bool:
    content = _unpacked(_read(read, _HEAD), _HEAD)
    return content is not None and content.startswith(_SQLITE)


def _is_record(read: Read) -> bool:
    content = _read(read, LIST_LIMIT)
    if content is None:
        return False
    text = content.decode("utf-8", "replace")
    found = _RECORD_HEAD.match(text)
    return found is not None and checklist.is_list(text[found.end() :].encode())


_KINDS: tuple[tuple[Callable[[str], object], Callable[[Read], bool]], ...] = (
    (_JSON.fullmatch, _is_json),
    (lambda path: path.rpartition("/")[2] == CHECK_LIST and not path.startswith(f"{OWN}/"), _is_list),
    (lambda path: path.rpartition("/")[0] == LISTS and path.endswith(".b3"), _is_list),
    (_SNAPSHOT.fullmatch, _is_snapshot),
    (_PACKED_JSON.fullmatch, _is_packed_json),
    (_RECORD.fullmatch, _is_record),
)
"""For each kind of file whether it has the name, and whether it has the form."""


def _read(read: Read, limit: int) -> bytes | None:
    try:
        return read(limit)
    except OSError:
        return None


def _parses(content: bytes) -> bool:
    try:
        return isinstance(msgspec.json.decode(content), dict | list)
    except (msgspec.MsgspecError, RecursionError, UnicodeDecodeError):
        return False


def _unpacked(content: bytes | None, limit: int) -> bytes | None:
    """The beginning of what a gzip stream holds (RFC 1952); None where it is none."""
    try:
        return zlib.decompressobj(wbits=31).decompress(content, limit) if content else None
    except zlib.error:
        return None
