"""The names that the tool reserves on a drive, and whether a file there was certainly written by it.

Everything else on a drive is the photographer's. A reserved name alone proves nothing: anyone may have put a
picture into the tool's folder, or saved one under the name of a check list. So each kind of file is recognized by
its name *and* its form. An unfinished copy can have any content, since a power cut may leave anything in it; it is
recognized by a name that contains its own checksum, from the moment it is created. In doubt a file is someone
else's.
"""

from __future__ import annotations

import re
import secrets
import unicodedata
import zlib
from collections.abc import Callable

import msgspec
from blake3 import blake3

from tripleguard import checklist
from tripleguard.names import fold_name

RESERVED_DIR = ".tripleguard"
INCOMING_DIR = f"{RESERVED_DIR}/incoming"
"""Unfinished copies. Those that were certainly begun by this tool are removed by the next job."""
QUARANTINE_DIR = f"{RESERVED_DIR}/quarantine"
"""Quarantined bad copies, with the reason. Nothing here is removed without a person's request."""
LISTS_DIR = f"{RESERVED_DIR}/lists"
"""Check lists of copies outside their shoot's folder; their names are relative to the drive's top."""
SNAPSHOTS_DIR = f"{RESERVED_DIR}/catalog"
"""Snapshots of catalogs, `catalog-STAMP-ID8.db.gz`."""
GENERATIONS_DIR = f"{RESERVED_DIR}/generations"
"""The last generation of each catalog that this drive saw, `ID.json`."""
DECISIONS_DIR = f"{RESERVED_DIR}/decisions"
"""The decisions made in each catalog, `ID.json.gz`."""
CHECKLIST_NAME = "checksums.b3"
RECORD_PREFIX = "clearance-"
SUPERSEDED_SUFFIX = ".old"

_SHORT_NAME = re.compile(r"(tripl|tr)[0-9a-f]*~[0-9]+")
_RECORD_NAME = re.compile(r"clearance-[0-9]{8}T[0-9]{6}Z\.txt", re.IGNORECASE)


def may_reach_reserved_dir(path: str) -> bool:
    """Return whether a relative path may lead into the reserved folder on some file system, in any spelling.

    Ignores case, invisible characters (as HFS+ does), and dots and spaces at the end; includes short names
    (Windows).
    """
    first = "".join(char for char in path.partition("/")[0] if unicodedata.category(char) != "Cf")
    plain = fold_name(first).rstrip(". ")
    return plain == RESERVED_DIR or _SHORT_NAME.fullmatch(plain) is not None


def is_reserved(path: str) -> bool:
    """Return whether this relative path is reserved by the tool."""
    name = path.rpartition("/")[2].removesuffix(SUPERSEDED_SUFFIX)
    return (
        path.startswith(f"{RESERVED_DIR}/") or name == CHECKLIST_NAME or _RECORD_NAME.fullmatch(name) is not None
    )


ReadHead = Callable[[int], bytes]
"""Returns up to this many first bytes of the file in question. Raises OSError."""

MAX_LIST_BYTES = 256 * 1024 * 1024
_MAX_JSON_BYTES = 64 * 1024 * 1024
_HEAD_BYTES = 64 * 1024
_SQLITE_MAGIC = b"SQLite format 3\0"  # sqlite.org/fileformat, section 1.3

_STAMP = r"[0-9]{8}T[0-9]{6}Z"
_UNFINISHED_NAME = re.compile(r"([0-9a-f]{16})-([0-9a-f]{16})\.(part|own)")
_PROBE_PREFIX_LENGTH = 16
_SNAPSHOT_PATH = re.compile(rf"{RESERVED_DIR}/catalog/catalog-{_STAMP}-[0-9a-z]{{1,8}}\.db\.gz")
_JSON_PATH = re.compile(
    rf"{RESERVED_DIR}/(place\.json|handover\.json|lock|done/[0-9]{{6,}}|generations/[0-9a-f]+\.json)"
)
_PACKED_JSON_PATH = re.compile(rf"{RESERVED_DIR}/decisions/[0-9a-f]+\.json\.gz")
_RECORD_PATH = re.compile(
    rf"({RESERVED_DIR}/records/retired-[0-9a-z]{{1,8}}-{_STAMP}|(.*/)?{RECORD_PREFIX}{_STAMP})\.txt", re.I
)
_RECORD_HEAD = re.compile(r"Clearance: .+\n(?:[a-z]{3,9} +\S.*\n)+\nFiles .+:\n")


def is_certainly_own(path: str, read: ReadHead) -> bool:
    """Return whether the file at a relative path is by its name and form one that this tool wrote.

    path: of a regular file, from the top of the drive. Quarantined files are judged by `places.quarantine`, and
    are never certain here. In doubt, as when it can't be read, the answer is no.
    """
    name = path.rpartition("/")[2]
    if path.startswith(f"{QUARANTINE_DIR}/"):
        return False
    if path.startswith(f"{INCOMING_DIR}/"):
        return is_unfinished_name(name) or (is_probe_name(name) and _read_or_none(read, 1) == b"")
    path = path.removesuffix(SUPERSEDED_SUFFIX)
    for is_of_this_name, is_of_this_form in _OWN_FILE_KINDS:
        if is_of_this_name(path):
            return is_of_this_form(read)
    return False


def is_checklist_with_remarks(content: bytes) -> bool:
    """Return whether this is a check list to which someone added lines of text."""
    return checklist.find_remarks(content) is not None and next(checklist.parse_b3sum(content), None) is not None


def new_unfinished_name(kind: str) -> str:
    """Return a fresh, verifiable name for an unfinished copy. kind: `read_part` or `own_file`."""
    token = secrets.token_hex(8)
    return f"{token}-{_compute_check(token + kind, 16)}.{kind}"


def is_unfinished_name(name: str) -> bool:
    """Return whether a name was given by `new_unfinished_name`."""
    found = _UNFINISHED_NAME.fullmatch(name)
    return found is not None and _compute_check(found[1] + found[3], 16) == found[2]


def new_probe_prefix() -> str:
    """Return the prefix of the names of probe files, which are always empty."""
    token = secrets.token_hex(4)
    return f"{token}{_compute_check(token, 8)}"


def is_probe_name(name: str) -> bool:
    """Return whether a name has the prefix of probe files."""
    prefix = name[:_PROBE_PREFIX_LENGTH]
    return len(prefix) == _PROBE_PREFIX_LENGTH and _compute_check(prefix[:8], 8) == prefix[8:]


def _compute_check(token: str, digits: int) -> str:
    return blake3(f"unfinished copy of tripleguard {token}".encode()).hexdigest()[:digits]


def _is_list(read: ReadHead) -> bool:
    content = _read_or_none(read, MAX_LIST_BYTES)
    return content is not None and checklist.is_checklist(content)


def _is_json(read: ReadHead) -> bool:
    content = _read_or_none(read, _MAX_JSON_BYTES)
    return content is not None and (not content or _is_parsable(content))


def _is_packed_json(read: ReadHead) -> bool:
    content = _unpack(_read_or_none(read, _MAX_JSON_BYTES), _MAX_JSON_BYTES)
    return content is not None and _is_parsable(content)


def _is_snapshot(read: ReadHead) -> bool:
    content = _unpack(_read_or_none(read, _HEAD_BYTES), _HEAD_BYTES)
    return content is not None and content.startswith(_SQLITE_MAGIC)


def _is_record(read: ReadHead) -> bool:
    content = _read_or_none(read, MAX_LIST_BYTES)
    if content is None:
        return False
    text = content.decode("utf-8", "replace")
    found = _RECORD_HEAD.match(text)
    return found is not None and checklist.is_checklist(text[found.end() :].encode())


_OWN_FILE_KINDS: tuple[tuple[Callable[[str], object], Callable[[ReadHead], bool]], ...] = (
    (_JSON_PATH.fullmatch, _is_json),
    (lambda path: path.rpartition("/")[2] == CHECKLIST_NAME and not path.startswith(f"{RESERVED_DIR}/"), _is_list),
    (lambda path: path.rpartition("/")[0] == LISTS_DIR and path.endswith(".b3"), _is_list),
    (_SNAPSHOT_PATH.fullmatch, _is_snapshot),
    (_PACKED_JSON_PATH.fullmatch, _is_packed_json),
    (_RECORD_PATH.fullmatch, _is_record),
)
"""For each kind of file, the checks of its name and of its form."""


def _read_or_none(read: ReadHead, limit: int) -> bytes | None:
    try:
        return read(limit)
    except OSError:
        return None


def _is_parsable(content: bytes) -> bool:
    try:
        return isinstance(msgspec.json.decode(content), dict | list)
    except (msgspec.MsgspecError, RecursionError, UnicodeDecodeError):
        return False


def _unpack(content: bytes | None, limit: int) -> bytes | None:
    """Return the beginning of a gzip stream's content (RFC 1952); None if it is no such stream."""
    try:
        return zlib.decompressobj(wbits=31).decompress(content, limit) if content else None
    except zlib.error:
        return None
