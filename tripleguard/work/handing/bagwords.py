"""What can be wrong with a bag, in words: one kind each, counted, with the first few paths."""

from __future__ import annotations

import enum
from dataclasses import dataclass, field

KEPT_EXAMPLES = 10


class Flaw(enum.StrEnum):
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


_SENTENCES: dict[Flaw, str] = {
    Flaw.DECLARATION: "bagit.txt is missing or can't be understood",
    Flaw.VERSION: "the version of the format is not known here, so it can't be said what must hold",
    Flaw.NO_PAYLOAD: "there is no folder called data",
    Flaw.NO_MANIFEST: "there is no manifest of the payload",
    Flaw.MANY_MANIFESTS: "there are more manifests than this program reads",
    Flaw.BAD_TEXT: "text files of the bag can't be read as text",
    Flaw.BAD_LINE: "lines of its text files are not as they must be",
    Flaw.UNSAFE: "paths would lead out of the bag; they were not looked at",
    Flaw.OUTSIDE: "manifests or the fetch list speak of files that they must not",
    Flaw.MISSING: "files are listed and not there",
    Flaw.TO_FETCH: "files are still to be fetched; this program downloads nothing",
    Flaw.UNLISTED: "files are there and not listed in every manifest where they must be",
    Flaw.TWICE: "files are listed twice in one manifest",
    Flaw.LINK: "links, devices or the like are in the bag; they were not followed",
    Flaw.TOO_DEEP: "folders are nested too deep to be looked at",
    Flaw.TAG_MANIFEST: "a tag manifest does not list every payload manifest",
    Flaw.OXUM: "the number of bytes and files is not what the bag says of itself",
    Flaw.UNKNOWN_SUM: "checksums are of a kind that this program can't compute",
    Flaw.CORRUPT: "files do not hold what is listed",
    Flaw.UNREADABLE: "files can't be read",
}

_NOT_COMPLETENESS = frozenset({Flaw.UNKNOWN_SUM, Flaw.CORRUPT, Flaw.UNREADABLE})
"""What a complete bag may still have: everything is there, and its bytes are wrong or not proved."""


@dataclass(frozen=True, slots=True)
class Counted:
    """One kind of flaw or note: how often, in words, and the first paths or names."""

    kind: str
    count: int
    message: str
    examples: tuple[str, ...]


@dataclass(slots=True)
class Tally:
    """Flaws and notes as they turn up. However many there are, only the first few are kept."""

    _flaws: dict[Flaw, tuple[int, list[str]]] = field(default_factory=dict)
    _notes: dict[str, tuple[int, list[str]]] = field(default_factory=dict)

    def flaw(self, kind: Flaw, example: str) -> None:
        self._flaws[kind] = _one_more(self._flaws.get(kind), example)

    def note(self, sentence: str, example: str) -> None:
        """Something that is no fault, or was none in the version of the bag."""
        self._notes[sentence] = _one_more(self._notes.get(sentence), example)

    def either(self, strict: bool, kind: Flaw, sentence: str, example: str) -> None:
        """A flaw where the rules of 1.0 hold, a note in an older bag."""
        if strict:
            self.flaw(kind, example)
        else:
            self.note(sentence, example)

    @property
    def flaws(self) -> tuple[Counted, ...]:
        return tuple(
            Counted(str(kind), count, _SENTENCES[kind], tuple(some)) for kind, (count, some) in self._flaws.items()
        )

    @property
    def notes(self) -> tuple[Counted, ...]:
        return tuple(
            Counted("note", count, sentence, tuple(some)) for sentence, (count, some) in self._notes.items()
        )

    @property
    def complete(self) -> bool:
        return not set(self._flaws) - _NOT_COMPLETENESS

    @property
    def valid(self) -> bool:
        return not self._flaws


def _one_more(before: tuple[int, list[str]] | None, example: str) -> tuple[int, list[str]]:
    count, examples = before or (0, [])
    if len(examples) < KEPT_EXAMPLES:
        examples.append(example[:4096])
    return count + 1, examples
