"""The check lists on drives and in bags: one line per file, as `b3sum --check` reads them.

The format is b3sum's plain one: 64 hex digits, two spaces, the name. A name with a backslash, a line feed or a
carriage return has them escaped, and its line begins with a backslash (b3sum 1.5.5 and later read an escaped
carriage return; earlier ones do not). A name that is not UTF-8 can't be checked by b3sum, so it gets no line.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator

from tripleguard.names import is_valid_utf8

_ESCAPES = {"\\": "\\\\", "\n": "\\n", "\r": "\\r"}
_HEX_DIGITS = frozenset("0123456789abcdefABCDEF")
_UNESCAPES = {"\\": "\\", "n": "\n", "r": "\r"}


def format_b3sum(files: Iterable[tuple[str, bytes]]) -> bytes:
    """Return the list for (name, 32-byte digest) pairs, in the order given."""
    return "".join(
        _format_line(name, digest) for name, digest in files if is_valid_utf8(name) and "\ufffd" not in name
    ).encode()


def format_sha256sum(files: Iterable[tuple[str, str]]) -> Iterator[bytes]:
    """Yield lines for (name, SHA-256 in hex) pairs as `sha256sum --check` reads them; any name is possible."""
    for name, digest in files:
        escaped = "".join(_ESCAPES.get(char, char) for char in name)
        yield os.fsencode(f"{chr(92) if escaped != name else ''}{digest}  {escaped}\n")


def parse_b3sum(content: bytes) -> Iterator[tuple[str, bytes]]:
    """Yield (name, digest) of every valid line; skip the others."""
    for raw in content.split(b"\n"):
        try:
            found = _parse_line(raw.decode("utf-8").rstrip("\r"))
        except UnicodeDecodeError:
            continue
        if found is not None:
            yield found


def find_remarks(content: bytes) -> list[bytes] | None:
    """Return the other lines of a check list, in their order; None if it is no text."""
    if b"\0" in content:
        return None
    found: list[bytes] = []
    for raw in content.split(b"\n"):
        try:
            line = raw.decode("utf-8").rstrip("\r")
        except UnicodeDecodeError:
            return None
        if line.strip() and _parse_line(line) is None:
            found.append(raw)
    return found


def is_checklist(content: bytes) -> bool:
    """Return whether this is a check list and nothing else: every non-empty line is valid."""
    return len(list(parse_b3sum(content))) == sum(bool(line.strip()) for line in content.split(b"\n"))


def _format_line(name: str, digest: bytes) -> str:
    escaped = "".join(_ESCAPES.get(char, char) for char in name)
    return f"{chr(92) if escaped != name else ''}{digest.hex()}  {escaped}\n"


def _parse_line(line: str) -> tuple[str, bytes] | None:
    escaped = line.startswith("\\")
    digits, gap, name = line[escaped:].partition("  ")
    # `bytes.fromhex` would ignore spaces among the digits.
    if not gap or not name or len(digits) != 64 or not set(digits) <= _HEX_DIGITS:
        return None
    digest = bytes.fromhex(digits)
    plain = _unescape(name) if escaped else name
    return None if plain is None else (plain, digest)


def _unescape(name: str) -> str | None:
    out: list[str] = []
    chars = iter(name)
    for char in chars:
        if char != "\\":
            out.append(char)
            continue
        back = _UNESCAPES.get(next(chars, ""))
        if back is None:
            return None
        out.append(back)
    return "".join(out)
