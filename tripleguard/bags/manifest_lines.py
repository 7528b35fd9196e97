"""Format and parse the lines of a bag's manifests and fetch lists, and refuse unsafe paths.

A manifest line is a checksum in hex digits, spaces or tabs, and a path from the bag's base with `/` between its
parts. LF, CR and `%` in a path are written `%0A`, `%0D` and `%25`, and no other characters are encoded (RFC 8493,
2.1.3). Lines end with LF, CR or CRLF (2.3).

Manifests are untrusted. A path that could leave the bag on any system is refused: absolute, with `..`, with a
drive letter, with two leading backslashes, or beginning with `~` (RFC 8493, 5, special directory characters).
"""

from __future__ import annotations

import codecs
import itertools
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

PAYLOAD_PREFIX = "data/"
MAX_LINE_LENGTH = 128 * 1024
"""Characters. The RFC sets no limit; every path that a file system accepts, encoded twice, is shorter."""

_ENCODINGS = {"%": "%25", "\n": "%0A", "\r": "%0D"}
_DECODINGS = {"%25": "%", "%0A": "\n", "%0D": "\r"}
_TO_ENCODE = re.compile(r"[%\n\r]")
_TO_DECODE = re.compile(r"%(?:25|0[AaDd])")
_LINE_PATTERN = re.compile(r"(\\?)([0-9A-Fa-f]+)[ \t]+(\*?)([^\n\r]+)", re.DOTALL)
_FETCH_PATTERN = re.compile(r"(\S+)[ \t]+([0-9]{1,25}|-)[ \t]+([^\n\r]+)", re.DOTALL)
_TO_UNESCAPE = re.compile(r"\\\\|\\n|\\r")
_UNESCAPES = {"\\\\": "\\", "\\n": "\n", "\\r": "\r"}
_DRIVE_LETTER = re.compile(r"[A-Za-z]:")


class BagTextError(Exception):
    """A text file of a bag can't be read as text; the message says why."""


@dataclass(frozen=True, slots=True)
class ManifestLine:
    """One line of a manifest.

    Attributes:
        digest: lower-case hex digits.
        path: decoded.
        literal: the path as written.
        quirks: deviations from the RFC that can be understood, in plain words.
    """

    digest: str
    path: str
    literal: str
    quirks: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FetchLine:
    """One line of `fetch.txt`: the URL, the bytes (None if not given), and the path."""

    url: str
    size: int | None
    path: str
    literal: str


def encode_path(path: str) -> str:
    """Return the path as written in a manifest."""
    return _TO_ENCODE.sub(lambda found: _ENCODINGS[found[0]], path)


def decode_path(path: str) -> str:
    """Return the path that a manifest entry stands for."""
    return _TO_DECODE.sub(lambda found: _DECODINGS[found[0].upper()], path)


def has_bare_percent(literal: str) -> bool:
    """Return whether a path in a manifest contains a % that is not part of an encoded character."""
    return "%" in _TO_DECODE.sub("", literal)


def format_manifest(files: Iterable[tuple[str, str]]) -> Iterator[bytes]:
    """Yield the manifest lines, in UTF-8, for pairs of path from the bag's base and checksum in hex."""
    for path, digest in files:
        yield f"{digest}  {encode_path(path)}\n".encode()


def parse_manifest_line(line: str) -> ManifestLine | None:
    """Parse a manifest line; return None if it is invalid.

    Lines as checksum tools write them are accepted, with a quirk.
    """
    found = _LINE_PATTERN.fullmatch(line)
    if found is None:
        return None
    backslash, digest, star, literal = found.groups()
    quirks = []
    if backslash or star:
        quirks.append("it is written as checksum tools write, not as the RFC has it")
    if literal.startswith("./"):
        quirks.append("its path begins with ./")
        literal = literal.removeprefix("./")
    if backslash:
        literal = _TO_UNESCAPE.sub(lambda found: _UNESCAPES[found[0]], literal)
    return ManifestLine(digest.lower(), decode_path(literal), literal, tuple(quirks))


def parse_fetch_line(line: str) -> FetchLine | None:
    """Parse a line of `fetch.txt`; return None if it is invalid."""
    found = _FETCH_PATTERN.fullmatch(line)
    if found is None:
        return None
    url, size, literal = found.groups()
    return FetchLine(url, None if size == "-" else int(size), decode_path(literal), literal)


def explain_unsafe_path(path: str) -> str | None:
    """Return why a path in a bag is refused, in plain words; None if it stays inside."""
    if not path or "\0" in path:
        return "it is empty or holds a NUL"
    if path.startswith("~"):
        return "it begins with ~, which may mean a home folder"
    # A backslash is part of a name on one system and a separator on another; the path must be safe on both.
    parts = path.replace("\\", "/").split("/")
    if ".." in parts:
        return "it holds .., which leads out of the bag"
    if path.startswith(("/", "\\")):
        return "it is absolute"
    if _DRIVE_LETTER.match(path):
        return "it begins with a drive letter"
    if any(part in ("", ".") for part in path.split("/")):
        return "it has an empty part or one that is only a dot"
    return None


def iter_text_lines(pieces: Iterable[bytes], encoding: str) -> Iterator[str]:
    """Yield the lines of a text file, without their ends. Only LF, CR and CRLF end a line.

    A name may contain characters that other programs treat as line ends. A byte-order mark is passed on, since
    whether it is allowed depends on the file.

    Raises:
        BagTextError: the bytes are not valid in this encoding.
    """
    decoder = codecs.getincrementaldecoder(encoding)()
    pending = ""
    for piece in itertools.chain(pieces, [None]):
        try:
            pending += decoder.decode(b"", final=True) if piece is None else decoder.decode(piece)
        except UnicodeDecodeError as error:
            raise BagTextError(f"it holds bytes that are not {encoding}") from error
        # A CR at the end of a piece may be the first half of a CRLF.
        held = "\r" if piece is not None and pending.endswith("\r") else ""
        whole = pending[: len(pending) - len(held)].replace("\r\n", "\n").replace("\r", "\n")
        *lines, rest = whole.split("\n")
        yield from lines
        pending = rest + held
        if len(pending) > MAX_LINE_LENGTH:
            raise BagTextError(f"it holds a line of more than {MAX_LINE_LENGTH:,} characters")
    if pending:
        yield pending
