"""What a bag lists and what lies in it, read into ledgers.

No link is followed, no path is looked at that would leave the bag, and no list is held in memory. What is not as
it must be is counted; whether that is a flaw or, in an older bag, only worth a note, depends on the version.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from threading import Event

from tripleguard.bags.ledger import Ledger
from tripleguard.bags.lines import (
    BadText,
    fetch_line,
    has_bare_percent,
    manifest_line,
    text_lines,
    trouble_with_path,
)
from tripleguard.bags.tags import (
    DECLARATION,
    KNOWN_VERSIONS,
    Declared,
    ManifestName,
    declared,
    info_elements,
    manifest_named,
)
from tripleguard.errors import Stopped
from tripleguard.places.handing import TASK_FILE
from tripleguard.places.held import HeldFolder
from tripleguard.work.handing.bagwords import Flaw, Tally
from tripleguard.work.handing.handclose import LIST_NAME

PAYLOAD = "data"
NOT_ENCODED = "names with % are listed as they are, not encoded as the RFC has it"
_FETCH = "fetch.txt"
_PIECE = 64 * 1024
_DECLARATION_LIMIT = 64 * 1024
_DEEPEST = 64
_MOST_MANIFESTS = 64


class BagReading:
    """One bag being read. payload, tags: what is listed and what is there, inside `data` and beside it."""

    def __init__(self, folder: HeldFolder, stop: Event) -> None:
        self.folder = folder
        self.payload = Ledger()
        self.tags = Ledger()
        self.tally = Tally()
        self.bag = Declared((1, 0), "utf-8")
        self.manifests: list[ManifestName] = []
        self._stop = stop

    @property
    def version(self) -> str:
        return f"{self.bag.version[0]}.{self.bag.version[1]}"

    def close(self) -> None:
        self.payload.close()
        self.tags.close()

    def may_go_on(self) -> None:
        """Raises Stopped once the person wants it to end."""
        if self._stop.is_set():
            raise Stopped("The check was stopped.", safe="It only reads.", do="Run it again at any time.")

    def declaration(self) -> bool:
        """Read `bagit.txt`; False if nothing more can be said of the folder."""
        try:
            content = self.folder.read_small(DECLARATION, _DECLARATION_LIMIT)
        except OSError:
            self.tally.flaw(Flaw.DECLARATION, "it is not there or can't be read")
            self._say_what_else_it_is()
            return False
        found = declared(content)
        if isinstance(found, str):
            self.tally.flaw(Flaw.DECLARATION, found)
            return False
        self.bag = found
        if found.version not in KNOWN_VERSIONS:
            self.tally.flaw(Flaw.VERSION, self.version)
        for quirk in found.quirks:
            self.tally.note(quirk, DECLARATION)
        return True

    def _say_what_else_it_is(self) -> None:
        for path, words in (
            (LIST_NAME, f"it is a folder with a list and no bag: `sha256sum --check {LIST_NAME}` in it checks it"),
            (TASK_FILE, "it is an unfinished handover: the same `handover` command goes on with it"),
        ):
            if self.folder.look(path) is not None:
                self.tally.note(words, path)

    def base(self) -> None:
        """Find the manifests, payload first, and everything else that lies outside the payload."""
        payload_is_there = False
        for name, status in self.folder.each(""):
            if isinstance(status, OSError):
                self.tally.flaw(Flaw.UNREADABLE, name)
            elif name == PAYLOAD and stat.S_ISDIR(status.st_mode):
                payload_is_there = True
            elif stat.S_ISDIR(status.st_mode):
                if self.bag.version < (0, 97):
                    self.tally.note("before 0.97 a bag had no folders but its payload", name)
                self._list_below(name, self.tags, 1)
            elif stat.S_ISREG(status.st_mode):
                self.tags.add_found(name, status.st_size)
                self._may_be_manifest(name)
            elif manifest_named(name) is not None or name in (_FETCH, self.bag.info_name):
                self.tally.flaw(Flaw.LINK, name)
            elif name != PAYLOAD:
                self.tally.note("links and devices beside the payload were not looked at", name)
        if not payload_is_there:
            self.tally.flaw(Flaw.NO_PAYLOAD, PAYLOAD)
        self.manifests.sort(key=lambda one: (one.of_tags, one.name))
        if not any(not one.of_tags for one in self.manifests):
            self.tally.flaw(Flaw.NO_MANIFEST, "manifest-sha512.txt")

    def _may_be_manifest(self, name: str) -> None:
        one = manifest_named(name)
        if one is None:
            return
        if len(self.manifests) >= _MOST_MANIFESTS:
            self.tally.flaw(Flaw.MANY_MANIFESTS, name)
            return
        self.manifests.append(one)
        if one.quirk:
            self.tally.note("manifests are not named by their algorithm in lower case", name)

    def content(self) -> tuple[int, int]:
        """Find the payload: how many files lie there, and their bytes."""
        self._list_below(PAYLOAD, self.payload, 1)
        return self.payload.counts()

    def _list_below(self, folder: str, ledger: Ledger, depth: int) -> None:
        self.folder.forget_folders()
        try:
            for name, status in self.folder.each(folder):
                self.may_go_on()
                path = f"{folder}/{name}"
                if isinstance(status, OSError):
                    self.tally.flaw(Flaw.UNREADABLE, path)
                elif stat.S_ISDIR(status.st_mode):
                    if depth >= _DEEPEST:
                        self.tally.flaw(Flaw.TOO_DEEP, path)
                    else:
                        self._list_below(path, ledger, depth + 1)
                elif stat.S_ISREG(status.st_mode):
                    ledger.add_found(path, status.st_size)
                elif ledger is self.payload:
                    self.tally.flaw(Flaw.LINK, path)
        except NotADirectoryError:
            return
        except FileNotFoundError:
            return
        except OSError:
            if not self.folder.still_there():
                raise
            self.tally.flaw(Flaw.UNREADABLE, folder)

    def manifest(self, number: int) -> None:
        """Read what the manifest of this number lists."""
        one = self.manifests[number]
        for line in self._lines_of(one.name):
            found = manifest_line(line)
            if found is None:
                if line.strip():
                    self.tally.flaw(Flaw.BAD_LINE, f"{one.name}: {line[:200]}")
                continue
            for quirk in found.quirks:
                self.tally.note(quirk, f"{one.name}: {found.literal}")
            if self.bag.strict and has_bare_percent(found.literal):
                self.tally.note(NOT_ENCODED, f"{one.name}: {found.literal}")
            if self._is_refused(one.name, found.path, found.literal):
                continue
            in_payload = found.path.startswith(f"{PAYLOAD}/")
            if in_payload is one.of_tags or (one.of_tags and self._is_tag_manifest(found.path)):
                self.tally.flaw(Flaw.OUTSIDE, f"{one.name}: {found.literal}")
                continue
            ledger = self.tags if one.of_tags else self.payload
            ledger.add_listed(number, found.path, found.literal, found.digest)

    def _is_tag_manifest(self, path: str) -> bool:
        named = manifest_named(path)
        return self.bag.strict and named is not None and named.of_tags

    def fetch_list(self) -> None:
        """Read what is to be fetched. Nothing is."""
        for line in self._lines_of(_FETCH):
            found = fetch_line(line)
            if found is None:
                if line.strip():
                    self.tally.flaw(Flaw.BAD_LINE, f"{_FETCH}: {line[:200]}")
                continue
            if self._is_refused(_FETCH, found.path, found.literal):
                continue
            if not found.path.startswith(f"{PAYLOAD}/"):
                self.tally.either(
                    self.bag.strict, Flaw.OUTSIDE, "the fetch list names files outside the payload", found.literal
                )
                continue
            self.payload.add_fetched(found.path, found.literal, found.size)

    def _is_refused(self, where: str, path: str, literal: str) -> bool:
        why = trouble_with_path(path) or trouble_with_path(literal)
        if why is not None:
            self.tally.flaw(Flaw.UNSAFE, f"{where}: {literal[:1000]} ({why})")
        return why is not None

    def _lines_of(self, name: str) -> Iterator[str]:
        """The lines of a text file in the bag's base; none if it is not there."""
        try:
            descriptor = self.folder.open(name, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
        except FileNotFoundError:
            return
        except OSError:
            self.tally.flaw(Flaw.BAD_TEXT, name)
            return
        try:
            for number, line in enumerate(text_lines(_pieces(descriptor), self.bag.encoding)):
                self.may_go_on()
                if number == 0 and line.startswith("\ufeff"):
                    self.tally.either(
                        self.bag.strict and self.bag.encoding.casefold() == "utf-8",
                        Flaw.BAD_TEXT,
                        "text files begin with a byte-order mark",
                        name,
                    )
                yield line.removeprefix("\ufeff") if number == 0 else line
        except BadText as error:
            self.tally.flaw(Flaw.BAD_TEXT, f"{name}: {error}")
        except OSError:
            if not self.folder.still_there():
                raise
            self.tally.flaw(Flaw.UNREADABLE, name)
        finally:
            os.close(descriptor)

    def description(self) -> Iterator[tuple[str, str]]:
        """Label and value of everything the bag says of itself."""
        for element in info_elements(self._lines_of(self.bag.info_name)):
            if isinstance(element, str):
                line = f"{self.bag.info_name}: {element[:200]}"
                self.tally.either(self.bag.strict, Flaw.BAD_LINE, "lines of the description have no label", line)
            else:
                yield element


def _pieces(descriptor: int) -> Iterator[bytes]:
    while piece := os.read(descriptor, _PIECE):
        yield piece
