"""Read what a bag lists and what it contains into inventories.

No link is followed, no path that leaves the bag is opened, and no list is held in memory. What breaks a rule is
counted; whether that is a flaw or, in an older bag, only a note, depends on the version.
"""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from threading import Event

from tripleguard.bags.inventory import BagInventory
from tripleguard.bags.manifest_lines import (
    BagTextError,
    explain_unsafe_path,
    has_bare_percent,
    iter_text_lines,
    parse_fetch_line,
    parse_manifest_line,
)
from tripleguard.bags.tag_files import (
    DECLARATION,
    KNOWN_VERSIONS,
    BagDeclaration,
    ManifestName,
    iter_info_elements,
    parse_declaration,
    parse_manifest_name,
)
from tripleguard.errors import StoppedError
from tripleguard.jobs.handover.bag_flaws import BagFlaw, FlawTally
from tripleguard.jobs.handover.finalize import CHECKLIST_NAME
from tripleguard.places.dir_handle import DirHandle
from tripleguard.places.handover_folder import TASK_PATH

PAYLOAD_DIR = "data"
NOT_ENCODED = "names with % are listed as they are, not encoded as the RFC has it"
_FETCH_FILE = "fetch.txt"
_CHUNK_BYTES = 64 * 1024
_MAX_DECLARATION_BYTES = 64 * 1024
_MAX_DEPTH = 64
_MAX_MANIFESTS = 64


class BagReader:
    """The reading of one bag, with the inventories of its payload and its tag files."""

    def __init__(self, folder: DirHandle, stop: Event) -> None:
        self.folder = folder
        self.payload = BagInventory()
        self.tags = BagInventory()
        self.tally = FlawTally()
        self.bag = BagDeclaration((1, 0), "utf-8")
        self.manifests: list[ManifestName] = []
        self._stop = stop

    @property
    def version(self) -> str:
        return f"{self.bag.version[0]}.{self.bag.version[1]}"

    def close(self) -> None:
        self.payload.close()
        self.tags.close()

    def raise_if_stopped(self) -> None:
        """Raise StoppedError if the person asked to stop."""
        if self._stop.is_set():
            raise StoppedError("The check was stopped.", safe="It only reads.", do="Run it again at any time.")

    def read_declaration(self) -> bool:
        """Read `bagit.txt`; return False if nothing more can be said of the folder."""
        try:
            content = self.folder.read_small(DECLARATION, _MAX_DECLARATION_BYTES)
        except OSError:
            self.tally.add_flaw(BagFlaw.DECLARATION, "it is not there or can't be read")
            self._report_other_folder_kind()
            return False
        found = parse_declaration(content)
        if isinstance(found, str):
            self.tally.add_flaw(BagFlaw.DECLARATION, found)
            return False
        self.bag = found
        if found.version not in KNOWN_VERSIONS:
            self.tally.add_flaw(BagFlaw.VERSION, self.version)
        for quirk in found.quirks:
            self.tally.add_note(quirk, DECLARATION)
        return True

    def _report_other_folder_kind(self) -> None:
        for path, words in (
            (
                CHECKLIST_NAME,
                f"it is a folder with a list and no bag: `sha256sum --check {CHECKLIST_NAME}` in it checks it",
            ),
            (TASK_PATH, "it is an unfinished handover: the same `handover` command goes on with it"),
        ):
            if self.folder.stat(path) is not None:
                self.tally.add_note(words, path)

    def scan_base(self) -> None:
        """Find the manifests, payload manifests first, and all other files outside the payload."""
        payload_is_there = False
        for name, status in self.folder.iter_dir(""):
            if isinstance(status, OSError):
                self.tally.add_flaw(BagFlaw.UNREADABLE, name)
            elif name == PAYLOAD_DIR and stat.S_ISDIR(status.st_mode):
                payload_is_there = True
            elif stat.S_ISDIR(status.st_mode):
                if self.bag.version < (0, 97):
                    self.tally.add_note("before 0.97 a bag had no folders but its payload", name)
                self._list_folder(name, self.tags, 1)
            elif stat.S_ISREG(status.st_mode):
                self.tags.add_present(name, status.st_size)
                self._register_manifest(name)
            elif parse_manifest_name(name) is not None or name in (_FETCH_FILE, self.bag.info_name):
                self.tally.add_flaw(BagFlaw.LINK, name)
            elif name != PAYLOAD_DIR:
                self.tally.add_note("links and devices beside the payload were not looked at", name)
        if not payload_is_there:
            self.tally.add_flaw(BagFlaw.NO_PAYLOAD, PAYLOAD_DIR)
        self.manifests.sort(key=lambda one: (one.is_tag_manifest, one.name))
        if not any(not one.is_tag_manifest for one in self.manifests):
            self.tally.add_flaw(BagFlaw.NO_MANIFEST, "manifest-sha512.txt")

    def _register_manifest(self, name: str) -> None:
        one = parse_manifest_name(name)
        if one is None:
            return
        if len(self.manifests) >= _MAX_MANIFESTS:
            self.tally.add_flaw(BagFlaw.MANY_MANIFESTS, name)
            return
        self.manifests.append(one)
        if one.has_quirk:
            self.tally.add_note("manifests are not named by their algorithm in lower case", name)

    def scan_payload(self) -> tuple[int, int]:
        """List the payload; return the number of its files and their bytes."""
        self._list_folder(PAYLOAD_DIR, self.payload, 1)
        return self.payload.count_present()

    def _list_folder(self, folder: str, ledger: BagInventory, depth: int) -> None:
        self.folder.clear_checked_dirs()
        try:
            for name, status in self.folder.iter_dir(folder):
                self.raise_if_stopped()
                path = f"{folder}/{name}"
                if isinstance(status, OSError):
                    self.tally.add_flaw(BagFlaw.UNREADABLE, path)
                elif stat.S_ISDIR(status.st_mode):
                    if depth >= _MAX_DEPTH:
                        self.tally.add_flaw(BagFlaw.TOO_DEEP, path)
                    else:
                        self._list_folder(path, ledger, depth + 1)
                elif stat.S_ISREG(status.st_mode):
                    ledger.add_present(path, status.st_size)
                elif ledger is self.payload:
                    self.tally.add_flaw(BagFlaw.LINK, path)
        except NotADirectoryError:
            return
        except FileNotFoundError:
            return
        except OSError:
            if not self.folder.is_still_at_root():
                raise
            self.tally.add_flaw(BagFlaw.UNREADABLE, folder)

    def read_manifest(self, number: int) -> None:
        """Read the manifest with this number."""
        one = self.manifests[number]
        for line in self._read_lines(one.name):
            found = parse_manifest_line(line)
            if found is None:
                if line.strip():
                    self.tally.add_flaw(BagFlaw.BAD_LINE, f"{one.name}: {line[:200]}")
                continue
            for quirk in found.quirks:
                self.tally.add_note(quirk, f"{one.name}: {found.literal}")
            if self.bag.is_strict and has_bare_percent(found.literal):
                self.tally.add_note(NOT_ENCODED, f"{one.name}: {found.literal}")
            if self._is_refused(one.name, found.path, found.literal):
                continue
            in_payload = found.path.startswith(f"{PAYLOAD_DIR}/")
            if in_payload is one.is_tag_manifest or (one.is_tag_manifest and self._is_tag_manifest(found.path)):
                self.tally.add_flaw(BagFlaw.OUTSIDE, f"{one.name}: {found.literal}")
                continue
            ledger = self.tags if one.is_tag_manifest else self.payload
            ledger.add_manifest_line(number, found.path, found.literal, found.digest)

    def _is_tag_manifest(self, path: str) -> bool:
        named = parse_manifest_name(path)
        return self.bag.is_strict and named is not None and named.is_tag_manifest

    def read_fetch_list(self) -> None:
        """Read the list of files to fetch; none is fetched."""
        for line in self._read_lines(_FETCH_FILE):
            found = parse_fetch_line(line)
            if found is None:
                if line.strip():
                    self.tally.add_flaw(BagFlaw.BAD_LINE, f"{_FETCH_FILE}: {line[:200]}")
                continue
            if self._is_refused(_FETCH_FILE, found.path, found.literal):
                continue
            if not found.path.startswith(f"{PAYLOAD_DIR}/"):
                self.tally.add_flaw_or_note(
                    self.bag.is_strict,
                    BagFlaw.OUTSIDE,
                    "the fetch list names files outside the payload",
                    found.literal,
                )
                continue
            self.payload.add_fetch_line(found.path, found.literal, found.size)

    def _is_refused(self, list_name: str, path: str, literal: str) -> bool:
        why = explain_unsafe_path(path) or explain_unsafe_path(literal)
        if why is not None:
            self.tally.add_flaw(BagFlaw.UNSAFE, f"{list_name}: {literal[:1000]} ({why})")
        return why is not None

    def _read_lines(self, name: str) -> Iterator[str]:
        """Yield the lines of a text file in the bag's base; nothing if there is no such file."""
        try:
            descriptor = self.folder.open(name, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
        except FileNotFoundError:
            return
        except OSError:
            self.tally.add_flaw(BagFlaw.BAD_TEXT, name)
            return
        try:
            for number, line in enumerate(iter_text_lines(_read_chunks(descriptor), self.bag.encoding)):
                self.raise_if_stopped()
                if number == 0 and line.startswith("\ufeff"):
                    self.tally.add_flaw_or_note(
                        self.bag.is_strict and self.bag.encoding.casefold() == "utf-8",
                        BagFlaw.BAD_TEXT,
                        "text files begin with a byte-order mark",
                        name,
                    )
                yield line.removeprefix("\ufeff") if number == 0 else line
        except BagTextError as error:
            self.tally.add_flaw(BagFlaw.BAD_TEXT, f"{name}: {error}")
        except OSError:
            if not self.folder.is_still_at_root():
                raise
            self.tally.add_flaw(BagFlaw.UNREADABLE, name)
        finally:
            os.close(descriptor)

    def read_description(self) -> Iterator[tuple[str, str]]:
        """Yield the label and value of each line of the bag's description."""
        for element in iter_info_elements(self._read_lines(self.bag.info_name)):
            if isinstance(element, str):
                line = f"{self.bag.info_name}: {element[:200]}"
                self.tally.add_flaw_or_note(
                    self.bag.is_strict, BagFlaw.BAD_LINE, "lines of the description have no label", line
                )
            else:
                yield element


def _read_chunks(descriptor: int) -> Iterator[bytes]:
    while piece := os.read(descriptor, _CHUNK_BYTES):
        yield piece
