"""The kinds of flaws that a bag can have, counted, with the first few paths of each."""

from __future__ import annotations

import enum
from dataclasses import dataclass, field

MAX_EXAMPLES = 10


class BagFlaw(enum.StrEnum):
    """Why a bag is not valid. These names appear in JSON."""

    DECLARATION = "declaration"
    VERSION = "unknown version"
    NO_PAYLOAD = "no payload folder"
    NO_MANIFEST = "no manifest"
    MANY_MANIFESTS = "too many manifests"
    BAD_TEXT = "unreadable text"
    BAD_LINE = "bad line"
    UNSAFE = "unsafe path"
    OUTSIDE = "outside the payload"
    MISSING = "missing"
    TO_FETCH = "to be fetched"
    UNLISTED = "not listed"
    TWICE = "listed twice"
    LINK = "link or device"
    TOO_DEEP = "nested too deep"
    TAG_MANIFEST = "tag manifest"
    OXUM = "payload oxum"
    UNKNOWN_SUM = "unknown algorithm"
    CORRUPT = "other bytes"
    UNREADABLE = "unreadable"


_SENTENCES: dict[BagFlaw, str] = {
    BagFlaw.DECLARATION: "bagit.txt is missing or can't be understood",
    BagFlaw.VERSION: "the version of the format is not known here, so it can't be said what must hold",
    BagFlaw.NO_PAYLOAD: "there is no folder called data",
    BagFlaw.NO_MANIFEST: "there is no manifest of the payload",
    BagFlaw.MANY_MANIFESTS: "there are more manifests than this program reads",
    BagFlaw.BAD_TEXT: "text files of the bag can't be read as text",
    BagFlaw.BAD_LINE: "lines of its text files are not as they must be",
    BagFlaw.UNSAFE: "paths would lead out of the bag; they were not looked at",
    BagFlaw.OUTSIDE: "manifests or the fetch list speak of files that they must not",
    BagFlaw.MISSING: "files are listed and not there",
    BagFlaw.TO_FETCH: "files are still to be fetched; this program downloads nothing",
    BagFlaw.UNLISTED: "files are there and not listed in every manifest where they must be",
    BagFlaw.TWICE: "files are listed twice in one manifest",
    BagFlaw.LINK: "links, devices or the like are in the bag; they were not followed",
    BagFlaw.TOO_DEEP: "folders are nested too deep to be looked at",
    BagFlaw.TAG_MANIFEST: "a tag manifest does not list every payload manifest",
    BagFlaw.OXUM: "the number of bytes and files is not what the bag says of itself",
    BagFlaw.UNKNOWN_SUM: "checksums are of a kind that this program can't compute",
    BagFlaw.CORRUPT: "files do not hold what is listed",
    BagFlaw.UNREADABLE: "files can't be read",
}

_VALIDITY_ONLY = frozenset({BagFlaw.UNKNOWN_SUM, BagFlaw.CORRUPT, BagFlaw.UNREADABLE})
"""Flaws of a complete bag: everything is there, but its bytes are wrong or unverified."""


@dataclass(frozen=True, slots=True)
class FlawCount:
    """One kind of flaw or note: its count, a sentence, and the first paths or names."""

    kind: str
    count: int
    message: str
    examples: tuple[str, ...]


@dataclass(slots=True)
class FlawTally:
    """Collects flaws and notes. However many there are, only the first few are kept."""

    _flaws: dict[BagFlaw, tuple[int, list[str]]] = field(default_factory=dict)
    _notes: dict[str, tuple[int, list[str]]] = field(default_factory=dict)

    def add_flaw(self, kind: BagFlaw, example: str) -> None:
        self._flaws[kind] = _add_example(self._flaws.get(kind), example)

    def add_note(self, sentence: str, example: str) -> None:
        """Add something that is no flaw, or was none in the bag's version."""
        self._notes[sentence] = _add_example(self._notes.get(sentence), example)

    def add_flaw_or_note(self, is_strict: bool, kind: BagFlaw, sentence: str, example: str) -> None:
        """Add a flaw if the rules of 1.0 apply, else a note."""
        if is_strict:
            self.add_flaw(kind, example)
        else:
            self.add_note(sentence, example)

    @property
    def flaws(self) -> tuple[FlawCount, ...]:
        return tuple(
            FlawCount(str(kind), count, _SENTENCES[kind], tuple(some))
            for kind, (count, some) in self._flaws.items()
        )

    @property
    def notes(self) -> tuple[FlawCount, ...]:
        return tuple(
            FlawCount("note", count, sentence, tuple(some)) for sentence, (count, some) in self._notes.items()
        )

    @property
    def is_complete(self) -> bool:
        return not set(self._flaws) - _VALIDITY_ONLY

    @property
    def is_valid(self) -> bool:
        return not self._flaws


def _add_example(previous: tuple[int, list[str]] | None, example: str) -> tuple[int, list[str]]:
    count, examples = previous or (0, [])
    if len(examples) < MAX_EXAMPLES:
        examples.append(example[:4096])
    return count + 1, examples
