"""Is a bag complete and valid? Anybody's bag, of version 0.93 to 1.0, without a catalog.

Complete: all that must be there is there, listed as it must be. Valid: complete, and every checksum in every
manifest was computed from the bytes that lie there and is equal (RFC 8493, section 3). In doubt the answer is no:
checksums of an unknown kind, or of a version that nobody knows, prove nothing.

The bag comes from outside. No link in it is followed, no path in it leaves it, nothing is fetched, and neither its
size nor the length of its lists decides how much memory the check takes.
"""

from __future__ import annotations

import contextlib
import itertools
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from threading import Event

from tripleguard.bags.ledger import ToCheck
from tripleguard.bags.tags import OXUM, oxum, oxum_of
from tripleguard.digest import Sum, sum_named
from tripleguard.errors import PlaceFailed
from tripleguard.names import shown
from tripleguard.places.drive import held_root
from tripleguard.places.media import MediumReading, depth_of
from tripleguard.work.handing.bagreading import NOT_ENCODED, BagReading
from tripleguard.work.handing.bagwords import Counted, Flaw
from tripleguard.work.meter import Meter
from tripleguard.work.progress import Job, Moved
from tripleguard.work.readahead import ReadAhead
from tripleguard.work.summing import Summing

_LITTER = frozenset({".ds_store", "thumbs.db", "desktop.ini"})


@dataclass(frozen=True, slots=True)
class BagChecked:
    """What a check found. version: as the bag says; files, total_bytes: of the payload that lies there.

    algorithms: the checksums that were computed. flaws: why it is not valid; notes: what is worth knowing.
    """

    root: Path
    version: str
    algorithms: tuple[str, ...]
    complete: bool
    valid: bool
    files: int
    total_bytes: int
    flaws: tuple[Counted, ...]
    notes: tuple[Counted, ...]
    seconds: float


def check_bag(root: Path, stop: Event) -> Job[BagChecked]:
    """Check the bag at root, all of it. Yields progress.

    Raises PlaceTrouble if there is no folder, PlaceFailed if it goes away, NoRoom, Stopped.
    """
    began = time.monotonic()
    folder = held_root(root)
    try:
        reading = BagReading(folder, stop)
        try:
            check = _Check(reading)
            yield from check.run()
        finally:
            reading.close()
        return BagChecked(
            root,
            check.version,
            check.algorithms,
            reading.tally.complete,
            reading.tally.valid,
            check.files,
            check.total_bytes,
            reading.tally.flaws,
            reading.tally.notes,
            round(time.monotonic() - began, 3),
        )
    except OSError as error:
        raise PlaceFailed(
            f"The folder {shown(str(root))} stopped answering.",
            safe="A check only reads.",
            do="Connect it again, then run the check again.",
        ) from error
    finally:
        folder.close()


class _Check:
    """One check, from the declaration to the last byte."""

    def __init__(self, reading: BagReading) -> None:
        self._reading = reading
        self._tally = reading.tally
        self._depth = depth_of(reading.folder.root)
        self.version = ""
        self.algorithms: tuple[str, ...] = ()
        self.files = 0
        self.total_bytes = 0

    def run(self) -> Iterator[Moved]:
        reading = self._reading
        if not reading.declaration():
            return
        self.version = reading.version
        yield Moved("looking at the bag", 0, 0, 0, 0, 0.0, None)
        reading.base()
        self.files, self.total_bytes = reading.content()
        for number in range(len(reading.manifests)):
            yield Moved("reading the manifests", self.files, self.files, 0, 0, 0.0, None)
            reading.manifest(number)
        reading.fetch_list()
        reading.payload.match()
        reading.tags.match()
        self._say_what_is_missing()
        self._say_what_is_otherwise()
        self._say_what_tag_manifests_lack()
        self._compare_oxum()
        yield from self._sum_all()

    # What is said against what is there

    def _say_what_is_missing(self) -> None:
        strict, payload = self._reading.bag.strict, self._reading.payload
        manifests = sum(not one.of_tags for one in self._reading.manifests)
        for path, to_fetch in payload.missing():
            self._tally.flaw(Flaw.TO_FETCH if to_fetch else Flaw.MISSING, path)
        for path, _ in self._reading.tags.missing():
            self._tally.flaw(Flaw.MISSING, path)
        for path in payload.unlisted():
            litter = path.rpartition("/")[2].casefold() in _LITTER
            self._tally.either(
                strict or not litter, Flaw.UNLISTED, "files that a system leaves everywhere are not listed", path
            )
        for path in payload.unlisted_somewhere(manifests):
            self._tally.either(strict, Flaw.UNLISTED, "files are listed in some of the manifests only", path)
        for path in payload.fetched_but_not_listed(manifests):
            self._tally.either(strict, Flaw.OUTSIDE, "the fetch list names files that no manifest lists", path)

    def _say_what_is_otherwise(self) -> None:
        """Names and lines that can be understood in more than one way."""
        strict, payload = self._reading.bag.strict, self._reading.payload
        for ledger in (payload, self._reading.tags):
            for path, same in ledger.listed_twice():
                self._tally.either(
                    strict or not same, Flaw.TWICE, "files are listed twice, with the same checksum", path
                )
            for path, only_form in ledger.named_otherwise():
                form = "names are there in another Unicode form than they are listed in"
                self._tally.note(form if only_form else NOT_ENCODED, path)
        for path in payload.nearly_equal():
            self._tally.note("names differ only in case or Unicode form: some systems take them for one", path)

    def _say_what_tag_manifests_lack(self) -> None:
        manifests = self._reading.manifests
        for number, one in enumerate(manifests):
            if one.of_tags:
                for other in manifests:
                    if not other.of_tags and not self._reading.tags.lists(number, other.name):
                        self._tally.either(
                            self._reading.bag.strict,
                            Flaw.TAG_MANIFEST,
                            "a tag manifest does not list every payload manifest",
                            f"{one.name} lacks {other.name}",
                        )

    def _compare_oxum(self) -> None:
        values = (value for label, value in self._reading.description() if label.casefold() == OXUM.casefold())
        said = list(itertools.islice(values, 2))
        if len(said) > 1:
            self._tally.either(self._reading.bag.strict, Flaw.OXUM, f"{OXUM} stands there more than once", said[1])
        for value in said:
            if oxum_of(value) != (self.total_bytes, self.files):
                there = oxum(self.total_bytes, self.files)
                self._tally.flaw(Flaw.OXUM, f"it says {value[:60]}, there is {there}")

    # Every byte

    def _sum_all(self) -> Iterator[Moved]:
        manifests = self._reading.manifests
        names = {number: one.algorithm for number, one in enumerate(manifests)}
        known = {name for name in names.values() if sum_named(name) is not None}
        self.algorithms = tuple(sorted(known))
        for number, name in names.items():
            if name not in known:
                self._tally.flaw(Flaw.UNKNOWN_SUM, manifests[number].name)
        meter = Meter("checking", self.files, self.total_bytes)
        done_files = done_bytes = 0
        ahead = ReadAhead("bag")
        try:
            with Summing() as summing:
                for ledger in (self._reading.tags, self._reading.payload):
                    for one in ledger.to_check():
                        wanted = [(names[number], digest) for number, digest in one.lines]
                        for count in self._sum(one, [pair for pair in wanted if pair[0] in known], ahead, summing):
                            done_bytes += count
                            if meter.due():
                                yield meter.moved(done_files, done_bytes)
                        done_files += ledger is self._reading.payload
        finally:
            ahead.close()

    def _sum(
        self, one: ToCheck, wanted: Sequence[tuple[str, str]], ahead: ReadAhead, summing: Summing
    ) -> Iterator[int]:
        """Read one file once for all its sums; how many bytes came, piece by piece."""
        sums: dict[str, Sum] = {name: sum_ for name, _ in wanted if (sum_ := sum_named(name)) is not None}
        if not sums:
            return
        try:
            reading = MediumReading(self._reading.folder, one.path, self._depth)
            try:
                with contextlib.closing(ahead.chunks(reading, one.size)) as chunks:
                    for chunk in chunks:
                        self._reading.may_go_on()
                        summing.update(sums, chunk)
                        yield len(chunk)
            finally:
                reading.close()
        except OSError:
            if not self._reading.folder.still_there():
                raise
            self._tally.flaw(Flaw.UNREADABLE, one.path)
            return
        if not _all_equal(sums, wanted):
            self._tally.flaw(Flaw.CORRUPT, one.path)


def _all_equal(sums: Mapping[str, Sum], wanted: Sequence[tuple[str, str]]) -> bool:
    found = {name: one.hexdigest() for name, one in sums.items()}
    return all(found[name] == digest for name, digest in wanted)
