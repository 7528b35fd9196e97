"""May this card be reformatted? A proof made at one moment; in doubt the answer is no.

    list the card -> read every file -> look at each copy -> read back what is old -> list and look again -> answer

An offload has listed and read the card already: it hands over what it saw, and the rest is done here. The yes is
for the moment at which the last look began: what was on the card then is what was read, and each copy that counts
was what its drive gave back.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from blake3 import blake3

from tripleguard.answers import Clearance, Reason
from tripleguard.cameras.judging import decoders_installed
from tripleguard.cameras.kinds import kind_of
from tripleguard.cameras.passing import HEAD
from tripleguard.cameras.wholeness import uncheckable_kind
from tripleguard.catalog import questions
from tripleguard.catalog.journal import drives_given_yes
from tripleguard.catalog.looks import (
    Damaged,
    awaits_decoding,
    damage_of,
    enter_look,
    has_look,
    look_at,
    settle_habits,
)
from tripleguard.catalog.rows import KnownFile
from tripleguard.clock import HOUR
from tripleguard.digest import Hasher
from tripleguard.errors import CardGone, Stopped
from tripleguard.model import Entry
from tripleguard.names import shown
from tripleguard.places.card import Card
from tripleguard.places.media import aligned_buffer
from tripleguard.rules import Needs, telling
from tripleguard.work.chunks import CHUNK
from tripleguard.work.clearance.copies import (
    CHANGED,
    SAME_COPY,
    SAME_DISK,
    CopyEvidence,
    CopyKey,
    CountedCopies,
)
from tripleguard.work.clearance.observation import CardObservation, ObservedFile, Stamp
from tripleguard.work.clearance.record import Covered, keep_record
from tripleguard.work.clearance.verdict import verdict
from tripleguard.work.holdings import Beside
from tripleguard.work.kit import Kit, OpenDrive, catalog_is_current
from tripleguard.work.looking import accept_damage, count_kinds, look_for, looked, uncheckable_sentence
from tripleguard.work.numbering import files_to_keep, unseen
from tripleguard.work.progress import Job, Moved
from tripleguard.work.tally import Tally

_SAY_EVERY = 50


@dataclass(frozen=True, slots=True)
class CardQuestion:
    """What is asked of which card.

    Attributes:
        card: The card.
        observation: What this run has seen of the card already; None: nothing.
        is_read: It has read the card as well, and is not to read it again.
        unsteady: Card paths of which two readings were not equal.
        before: How copies lay on their drives before that run read them back.
        accept_damaged: A person lives with files that are damaged at source.
    """

    card: Card
    observation: CardObservation | None = None
    is_read: bool = False
    unsteady: frozenset[str] = frozenset()
    before: Mapping[CopyKey, Stamp] = field(default_factory=dict)
    accept_damaged: bool = False


@dataclass(frozen=True, slots=True)
class VerifiedOnDrive:
    """How many of a card's files one drive holds verified, and of these how many since this run began.

    oldest: When the oldest of the others was read back, UTC ns; None: there is none.
    """

    files: int = 0
    now: int = 0
    oldest: int | None = None


@dataclass(frozen=True, slots=True)
class CardAnswer:
    """The answer, what each drive holds of the card, and where the record was left."""

    clearance: Clearance
    verified: dict[str, VerifiedOnDrive]
    records: tuple[str, ...]


def answer_for_card(
    kit: Kit, question: CardQuestion, drives: Sequence[OpenDrive], *, since: int | None = None
) -> Job[CardAnswer]:
    """Look at the card and at every copy on the open drives, and answer. The record is kept.

    since: when the run began that asks (UTC ns); None: now.
    Raises CardGone, Stopped, CatalogTrouble.
    """
    began = kit.clock.now() if since is None else since
    observation = question.observation or CardObservation(question.card)
    needs = Needs(0, 0, kit.settings.rule.accept_cached, within=kit.settings.clearance.card_hours * HOUR)
    copies = CopyEvidence(
        kit,
        drives,
        needs,
        kit.settings.rule.drive_copies,
        before=question.before,
        # What was answered with yes may be gone any moment.
        without=drives_given_yes(kit.catalog),
    )
    try:
        asking = _CardAsking(kit, question, observation, copies, drives, began)
        if not question.is_read:
            yield from asking.read_card()
        yield from asking.first_look()
        if copies.to_read:
            yield from copies.read_back()
        if kit.stop.is_set():
            raise _stopped()
        yield from asking.last_look()
        return asking.answer()
    finally:
        copies.close()
        if question.observation is None:
            observation.close()


class _CardAsking:
    """One question being answered."""

    def __init__(
        self,
        kit: Kit,
        question: CardQuestion,
        observation: CardObservation,
        copies: CopyEvidence,
        drives: Sequence[OpenDrive],
        began: int,
    ) -> None:
        self._kit = kit
        self._question = question
        self._card = observation
        self._copies = copies
        self._drives = drives
        self._began = began
        self._at = began
        self._reasons = Tally()
        self._notes = Tally(first=("damage accepted", "one device"))
        self._bytes = self._covered = 0
        self._list = blake3()
        self._covered_files = Covered()
        self._verified = {drive.record.name: VerifiedOnDrive() for drive in drives}
        self._accepted: list[Damaged] = []
        self._uncheckable: list[str] = []
        self._decodes = decoders_installed()
        self._counted: dict[str, CountedCopies] = {}
        self._frames: set[int] = set()

    def read_card(self) -> Job[None]:
        """List the card and read every file on it. Raises CardGone, Stopped."""
        totals = self._card.totals()
        buffer, read = aligned_buffer(CHUNK), 0
        for number, item in enumerate(self._card.listed()):
            if isinstance(item, Entry):
                self._read(item, buffer)
                read += item.size
            if number % _SAY_EVERY == 0:
                yield Moved("looking at the card", number, totals.files, read, totals.total_bytes, 0.0, None)

    def first_look(self) -> Job[None]:
        """Look at each copy of what was read."""
        for number, (path, known, pictures) in enumerate(self._known_files()):
            self._copies.first_look(known, _name(path), pictures)
            if number % _SAY_EVERY == 0:
                yield self._moved("looking at the copies", number)

    def last_look(self) -> Job[None]:
        """List the card again and look at each copy again; what this answers is so at the moment this begins."""
        self._at = self._kit.clock.now()
        yield self._moved("looking at the card once more", 0)
        known_before = set(self._card.files)
        seen_now = {item.path for item in self._card.listed() if isinstance(item, Entry)}
        if not self._question.card.still_there():
            raise _gone(self._question.card)
        away = self._copies.begin_last_look()
        for number, (path, known, pictures) in enumerate(self._known_files()):
            self._counted[path] = self._copies.last_look(known, _name(path), pictures)
            if number % _SAY_EVERY == 0:
                yield self._moved("looking at the copies once more", number)
        away += self._copies.end_last_look()
        # What is held open answers also when it lies elsewhere by now, and another card in its place.
        if not self._question.card.still_there():
            raise _gone(self._question.card)
        for path in sorted(known_before - seen_now):
            self._reasons.add("gone meanwhile", path)
        for path in sorted((seen_now - known_before) | self._card.new_paths()):
            self._reasons.add("new meanwhile", path)
        for name in sorted(set(away)):
            self._reasons.add("drive gone meanwhile", name)
        for path in sorted(self._card.changed_paths() & seen_now):
            self._card.files[path].is_changed = True
        if not self._card.is_watched and not self._card.keeps_change_times():
            (self._reasons if self._card.can_be_watched else self._notes).add("not watched")
        if catalog_is_current(self._kit, self._drives) is not None:
            self._reasons.add("catalog from the past")

    def answer(self) -> CardAnswer:
        """Count what was seen; the record is kept in the catalog and, for a yes, on the drives."""
        with self._kit.catalog.writing():
            # Whether a flaw is a habit of its model is only known once all have been looked through.
            settle_habits(self._kit.catalog, self._at)
        keep = files_to_keep(self._kit)
        for path, seen in self._card.files.items():
            self._bytes += seen.stamp[0]
            self._count(path, seen, keep)
        for path in self._card.odd:
            self._reasons.add("odd", path)
        for path in sorted(self._card.litter):
            self._notes.add("litter", path)
        if not self._card.files:
            self._reasons.add("nothing")
        for _ in self._frames:
            self._reasons.add("frames missing")
        if self._kit.settings.rule.allow_same_disk:
            self._notes.add("one device allowed")
        clearance = verdict(
            self._kit,
            subject=str(self._question.card.root),
            at=self._at,
            files=len(self._card.files),
            total_bytes=self._bytes,
            covered=self._covered,
            list_digest=self._list.digest(),
            reasons=self._reasons.reasons(),
            notes=self._notes.reasons() + self._kinds_not_checked(),
            numbers=unseen(self._kit),
        )
        if clearance.answer and self._accepted:
            accept_damage(self._kit, self._accepted, f"--accept-damaged for the card at {clearance.subject}")
        kept = keep_record(self._kit, clearance, self._covered_files, self._drives)
        return CardAnswer(clearance, self._verified, kept)

    # What each of these rests on

    def _read(self, entry: Entry, buffer: memoryview) -> None:
        """Read one file to its end, and remember what it gave. Raises CardGone, Stopped."""
        card, hasher, look, head = self._question.card, Hasher(), look_for(entry), b""
        try:
            reading = card.read(entry.path)
            try:
                while count := reading.readinto(buffer):
                    if look is not None:
                        head = head or bytes(buffer[: min(count, HEAD)])
                        look.feed(buffer[:count])
                    hasher.update(buffer[:count])
                    if self._kit.stop.is_set():
                        raise _stopped()
            finally:
                reading.close()
        except OSError as error:
            if not card.still_there():
                raise _gone(card) from error
            self._card.record_failure(entry.path)
            return
        if hasher.size != entry.size or not card.same(entry):
            self._card.files[entry.path].is_changed = True
            return
        digest = hasher.file().digest
        self._card.record_reading(entry, digest)
        known = questions.file_with_digest(self._kit.catalog, digest)
        if known is not None and look is not None and not has_look(self._kit.catalog, known.id):
            told = looked(look, head, entry.name)
            with self._kit.catalog.writing():
                enter_look(self._kit.catalog, known.id, told.verdict, told.traits, self._kit.clock.now())

    def _known_files(self) -> Iterator[tuple[str, KnownFile, frozenset[bytes] | None]]:
        """Every file of the card that the catalog knows by what was read of it, and its frame's originals."""
        beside = Beside()
        for path, seen in self._card.files.items():
            known = self._known(seen)
            if known is not None:
                yield path, known, self._pictures_beside(beside, known, path)

    def _known(self, seen: ObservedFile) -> KnownFile | None:
        return questions.file_with_digest(self._kit.catalog, seen.digest) if seen.digest is not None else None

    def _pictures_beside(self, beside: Beside, known: KnownFile, path: str) -> frozenset[bytes] | None:
        """The originals of this frame; an original itself is noted for what comes after it."""
        entry = Entry(path, known.file.size, 0)
        if kind_of(entry.name).is_original:
            beside.holds(entry, known.file)
        return beside.pictures(entry)

    def _count(self, path: str, seen: ObservedFile, keep: Mapping[int, int]) -> None:
        """Count one file of the card, and why it is not covered if it is not."""
        if seen.is_protected:
            self._notes.add("protected", path)
        known = self._known(seen)
        why = self._why_unknown(path, seen, known)
        if known is not None and known.id in keep:
            self._frames.add(keep[known.id])
        if why is None and known is not None:
            why = self._why_uncovered(path, known)
        if why is None and known is not None and self._is_lived_with(known, path):
            self._cover(known, path, seen)
        elif why is not None:
            self._reasons.add(why, path)

    def _why_unknown(self, path: str, seen: ObservedFile, known: KnownFile | None) -> str | None:
        if seen.is_unreadable:
            return "unreadable"
        if path in self._question.unsteady:
            return "unsteady"
        if seen.is_changed:
            return "changed meanwhile"
        if known is None:
            # An unknown content may stand where an offloaded file stood.
            return "changed" if questions.last_reading(self._kit.catalog, path) else "not offloaded"
        return None

    def _why_uncovered(self, path: str, known: KnownFile) -> str | None:
        """None if enough drives hold this file; else the reason word."""
        counted = self._counted.get(path)
        if counted is None:
            return "changed meanwhile"
        for copy in counted.copies:
            self._count_verified(self._copies.name_of(copy.place_id), copy.evidence.verified_at or 0)
        if self._copies.enough(counted):
            return None if self._copies.is_unchanged(counted) else CHANGED
        for problem in (CHANGED, SAME_COPY):
            if problem in counted.problems:
                return problem
        why = telling(counted.standings)
        if why is not None:
            return why
        if SAME_DISK in counted.problems:
            return SAME_DISK
        return "one copy" if counted.copies else "no copy"

    def _count_verified(self, name: str, verified_at: int) -> None:
        before = self._verified.get(name, VerifiedOnDrive())
        is_now = verified_at >= self._began
        oldest = before.oldest if is_now else min(verified_at, before.oldest or verified_at)
        self._verified[name] = VerifiedOnDrive(before.files + 1, before.now + is_now, oldest)

    def _cover(self, known: KnownFile, path: str, seen: ObservedFile) -> None:
        self._covered += 1
        if self._decodes and awaits_decoding(self._kit.catalog, known.id):
            self._notes.add("not decoded")
        look = look_at(self._kit.catalog, known.id)
        kind = uncheckable_kind(look, path) if look is not None else None
        if kind is not None:
            self._uncheckable.append(kind)
        digest = known.file.digest
        size, mtime_ns, _ = seen.stamp
        line = f"{digest.hex()}  {size}  ".encode() + path.encode("utf-8", "surrogateescape") + b"\n"
        self._list.update(line)
        self._covered_files.add(known.shoot_id, Entry(path, size, mtime_ns), digest)

    def _is_lived_with(self, known: KnownFile, path: str) -> bool:
        """Whether a file holds together, or a person lives with it as it is; else the reason is counted."""
        damage = damage_of(self._kit.catalog, known.id)
        if damage is None:
            return True
        if not damage.accepted:
            if not self._question.accept_damaged:
                self._reasons.add("damaged" if damage.broken else "suspicious", path)
                return False
            self._accepted.append(damage)
        self._notes.add("damage accepted", path)
        return True

    def _kinds_not_checked(self) -> tuple[Reason, ...]:
        """What no parser here knows: counted beside the verdict, whatever that is."""
        if not self._uncheckable:
            return ()
        sentence = uncheckable_sentence(count_kinds(self._uncheckable))
        return (Reason("kinds not checkable", len(self._uncheckable), sentence),)

    def _moved(self, doing: str, number: int) -> Moved:
        return Moved(doing, number, len(self._card.files), 0, 0, 0.0, None)


def _name(path: str) -> str:
    return path.rpartition("/")[2]


def _gone(card: Card) -> CardGone:
    return CardGone(
        f"The card at {shown(str(card.root))} went away while it was looked at.",
        safe="It was only read.",
        do="Put it in again and ask again. Do not reformat it.",
    )


def _stopped() -> Stopped:
    return Stopped(
        "Stopped before the whole card was looked at.",
        safe="The card was only read. There is no answer: do not reformat it.",
        do="Ask again.",
    )
