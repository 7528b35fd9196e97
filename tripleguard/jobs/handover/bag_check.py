"""Check whether any bag of version 0.93 to 1.0 is complete and valid, without a catalog.

Complete: everything required is there and listed. Valid: complete, and every checksum in every manifest was
computed from the bytes that are there and is equal (RFC 8493, section 3). In doubt the answer is no: checksums of
an unknown kind, or of an unknown version, prove nothing.

The bag is untrusted input. No link in it is followed, no path in it leaves it, nothing is fetched, and neither its
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

from tripleguard.bags.inventory import BagEntry
from tripleguard.bags.tag_files import OXUM, format_oxum, parse_oxum
from tripleguard.digest import RunningChecksum, new_checksum
from tripleguard.errors import PlaceFailedError
from tripleguard.jobs.copying.buffers import ReadAhead
from tripleguard.jobs.copying.hashing import ParallelHasher
from tripleguard.jobs.handover.bag_flaws import BagFlaw, FlawCount
from tripleguard.jobs.handover.bag_reader import NOT_ENCODED, BagReader
from tripleguard.jobs.progress import Job, ProgressUpdate, RateEstimator
from tripleguard.names import escape_text
from tripleguard.places.cache_bypass import MediumReader, detect_cache_bypass
from tripleguard.places.dir_handle import open_root

_IGNORED_NAMES = frozenset({".ds_store", "thumbs.db", "desktop.ini"})


@dataclass(frozen=True, slots=True)
class BagCheckResult:
    """What a check found.

    Attributes:
        version: As the bag declares.
        algorithms: The checksums that were computed.
        files, total_bytes: Of the payload that is there.
        flaws: Why the bag is not valid.
        notes: What else is worth knowing.
    """

    root: Path
    version: str
    algorithms: tuple[str, ...]
    is_complete: bool
    is_valid: bool
    files: int
    total_bytes: int
    flaws: tuple[FlawCount, ...]
    notes: tuple[FlawCount, ...]
    seconds: float


def check_bag(root: Path, stop: Event) -> Job[BagCheckResult]:
    """Check the whole bag at root. Yields progress.

    Raises PlaceError if there is no folder, PlaceFailedError if it goes away, NoSpaceError, StoppedError.
    """
    began = time.monotonic()
    folder = open_root(root)
    try:
        reading = BagReader(folder, stop)
        try:
            check = _BagCheckRun(reading)
            yield from check.run()
        finally:
            reading.close()
        return BagCheckResult(
            root,
            check.version,
            check.algorithms,
            reading.tally.is_complete,
            reading.tally.is_valid,
            check.files,
            check.total_bytes,
            reading.tally.flaws,
            reading.tally.notes,
            round(time.monotonic() - began, 3),
        )
    except OSError as error:
        raise PlaceFailedError(
            f"The folder {escape_text(str(root))} stopped answering.",
            safe="A check only reads.",
            do="Connect it again, then run the check again.",
        ) from error
    finally:
        folder.close()


class _BagCheckRun:
    """One check, from the declaration to the last byte."""

    def __init__(self, reading: BagReader) -> None:
        self._reading = reading
        self._tally = reading.tally
        self._cache_bypass = detect_cache_bypass(reading.folder.root)
        self.version = ""
        self.algorithms: tuple[str, ...] = ()
        self.files = 0
        self.total_bytes = 0

    def run(self) -> Iterator[ProgressUpdate]:
        reading = self._reading
        if not reading.read_declaration():
            return
        self.version = reading.version
        yield ProgressUpdate("looking at the bag", 0, 0, 0, 0, 0.0, None)
        reading.scan_base()
        self.files, self.total_bytes = reading.scan_payload()
        for number in range(len(reading.manifests)):
            yield ProgressUpdate("reading the manifests", self.files, self.files, 0, 0, 0.0, None)
            reading.read_manifest(number)
        reading.read_fetch_list()
        reading.payload.match()
        reading.tags.match()
        self._report_missing()
        self._report_ambiguous()
        self._report_unlisted_tags()
        self._compare_oxum()
        yield from self._verify_all()

    # What is said against what is there

    def _report_missing(self) -> None:
        strict, payload = self._reading.bag.is_strict, self._reading.payload
        manifests = sum(not one.is_tag_manifest for one in self._reading.manifests)
        for path, to_fetch in payload.iter_missing():
            self._tally.add_flaw(BagFlaw.TO_FETCH if to_fetch else BagFlaw.MISSING, path)
        for path, _ in self._reading.tags.iter_missing():
            self._tally.add_flaw(BagFlaw.MISSING, path)
        for path in payload.iter_unlisted():
            litter = path.rpartition("/")[2].casefold() in _IGNORED_NAMES
            self._tally.add_flaw_or_note(
                strict or not litter,
                BagFlaw.UNLISTED,
                "files that a system leaves everywhere are not listed",
                path,
            )
        for path in payload.iter_partly_listed(manifests):
            self._tally.add_flaw_or_note(
                strict, BagFlaw.UNLISTED, "files are listed in some of the manifests only", path
            )
        for path in payload.iter_unlisted_fetches(manifests):
            self._tally.add_flaw_or_note(
                strict, BagFlaw.OUTSIDE, "the fetch list names files that no manifest lists", path
            )

    def _report_ambiguous(self) -> None:
        """Report names and lines that are ambiguous."""
        strict, payload = self._reading.bag.is_strict, self._reading.payload
        for ledger in (payload, self._reading.tags):
            for path, same in ledger.iter_duplicates():
                self._tally.add_flaw_or_note(
                    strict or not same, BagFlaw.TWICE, "files are listed twice, with the same checksum", path
                )
            for path, only_form in ledger.iter_name_variants():
                form = "names are there in another Unicode form than they are listed in"
                self._tally.add_note(form if only_form else NOT_ENCODED, path)
        for path in payload.iter_ambiguous_names():
            self._tally.add_note("names differ only in case or Unicode form: some systems take them for one", path)

    def _report_unlisted_tags(self) -> None:
        manifests = self._reading.manifests
        for number, one in enumerate(manifests):
            if one.is_tag_manifest:
                for other in manifests:
                    if not other.is_tag_manifest and not self._reading.tags.is_listed(number, other.name):
                        self._tally.add_flaw_or_note(
                            self._reading.bag.is_strict,
                            BagFlaw.TAG_MANIFEST,
                            "a tag manifest does not list every payload manifest",
                            f"{one.name} lacks {other.name}",
                        )

    def _compare_oxum(self) -> None:
        values = (
            value for label, value in self._reading.read_description() if label.casefold() == OXUM.casefold()
        )
        oxums = list(itertools.islice(values, 2))
        if len(oxums) > 1:
            self._tally.add_flaw_or_note(
                self._reading.bag.is_strict, BagFlaw.OXUM, f"{OXUM} stands there more than once", oxums[1]
            )
        for value in oxums:
            if parse_oxum(value) != (self.total_bytes, self.files):
                there = format_oxum(self.total_bytes, self.files)
                self._tally.add_flaw(BagFlaw.OXUM, f"it says {value[:60]}, there is {there}")

    # Every byte

    def _verify_all(self) -> Iterator[ProgressUpdate]:
        manifests = self._reading.manifests
        names = {number: one.algorithm for number, one in enumerate(manifests)}
        known = {name for name in names.values() if new_checksum(name) is not None}
        self.algorithms = tuple(sorted(known))
        for number, name in names.items():
            if name not in known:
                self._tally.add_flaw(BagFlaw.UNKNOWN_SUM, manifests[number].name)
        meter = RateEstimator("checking", self.files, self.total_bytes)
        done_files = done_bytes = 0
        ahead = ReadAhead("bag")
        try:
            with ParallelHasher() as summing:
                for ledger in (self._reading.tags, self._reading.payload):
                    for one in ledger.iter_entries():
                        wanted = [(names[number], digest) for number, digest in one.checksums]
                        for count in self._verify_file(
                            one, [pair for pair in wanted if pair[0] in known], ahead, summing
                        ):
                            done_bytes += count
                            if meter.is_due():
                                yield meter.update(done_files, done_bytes)
                        done_files += ledger is self._reading.payload
        finally:
            ahead.close()

    def _verify_file(
        self,
        to_check: BagEntry,
        expected: Sequence[tuple[str, str]],
        read_ahead: ReadAhead,
        hasher: ParallelHasher,
    ) -> Iterator[int]:
        """Read one file once for all its checksums; yield the bytes of each piece."""
        sums: dict[str, RunningChecksum] = {
            name: sum_ for name, _ in expected if (sum_ := new_checksum(name)) is not None
        }
        if not sums:
            return
        try:
            reading = MediumReader(self._reading.folder, to_check.path, self._cache_bypass)
            try:
                with contextlib.closing(read_ahead.read_pieces(reading, to_check.size)) as chunks:
                    for chunk in chunks:
                        self._reading.raise_if_stopped()
                        hasher.update(sums, chunk)
                        yield len(chunk)
            finally:
                reading.close()
        except OSError:
            if not self._reading.folder.is_still_at_root():
                raise
            self._tally.add_flaw(BagFlaw.UNREADABLE, to_check.path)
            return
        if not _are_sums_equal(sums, expected):
            self._tally.add_flaw(BagFlaw.CORRUPT, to_check.path)


def _are_sums_equal(sums: Mapping[str, RunningChecksum], expected: Sequence[tuple[str, str]]) -> bool:
    found = {name: one.hexdigest() for name, one in sums.items()}
    return all(found[name] == digest for name, digest in expected)
