"""Answer whether a card may be reformatted: a proof made at one moment; in doubt the answer is no.

    list the card -> read every file -> check each copy -> read back old ones -> list and check again -> answer

A yes applies to the moment the final check began: the card held what was read, and each copy was read back.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from blake3 import blake3

from tripleguard.cameras.integrity.checker import get_uncheckable_kind
from tripleguard.cameras.integrity.decode_check import has_decoders_installed
from tripleguard.cameras.integrity.stream_window import HEAD_BYTES
from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog import file_queries
from tripleguard.catalog.event_log import list_drives_with_yes
from tripleguard.catalog.integrity import (
    DamagedFile,
    find_damage,
    find_unchecked_verdict,
    find_verdict,
    is_awaiting_decoding,
    is_inspected,
    record_inspection,
    update_model_quirks,
)
from tripleguard.catalog.rows import KnownFile
from tripleguard.clearance_answer import ClearanceReason
from tripleguard.clock import HOUR
from tripleguard.digest import Hasher
from tripleguard.errors import CardGoneError, StoppedError
from tripleguard.jobs.clearance.card_answer import CardAnswer, CardQuestion, VerifiedOnDrive
from tripleguard.jobs.clearance.card_observation import CardObservation, ObservedFile
from tripleguard.jobs.clearance.counted_copies import (
    COPY_CHANGED,
    SAME_COPY,
    SAME_DISK,
    CopyEvidence,
    CountedCopies,
)
from tripleguard.jobs.clearance.decision import decide_clearance
from tripleguard.jobs.clearance.reasons import ReasonCounter
from tripleguard.jobs.clearance.record import CoveredFiles, save_record
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.copying.buffers import CHUNK_BYTES
from tripleguard.jobs.drives import OpenDrive, explain_outdated_catalog
from tripleguard.jobs.existing_copies import FrameOriginals
from tripleguard.jobs.integrity import (
    accept_damage,
    count_kinds,
    finish_integrity_check,
    format_uncheckable,
    start_integrity_check,
)
from tripleguard.jobs.missing_frames import find_files_to_keep, list_missing_frames
from tripleguard.jobs.progress import Job, ProgressUpdate
from tripleguard.model import Entry
from tripleguard.names import escape_text
from tripleguard.places.base import SourceFolder
from tripleguard.places.cache_bypass import allocate_aligned
from tripleguard.rules import CopyRequirements, primary_reason

_PROGRESS_EVERY = 50


def clear_card(
    ctx: JobContext, question: CardQuestion, drives: Sequence[OpenDrive], *, since: int | None = None
) -> Job[CardAnswer]:
    """Check the card and every copy on the open drives, answer, and keep the record.

    since: when the calling run began, in UTC ns; None for now. Raises CardGoneError, StoppedError, CatalogError.
    """
    began = ctx.clock.now() if since is None else since
    observation = question.observation or CardObservation(question.card)
    needs = CopyRequirements(
        0, 0, ctx.settings.rule.accept_cached, max_age_ns=ctx.settings.clearance.card_hours * HOUR
    )
    copies = CopyEvidence(
        ctx,
        drives,
        needs,
        ctx.settings.rule.drive_copies,
        earlier_stamps=question.before,
        monitors=question.monitors,
        # A drive that was cleared may be reformatted at any moment.
        excluded_place_ids=list_drives_with_yes(ctx.catalog),
    )
    try:
        asking = _CardClearanceRun(ctx, question, observation, copies, drives, began)
        if not question.is_read:
            yield from asking.read_card()
        yield from asking.run_first_check()
        if copies.pending_read_backs:
            yield from copies.read_back()
        if ctx.stop.is_set():
            raise _stopped_error()
        yield from asking.run_final_check()
        return asking.make_answer()
    finally:
        copies.close()
        if question.observation is None:
            observation.close()


class _CardClearanceRun:
    """The run that answers one question."""

    def __init__(
        self,
        ctx: JobContext,
        question: CardQuestion,
        observation: CardObservation,
        copies: CopyEvidence,
        drives: Sequence[OpenDrive],
        started_at: int,
    ) -> None:
        self._ctx = ctx
        self._question = question
        self._observation = observation
        self._copies = copies
        self._drives = drives
        self._started_at = started_at
        self._answer_time = started_at
        self._reasons = ReasonCounter()
        self._notes = ReasonCounter(first=("damage accepted", "one device"))
        self._bytes = self._covered_count = 0
        self._list_hasher = blake3()
        self._covered_files = CoveredFiles()
        self._verified = {drive.record.name: VerifiedOnDrive() for drive in drives}
        self._accepted_damage: list[DamagedFile] = []
        self._uncheckable_kinds: list[str] = []
        self._has_decoders = has_decoders_installed()
        self._counted_copies: dict[str, CountedCopies] = {}
        self._gap_ids: set[int] = set()
        self._by_digest: dict[bytes, KnownFile] = {}

    def read_card(self) -> Job[None]:
        """List the card and read every file on it. Raises CardGoneError, StoppedError."""
        totals = self._observation.count_totals()
        buffer, read = allocate_aligned(CHUNK_BYTES), 0
        for number, item in enumerate(self._observation.list_entries()):
            if isinstance(item, Entry):
                self._read_file(item, buffer)
                read += item.size
            if number % _PROGRESS_EVERY == 0:
                yield ProgressUpdate(
                    "looking at the card", number, totals.files, read, totals.total_bytes, 0.0, None
                )

    def run_first_check(self) -> Job[None]:
        """Check each copy of the files that were read."""
        for number, (path, known, pictures) in enumerate(self._iter_known_files()):
            self._copies.run_first_check(known, _file_name(path), pictures)
            if number % _PROGRESS_EVERY == 0:
                yield self._progress("looking at the copies", number)

    def run_final_check(self) -> Job[None]:
        """List the card and check each copy again; the answer is for the moment at which this begins."""
        self._answer_time = self._ctx.clock.now()
        yield self._progress("looking at the card once more", 0)
        known_before = set(self._observation.files)
        seen_now = {item.path for item in self._observation.list_entries() if isinstance(item, Entry)}
        if not self._question.card.is_connected():
            raise _card_gone_error(self._question.card)
        away = self._copies.begin_final_check()
        for number, (path, known, pictures) in enumerate(self._iter_known_files()):
            self._counted_copies[path] = self._copies.run_final_check(known, _file_name(path), pictures)
            if number % _PROGRESS_EVERY == 0:
                yield self._progress("looking at the copies once more", number)
        away += self._copies.end_final_check()
        # An open descriptor still works when the card has moved and another card is mounted at its path.
        if not self._question.card.is_connected():
            raise _card_gone_error(self._question.card)
        for path in sorted(known_before - seen_now):
            self._reasons.add("gone meanwhile", path)
        for path in sorted((seen_now - known_before) | self._observation.new_paths()):
            self._reasons.add("new meanwhile", path)
        for name in sorted(set(away)):
            self._reasons.add("drive gone meanwhile", name)
        for path in sorted(self._observation.changed_paths() & seen_now):
            self._observation.files[path].is_changed = True
        if not self._observation.is_watched and not self._observation.keeps_change_times():
            (self._reasons if self._observation.can_be_watched else self._notes).add("not watched")
        if explain_outdated_catalog(self._ctx, self._drives) is not None:
            self._reasons.add("catalog from the past")

    def make_answer(self) -> CardAnswer:
        """Count the result, and keep the record in the catalog and, for a yes, on the drives."""
        with self._ctx.catalog.transaction():
            update_model_quirks(self._ctx.catalog, self._answer_time)
        keep = find_files_to_keep(self._ctx)
        for path, seen in self._observation.files.items():
            self._bytes += seen.stamp[0]
            self._count_file(path, seen, keep)
        for path in self._observation.uncopyable:
            self._reasons.add("odd", path)
        for path in sorted(self._observation.litter):
            self._notes.add("litter", path)
        if not self._observation.files:
            self._reasons.add("nothing")
        for _ in self._gap_ids:
            self._reasons.add("frames missing")
        if self._ctx.settings.rule.allow_same_disk:
            self._notes.add("one device allowed")
        clearance = decide_clearance(
            self._ctx,
            subject=str(self._question.card.root),
            at=self._answer_time,
            files=len(self._observation.files),
            total_bytes=self._bytes,
            covered=self._covered_count,
            list_digest=self._list_hasher.digest(),
            reasons=self._reasons.to_reasons(),
            notes=self._notes.to_reasons() + self._uncheckable_note(),
            numbers=list_missing_frames(self._ctx),
        )
        if clearance.is_yes and self._accepted_damage:
            accept_damage(
                self._ctx, self._accepted_damage, f"--accept-damaged for the card at {clearance.subject}"
            )
        kept = save_record(self._ctx, clearance, self._covered_files, self._drives)
        return CardAnswer(clearance, self._verified, kept)

    def _read_file(self, entry: Entry, buffer: memoryview) -> None:
        """Read one file to its end and record its digest. Raises CardGoneError, StoppedError."""
        card, hasher, look, head = self._question.card, Hasher(), start_integrity_check(entry), b""
        try:
            reading = card.open_reader(entry.path)
            try:
                while count := reading.readinto(buffer):
                    if look is not None:
                        head = head or bytes(buffer[: min(count, HEAD_BYTES)])
                        look.feed(buffer[:count])
                    hasher.update(buffer[:count])
                    if self._ctx.stop.is_set():
                        raise _stopped_error()
            finally:
                reading.close()
        except OSError as error:
            if not card.is_connected():
                raise _card_gone_error(card) from error
            self._observation.record_failure(entry.path)
            return
        if hasher.size != entry.size or not card.is_unchanged(entry):
            self._observation.files[entry.path].is_changed = True
            return
        digest = hasher.as_file().digest
        self._observation.record_reading(entry, digest)
        known = file_queries.find_file_by_digest(self._ctx.catalog, digest)
        if known is not None and look is not None and not is_inspected(self._ctx.catalog, known.id):
            inspection = finish_integrity_check(look, head, entry.name)
            with self._ctx.catalog.transaction():
                record_inspection(
                    self._ctx.catalog, known.id, inspection.verdict, inspection.traits, self._ctx.clock.now()
                )

    def _iter_known_files(self) -> Iterator[tuple[str, KnownFile, frozenset[bytes] | None]]:
        """Yield every file of the card whose content the catalog knows, with its frame's originals."""
        beside = FrameOriginals()
        for path, seen in self._observation.files.items():
            known = self._find_known(seen)
            if known is not None:
                yield path, known, self._originals_beside(beside, known, path)

    def _find_known(self, observed: ObservedFile) -> KnownFile | None:
        if observed.digest is None:
            return None
        known = self._by_digest.get(observed.digest) or file_queries.find_file_by_digest(
            self._ctx.catalog, observed.digest
        )
        if known is not None:
            self._by_digest[observed.digest] = known
        return known

    def _originals_beside(
        self, frame_originals: FrameOriginals, known: KnownFile, path: str
    ) -> frozenset[bytes] | None:
        """Return the originals of this frame; remember an original for the files that follow it."""
        entry = Entry(path, known.file.size, 0)
        if kind_of(entry.name).is_original:
            frame_originals.add(entry, known.file)
        return frame_originals.digests(entry)

    def _count_file(self, path: str, observed: ObservedFile, files_to_keep: Mapping[int, int]) -> None:
        """Count one file of the card, and the reason if it is not covered."""
        if observed.is_protected:
            self._notes.add("protected", path)
        known = self._find_known(observed)
        why = self._explain_unknown(path, observed, known)
        if known is not None and known.id in files_to_keep:
            self._gap_ids.add(files_to_keep[known.id])
        if why is None and known is not None:
            why = self._explain_uncovered(path, known)
        if why is None and known is not None and self._is_whole_or_accepted(known, path):
            self._add_covered(known, path, observed)
        elif why is not None:
            self._reasons.add(why, path)

    def _explain_unknown(self, path: str, observed: ObservedFile, known: KnownFile | None) -> str | None:
        if observed.is_unreadable:
            return "unreadable"
        if path in self._question.unsteady:
            return "unsteady"
        if observed.is_changed:
            return "changed meanwhile"
        if known is None:
            return "changed" if file_queries.list_card_readings(self._ctx.catalog, path) else "not offloaded"
        return None

    def _explain_uncovered(self, path: str, known: KnownFile) -> str | None:
        """Return the reason word if too few drives hold this file, else None."""
        counted = self._counted_copies.get(path)
        if counted is None:
            return "changed meanwhile"
        for copy in counted.copies:
            name = self._copies.place_name(copy.place_id)
            self._verified[name] = self._verified.get(name, VerifiedOnDrive()).plus(
                copy.evidence.verified_at or 0, self._started_at
            )
        if self._copies.is_enough(counted):
            return None if self._copies.is_unchanged(counted) else COPY_CHANGED
        for problem in (COPY_CHANGED, SAME_COPY):
            if problem in counted.problems:
                return problem
        why = primary_reason(counted.statuses)
        if why is not None:
            return why
        if SAME_DISK in counted.problems:
            return SAME_DISK
        return "one copy" if counted.copies else "no copy"

    def _add_covered(self, known: KnownFile, path: str, observed: ObservedFile) -> None:
        self._covered_count += 1
        if self._has_decoders and is_awaiting_decoding(self._ctx.catalog, known.id):
            self._notes.add("not decoded")
        look = find_verdict(self._ctx.catalog, known.id)
        kind = get_uncheckable_kind(look, path) if look is not None else None
        if kind is not None:
            self._uncheckable_kinds.append(kind)
        digest = known.file.digest
        size, mtime_ns, _ = observed.stamp
        line = f"{digest.hex()}  {size}  ".encode() + path.encode("utf-8", "surrogateescape") + b"\n"
        self._list_hasher.update(line)
        self._covered_files.add(known.shoot_id, Entry(path, size, mtime_ns), digest)

    def _is_whole_or_accepted(self, known: KnownFile, path: str) -> bool:
        """Return whether a file is intact or its damage was accepted; count the reason if not."""
        damage = find_damage(self._ctx.catalog, known.id)
        if damage is None:
            return self._was_looked_through(known, path)
        if not damage.is_accepted:
            if not self._question.accept_damaged:
                self._reasons.add("damaged" if damage.is_broken else "suspicious", path)
                return False
            self._accepted_damage.append(damage)
        self._notes.add("damage accepted", path)
        return True

    def _was_looked_through(self, known: KnownFile, path: str) -> bool:
        """Return whether an original was checked, is of an uncheckable kind, or was accepted unchecked."""
        look = find_unchecked_verdict(self._ctx.catalog, known.id)
        if look is None or get_uncheckable_kind(look, path) is not None:
            return True
        if self._question.accept_damaged:
            self._notes.add("unchecked accepted", path)
            return True
        self._reasons.add("could not be checked", path)
        return False

    def _uncheckable_note(self) -> tuple[ClearanceReason, ...]:
        if not self._uncheckable_kinds:
            return ()
        sentence = format_uncheckable(count_kinds(self._uncheckable_kinds))
        return (ClearanceReason("kinds not checkable", len(self._uncheckable_kinds), sentence),)

    def _progress(self, activity: str, number: int) -> ProgressUpdate:
        return ProgressUpdate(activity, number, len(self._observation.files), 0, 0, 0.0, None)


def _file_name(path: str) -> str:
    return path.rpartition("/")[2]


def _card_gone_error(card: SourceFolder) -> CardGoneError:
    return CardGoneError(
        f"The card at {escape_text(str(card.root))} went away while it was looked at.",
        safe="It was only read.",
        do="Put it in again and ask again. Do not reformat it.",
    )


def _stopped_error() -> StoppedError:
    return StoppedError(
        "Stopped before the whole card was looked at.",
        safe="The card was only read. There is no answer: do not reformat it.",
        do="Ask again.",
    )
