"""Mending both ways: what is bad offsite is sent again from a drive, what drives lack is fetched from there.

Nothing offsite is overwritten or removed: a bad object stays under its key, and the good one gets another. An
object that is read as a source must be the very version that was proved, and what comes of it is checked by its
digest like any other source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from tripleguard.catalog import offsite as rows
from tripleguard.catalog import questions
from tripleguard.catalog.findings import Noticed, open_findings
from tripleguard.errors import PlaceTrouble, TripleguardError
from tripleguard.model import CopyState, Entry, FindingKind, PlaceRecord
from tripleguard.places.base import Readable
from tripleguard.work.budget import Budget
from tripleguard.work.kit import Kit, OpenDrive
from tripleguard.work.mending.mend import Mended
from tripleguard.work.mending.wounds import STRAY
from tripleguard.work.offsite.line import Patience
from tripleguard.work.offsite.opening import Key, Opening
from tripleguard.work.offsite.proving import tag_at
from tripleguard.work.offsite.sealing import ENDING, is_sealed
from tripleguard.work.offsite.third_place import OpenOffsite, offsite_record
from tripleguard.work.offsite.upload import upload
from tripleguard.work.progress import Job

_FROM_DRIVES = (FindingKind.MISSING, FindingKind.CORRUPT, FindingKind.ALTERED, FindingKind.STALE)
_NOT_WANTED = "it belongs to no select any more: choose it again with `selects add`, or accept it with a reason"


@dataclass(frozen=True, slots=True)
class OffsiteSource:
    """The offsite place as a source of good copies; see `kit.Source`. It is never written to this way.

    key: opens what is sealed; without it, sealed copies are none. A sealed copy goes by the picture's own name.
    """

    kit: Kit
    offsite: OpenOffsite
    key: Key | None = None
    _keys: dict[str, str] = field(default_factory=dict)

    @property
    def record(self) -> PlaceRecord:
        return self.offsite.record

    @property
    def place(self) -> Readable:
        return self.offsite.place if self.key is None else Opening(self.offsite.place, self.key, self._keys)

    def seen(self, path: str) -> Entry | None:
        """The copy at path, if it can be opened and is still the version that was proved once.

        One that an earlier catalog proved will do: its digest is looked at while it is copied.
        """
        path = self._keys.get(path, path)
        copy = questions.copy_at(self.kit.catalog, self.record.id, path)
        if copy is None or copy.state is not CopyState.PRESENT:
            return None
        stored = rows.stored_as(self.kit.catalog, copy.id)
        if stored is None or (is_sealed(stored) and self.key is None):
            return None
        try:
            if tag_at(self.offsite, path) != stored.tag:
                return None
            # A key that does not fit says nothing about the copy.
            if is_sealed(stored) and self.key is not None and not self.key.fits(self.offsite.place.read(path)):
                return None
        except (TripleguardError, OSError):
            return None
        name = path
        if is_sealed(stored):
            name = path.removesuffix(ENDING)
            self._keys[name] = path
        return Entry(name, copy.size, copy.mtime_ns)


@dataclass(frozen=True, slots=True)
class OffsiteMended:
    """What was sent again, what was not and why, and what kept it from being tried."""

    mended: tuple[Mended, ...]
    not_mended: tuple[Mended, ...]
    troubles: tuple[TripleguardError, ...]


def wounds_offsite(kit: Kit) -> list[Noticed]:
    """What is open and not accepted about the offsite place."""
    record = offsite_record(kit)
    if record is None:
        return []
    return [one for one in open_findings(kit.catalog) if one.place_id == record.id and one.accepted_at is None]


def could_help(kit: Kit, not_mended: Sequence[Mended]) -> bool:
    """Whether the offsite place has a copy of something that no drive could heal."""
    record = offsite_record(kit)
    if record is None or not not_mended:
        return False
    open_ = {(one.kind, one.path): one for one in open_findings(kit.catalog)}
    for one in not_mended:
        finding = open_.get((one.kind, one.path))
        if finding is None or finding.file_id is None:
            continue
        for copy in questions.copies_of(kit.catalog, finding.file_id):
            if copy.place_id == record.id and copy.state is CopyState.PRESENT:
                return True
    return False


def sealed_help(kit: Kit, key: Key | None) -> tuple[TripleguardError, ...]:
    """What to say where a sealed copy could help, and no key was given."""
    record = offsite_record(kit)
    if key is not None or record is None or not rows.has_sealed(kit.catalog, record.id):
        return ()
    return (
        PlaceTrouble(
            "Copies offsite are sealed, and can't help without the key.",
            safe="They lie there as they were sent.",
            do="Run it again with `--key FILE`: the file with the line AGE-SECRET-KEY-1...",
        ),
    )


def owed_and_offsite(kit: Kit) -> bool:
    """Whether the offsite place has a copy of something that is short of copies on drives."""
    record = offsite_record(kit)
    owed = (
        "SELECT 1 FROM copies c JOIN files f ON f.id = c.file_id WHERE c.place_id = ? AND c.state = 'present'"
        " AND f.drive_copies < f.wants LIMIT 1"
    )
    return record is not None and kit.catalog.row(owed, record.id) is not None


def would_mend_offsite(kit: Kit) -> OffsiteMended:
    """What `mend_offsite` would do, as far as the catalog knows: the network is not asked."""
    record = offsite_record(kit)
    if record is None:
        return OffsiteMended((), (), ())
    wanted = {debt.known.id for debt in rows.owed_offsite(kit.catalog, record.id)}
    would, would_not = [], []
    for one in wounds_offsite(kit):
        if one.kind in _FROM_DRIVES and one.file_id in wanted:
            would.append(Mended(one.kind, record.name, one.path, "would be sent again", offsite=True))
        else:
            why = _NOT_WANTED if one.kind in _FROM_DRIVES else STRAY
            would_not.append(Mended(one.kind, record.name, one.path, why, offsite=True))
    return OffsiteMended(tuple(would), tuple(would_not), ())


def mend_offsite(
    kit: Kit, drives: Sequence[OpenDrive], offsite: OpenOffsite, patience: Patience | None = None
) -> Job[OffsiteMended]:
    """Send again what is missing or bad offsite, from the open drives. Yields progress. Raises CatalogTrouble."""
    before = wounds_offsite(kit)
    result = yield from upload(kit, drives, offsite, Budget(), even_metered=True, patience=patience)
    after = {one.id for one in wounds_offsite(kit)}
    wanted = {debt.known.id for debt in rows.owed_offsite(kit.catalog, offsite.record.id)}
    reasons = dict(result.not_sent)
    mended, left = [], []
    for one in before:
        if one.id not in after:
            mended.append(Mended(one.kind, offsite.record.name, one.path, "sent again and proved", offsite=True))
            continue
        why = STRAY if one.kind not in _FROM_DRIVES else reasons.get(one.path)
        why = why or (result.waits if one.file_id in wanted else _NOT_WANTED)
        left.append(Mended(one.kind, offsite.record.name, one.path, why, offsite=True))
    return OffsiteMended(tuple(mended), tuple(left), tuple(result.troubles))
