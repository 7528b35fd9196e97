"""Format and parse a bag's declaration and description: `bagit.txt` and `bag-info.txt`.

Versions from 0.93 on are read. They differ: before 0.96 the description is `package-info.txt`; before 1.0 a
payload file need not be listed in every manifest, a file may be listed twice with the same checksum, and the form
of the declaration is less strict (RFC 8493, sections 2.2.2 and 3; change history of the specification in its
sources, Library of Congress, bagit-spec repository).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

DECLARATION = "bagit.txt"
VERSION = (1, 0)
KNOWN_VERSIONS = ((0, 93), (0, 94), (0, 95), (0, 96), (0, 97), (1, 0))
OXUM = "Payload-Oxum"

_STRICT_DECLARATION = re.compile(
    r"BagIt-Version: ([0-9]{1,9})\.([0-9]{1,9})(?:\r\n|\r|\n)Tag-File-Character-Encoding: ([!-~]+)(?:\r\n|\r|\n)?"
)
_LOOSE_VERSION = re.compile(r"^[ \t]*BagIt-Version[ \t]*:[ \t]*([0-9]{1,9})\.([0-9]{1,9})[ \t]*$", re.IGNORECASE)
_LOOSE_ENCODING = re.compile(r"^[ \t]*Tag-File-Character-Encoding[ \t]*:[ \t]*([!-~]+)[ \t]*$", re.IGNORECASE)
_KNOWN_ENCODING = re.compile(
    r"utf[-_]?(8|16|32)([-_]?[lb]e)?|iso[-_]?8859[-_]\d{1,2}|latin[-_]?1|(us[-_]?)?ascii|(windows|cp)[-_]?125\d"
    r"|shift[-_]?jis|euc[-_]?(jp|kr)|gb18030|gbk|big5|koi8[-_]?[ru]",
    re.IGNORECASE,
)
_MANIFEST_NAME = re.compile(r"(tag)?manifest-(.+)\.txt", re.IGNORECASE)
_MAX_LINE_WIDTH = 79
_MAX_VALUE_LENGTH = 64 * 1024


@dataclass(frozen=True, slots=True)
class BagDeclaration:
    """The content of `bagit.txt`. quirks: what an older version allows or a reader can ignore."""

    version: tuple[int, int]
    encoding: str
    quirks: tuple[str, ...] = ()

    @property
    def is_strict(self) -> bool:
        """Whether the rules of 1.0 apply; they do for unknown versions, too."""
        return self.version >= (1, 0) or self.version not in KNOWN_VERSIONS

    @property
    def info_name(self) -> str:
        """The name of the file that describes the bag."""
        return "package-info.txt" if self.version < (0, 96) else "bag-info.txt"


def format_declaration() -> bytes:
    """Return the `bagit.txt` of a new bag."""
    return b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def parse_declaration(content: bytes) -> BagDeclaration | str:
    """Parse a `bagit.txt`; return in plain words why it is invalid, if it is."""
    if content.startswith((b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff")):
        return "it begins with a byte-order mark"
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError:
        return "it is not UTF-8"
    exact = _STRICT_DECLARATION.fullmatch(text)
    if exact is not None:
        found = BagDeclaration((int(exact[1]), int(exact[2])), exact[3])
    else:
        loose = _parse_loosely(text)
        if isinstance(loose, str):
            return loose
        if loose.is_strict:
            return "its two lines are not exactly as they must be: look for spaces, further lines or other words"
        found = loose
    if not _KNOWN_ENCODING.fullmatch(found.encoding):
        return f"its encoding {found.encoding[:40]!r} is not known here"
    return found


def _parse_loosely(text: str) -> BagDeclaration | str:
    version = encoding = None
    for line in re.split(r"\r\n|\r|\n", text):
        version = version or _LOOSE_VERSION.match(line)
        encoding = encoding or _LOOSE_ENCODING.match(line)
    if version is None:
        return "it names no version such as 1.0"
    if encoding is None:
        return "it names no encoding of the text files"
    quirk = "bagit.txt is not written exactly as it must be"
    return BagDeclaration((int(version[1]), int(version[2])), encoding[1], (quirk,))


@dataclass(frozen=True, slots=True)
class ManifestName:
    """A manifest known by its name. has_quirk: its algorithm is not written in lower case without separators."""

    name: str
    algorithm: str
    is_tag_manifest: bool
    has_quirk: bool


def parse_manifest_name(name: str) -> ManifestName | None:
    """Parse the name of a file in the bag's base as that of a manifest; return None if it is none."""
    found = _MANIFEST_NAME.fullmatch(name)
    if found is None:
        return None
    algorithm = re.sub(r"[^a-z0-9]", "", found[2].lower())
    quirk = name != f"{'tag' if found[1] else ''}manifest-{algorithm}.txt"
    return ManifestName(name, algorithm, found[1] is not None, quirk)


def format_info(elements: Iterable[tuple[str, str]]) -> bytes:
    """Return `bag-info.txt` for (label, value) in order.

    Entries without a value are omitted, long values are folded.
    """
    return "".join(
        f"{line}\n" for label, value in elements if value.strip() for line in _fold_value(label, value)
    ).encode("utf-8")


def _fold_value(label: str, value: str) -> Iterator[str]:
    line = f"{label}:"
    for word in value.split():
        if len(line) + 1 + len(word) > _MAX_LINE_WIDTH and not line.endswith(":"):
            yield line
            line = ""
        line += f" {word}"
    yield line


def iter_info_elements(lines: Iterable[str]) -> Iterator[tuple[str, str] | str]:
    """Yield (label, value) of every element, or an invalid line. A folded value is joined."""
    label, value = "", ""
    for line in lines:
        if line[:1] in (" ", "\t"):
            if label and len(value) < _MAX_VALUE_LENGTH:
                value += f" {line.strip()}"
            elif line.strip() and not label:
                yield line
            continue
        if label:
            yield label, value
            label = ""
        if not line:
            continue
        name, colon, rest = line.partition(":")
        if not colon or not name.strip():
            yield line
        else:
            label, value = name.strip(), rest.strip()
    if label:
        yield label, value


def format_oxum(total_bytes: int, files: int) -> str:
    """Return the `Payload-Oxum`: bytes of the payload, a dot, number of files."""
    return f"{total_bytes}.{files}"


def parse_oxum(value: str) -> tuple[int, int] | None:
    """Return bytes and files of a `Payload-Oxum`; None if it is invalid."""
    found = re.fullmatch(r"([0-9]{1,25})\.([0-9]{1,18})", value)
    return (int(found[1]), int(found[2])) if found else None
