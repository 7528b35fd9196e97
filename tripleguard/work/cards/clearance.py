"""May this card be reformatted? It looks again, now, and in doubt the answer is no.

The card is listed at this moment. Each file is read and looked up by its content (or, when asked to be fast,
compared by size, time and both ends). Each copy that is to count must be on its drive now, as it was recorded,
and must have been read back from the medium.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from blake3 import blake3

from tripleguard.cameras.judging import decoders_installed
from tripleguard.cameras.kinds import kind_of
from tripleguard.cameras.passing import HEAD
from tripleguard.catalog import questions
from tripleguard.catalog.looks import Damaged, awaits_decoding, damage_of, enter_look, has_look, settle_habits
from tripleguard.catalog.rows import KnownFile
from tripleguard.digest import Hasher, sample_of
from tripleguard.errors import CardGone, Stopped
from tripleguard.model import Clearance, Entry
from tripleguard.names import shown
from tripleguard.places.card import Card, Left
from tripleguard.places.media import aligned_buffer, disk_of
from tripleguard.rules import Needs, telling
from tripleguard.work.chunks import CHUNK
from tripleguard.work.clearance.record import Covered, keep_record
from tripleguard.work.counting import Counting
from tripleguard.work.holdings import Beside
from tripleguard.work.kit import Kit, OpenDrive
from tripleguard.work.looking import accept_damage, look_for, looked
from tripleguard.work.numbering import files_to_keep, unseen
from tripleguard.work.progress import Job, Moved
from tripleguard.work.tally import Tally

_SAY_EVERY = 50


@dataclass(frozen=True, slots=True)
class CardQuestion:
    """What is asked of which card.

    as_read_by: the offload whose readings of the last minutes count as looked at; unreadable: what it could not
    read; unsteady: what two readings of the card did not agree on. Without one, check_content: read every file;
    False: compare size, time and both ends only. accept_damaged: a person lives with files that are damaged at
    source.
    """

    card: Card
    as_read_by: int | None = None
    unreadable: frozenset[str] = frozenset()
    unsteady: frozenset[str] = frozenset()
    check_content: bool = True
    accept_damaged: bool = False


@dataclass(frozen=True, slots=True)
class CardAnswer:
    """The answer, how many of the card's files each drive holds verified, and where the record was left."""

    clearance: Clearance
    verified: dict[str, int]
    records: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Identified:
    """The file that a card entry is; or a reason word why that is not known."""

    known: KnownFile | None
    trouble: str = ""


def answer_for_card(kit: Kit, question: CardQuestion, drives: Sequence[OpenDrive]) -> Job[CardAnswer]:
    """Look at the card and at every copy on the open drives, and answer. The record is kept.

    Raises CardGone, Stopped, CatalogTrouble.
    """
    asking = _Asking(kit, question, drives)
    totals = question.card.totals()
    read = 0
    for number, item in enumerate(question.card.listed()):
        if kit.stop.is_set():
            raise _stopped()
        if isinstance(item, Left):
            asking.notes.add("litter", item.path)
        elif isinstance(item, Entry):
            asking.file(item)
            read += item.size
        else:
            asking.reasons.add("odd", item.path)
        if number % _SAY_EVERY == 0:
            yield Moved("looking at the card", number, totals.files, read, totals.total_bytes, 0.0, None)
    return asking.answer()


class _Asking:
    """One question being answered."""

    def __init__(self, kit: Kit, question: CardQuestion, drives: Sequence[OpenDrive]) -> None:
        self.reasons = Tally()
        self.notes = Tally(first=("damage accepted", "one device"))
        self._beside = Beside()
        self._kit = kit
        self._question = question
        self._drives = {drive.record.id: drive for drive in drives}
        self._now = kit.clock.now()
        rule = kit.settings.rule
        needs = Needs(rule.road_days, rule.shelf_days, rule.accept_cached, kit.settings.clearance.away_hours)
        self._counting = Counting(kit.catalog, drives, needs, self._now)
        self._files = self._bytes = self._covered = 0
        self._list = blake3()
        self._covered_files = Covered()
        self._verified = {drive.record.name: 0 for drive in drives}
        self._buffer = aligned_buffer(CHUNK)
        self._not_seen = set(question.unreadable)
        self._doubtful: list[tuple[KnownFile, Entry]] = []
        self._accepted: list[Damaged] = []
        self._decodes = decoders_installed()
        self._settle()
        self._keep = files_to_keep(kit)
        self._beside_missing: set[int] = set()

    def file(self, entry: Entry) -> None:
        """Count one file of the card, and why it is not covered if it is not."""
        self._files += 1
        self._bytes += entry.size
        self._not_seen.discard(entry.path)
        if entry.protected:
            self.notes.add("protected", entry.path)
        identified = self._identified(entry)
        if identified.known is None:
            self.reasons.add(identified.trouble, entry.path)
            return
        if identified.known.id in self._keep:
            self._beside_missing.add(self._keep[identified.known.id])
        why = self._uncovered(identified.known, entry)
        if why is not None:
            self.reasons.add(why, entry.path)
            return
        if entry.path in self._question.unsteady:
            self.reasons.add("unsteady", entry.path)
            return
        if damage_of(self._kit.catalog, identified.known.id) is not None:
            # Whether it is a habit of its model is only known once all have been looked through.
            self._doubtful.append((identified.known, entry))
            return
        self._cover(identified.known, entry)

    def _cover(self, known: KnownFile, entry: Entry) -> None:
        self._covered += 1
        if self._decodes and awaits_decoding(self._kit.catalog, known.id):
            self.notes.add("not decoded")
        digest = known.file.digest
        self._list.update(
            f"{digest.hex()}  {entry.size}  ".encode() + entry.path.encode("utf-8", "surrogateescape") + b"\n"
        )
        self._covered_files.add(known.shoot_id, entry, digest)

    def answer(self) -> CardAnswer:
        """The answer from what was counted; its record is kept in the catalog and, for a yes, on the drives."""
        # What could not be read and is not listed any more is no reason to be calm.
        for path in sorted(self._not_seen):
            self.reasons.add("unreadable", path)
        self._settle()
        for known, entry in self._doubtful:
            if self._is_lived_with(known, entry):
                self._cover(known, entry)
        if self._files == 0:
            self.reasons.add("nothing")
        for _ in self._beside_missing:
            self.reasons.add("frames missing")
        if self._on_one_device():
            self.notes.add("one device")
        reasons = self.reasons.reasons()
        if not reasons and self._covered != self._files:
            raise AssertionError("a yes that does not cover every file")
        clearance = Clearance(
            answer=not reasons,
            subject=str(self._question.card.root),
            at=self._now,
            files=self._files,
            total_bytes=self._bytes,
            covered=self._covered,
            list_digest=self._list.digest(),
            reasons=reasons,
            notes=self.notes.reasons(),
            numbers=unseen(self._kit),
        )
        if clearance.answer and self._accepted:
            accept_damage(self._kit, self._accepted, f"--accept-damaged for the card at {clearance.subject}")
        kept = keep_record(self._kit, clearance, self._covered_files, list(self._drives.values()))
        return CardAnswer(clearance, self._verified, kept)

    def _settle(self) -> None:
        with self._kit.catalog.writing():
            settle_habits(self._kit.catalog, self._now)

    def _is_lived_with(self, known: KnownFile, entry: Entry) -> bool:
        """Whether a file holds together, or a person lives with it as it is; else the reason is counted."""
        damage = damage_of(self._kit.catalog, known.id)
        if damage is None:
            return True
        if not damage.accepted:
            if not self._question.accept_damaged:
                self.reasons.add("damaged" if damage.broken else "suspicious", entry.path)
                return False
            self._accepted.append(damage)
        self.notes.add("damage accepted", entry.path)
        return True

    def _identified(self, entry: Entry) -> _Identified:
        if self._question.as_read_by is not None:
            return self._as_read(entry, self._question.as_read_by)
        if self._question.check_content:
            return self._by_content(entry)
        return self._by_both_ends(entry)

    def _as_read(self, entry: Entry, job_id: int) -> _Identified:
        row = questions.as_read(self._kit.catalog, job_id, entry.path)
        if row is None:
            return _Identified(None, "unreadable" if entry.path in self._question.unreadable else "not offloaded")
        file_id, size, mtime_ns, _ = row
        if (size, mtime_ns) != (entry.size, entry.mtime_ns):
            return _Identified(None, "changed")
        return _Identified(questions.file_with_id(self._kit.catalog, file_id))

    def _by_content(self, entry: Entry) -> _Identified:
        hasher, look, head = Hasher(), look_for(entry), b""
        try:
            reading = self._question.card.read(entry.path)
            try:
                while count := reading.readinto(self._buffer):
                    if look is not None:
                        head = head or bytes(self._buffer[: min(count, HEAD)])
                        look.feed(self._buffer[:count])
                    hasher.update(self._buffer[:count])
                    if self._kit.stop.is_set():
                        raise _stopped()
            finally:
                reading.close()
        except OSError as error:
            return self._unreadable(error)
        if hasher.size != entry.size or not self._question.card.same(entry):
            return _Identified(None, "changed")
        known = questions.file_with_digest(self._kit.catalog, hasher.file().digest)
        if known is not None and look is not None and not has_look(self._kit.catalog, known.id):
            told = looked(look, head, entry.name)
            with self._kit.catalog.writing():
                enter_look(self._kit.catalog, known.id, told.verdict, told.traits, self._now)
        return _Identified(known, "" if known else self._strange(entry))

    def _by_both_ends(self, entry: Entry) -> _Identified:
        card = self._question.card
        earlier = questions.last_reading(self._kit.catalog, entry.path)
        if not earlier:
            return _Identified(None, "not offloaded")
        try:
            sample = sample_of(entry.size, lambda offset, length: card.read_at(entry.path, offset, length))
        except OSError as error:
            return self._unreadable(error)
        for file_id, size, mtime_ns in earlier:
            if (size, mtime_ns) == (entry.size, entry.mtime_ns):
                known = questions.file_with_id(self._kit.catalog, file_id)
                if known.sample == sample:
                    return _Identified(known)
        return _Identified(None, "changed")

    def _unreadable(self, error: OSError) -> _Identified:
        card = self._question.card
        if not card.still_there():
            raise CardGone(
                f"The card at {shown(str(card.root))} went away while it was looked at.",
                safe="It was only read.",
                do="Put it in again and ask again. Do not reformat it.",
            ) from error
        return _Identified(None, "unreadable")

    def _strange(self, entry: Entry) -> str:
        """Whether an unknown content stands where an offloaded file stood, or was never offloaded."""
        return "changed" if questions.last_reading(self._kit.catalog, entry.path) else "not offloaded"

    def _uncovered(self, known: KnownFile, entry: Entry) -> str | None:
        """None if enough drives hold this file; else the reason word."""
        if known.file.size != entry.size:
            return "changed"
        beside = self._folders_beside(known, entry)
        counted = self._counting.count(known, entry.name, beside)
        for name in self._counting.names(counted.on):
            self._verified[name] = self._verified.get(name, 0) + 1
        if len(counted.on) >= self._kit.settings.rule.drive_copies:
            return None
        return telling(counted.standings) or ("one copy" if counted.on else "no copy")

    def _folders_beside(self, known: KnownFile, entry: Entry) -> frozenset[str] | None:
        """Where the originals of this frame lie; an original itself is noted for what comes after it."""
        if kind_of(entry.name).is_original:
            copies = questions.copies_of(self._kit.catalog, known.id)
            self._beside.lies_in(entry, (copy.path.rpartition("/")[0] for copy in copies))
        return self._beside.folders(entry)

    def _on_one_device(self) -> bool:
        disks = [disk_of(drive.place.root) for drive in self._drives.values()]
        return len(disks) > 1 and len(set(disks)) < len(disks)


def _stopped() -> Stopped:
    return Stopped(
        "Stopped before the whole card was looked at.",
        safe="The card was only read. There is no answer: do not reformat it.",
        do="Ask again.",
    )
