"""Repair both ways: upload again what is bad offsite, and fetch from there what the drives lack.

Nothing offsite is overwritten or removed: a bad object stays under its key, and the good one gets another. An
object used as a source must be the version that was verified, and the copy made of it is checked by its digest
like any other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from tripleguard.catalog import file_queries
from tripleguard.catalog import offsite as rows
from tripleguard.catalog.findings import StoredFinding, list_open_findings
from tripleguard.errors import PlaceError, TripleguardError
from tripleguard.jobs.background import Budget
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import OpenDrive
from tripleguard.jobs.offsite.encryption import AGE_SUFFIX, DecryptingPlace, DecryptionKey, is_encrypted
from tripleguard.jobs.offsite.network import RetryPolicy
from tripleguard.jobs.offsite.object_verification import get_tag
from tripleguard.jobs.offsite.offsite_place import OpenOffsite, get_offsite_place
from tripleguard.jobs.offsite.upload import upload
from tripleguard.jobs.progress import Job
from tripleguard.jobs.repair.repair import RepairOutcome
from tripleguard.jobs.repair.repair_plan import NOT_IN_CATALOG
from tripleguard.model import CopyState, Entry, FindingKind, PlaceRecord
from tripleguard.places.base import Readable

_REPAIRABLE_KINDS = (FindingKind.MISSING, FindingKind.CORRUPT, FindingKind.ALTERED, FindingKind.STALE)
_NO_LONGER_SELECTED = (
    "it belongs to no select any more: choose it again with `selects add`, or accept it with a reason"
)


@dataclass(frozen=True, slots=True)
class OffsiteSource:
    """The offsite place as a read-only source of good copies; see `CopySource`.

    key: decrypts encrypted copies, which are unusable without it. A copy has the name of its picture.
    """

    ctx: JobContext
    offsite: OpenOffsite
    key: DecryptionKey | None = None
    _object_keys: dict[str, str] = field(default_factory=dict)

    @property
    def record(self) -> PlaceRecord:
        return self.offsite.record

    @property
    def place(self) -> Readable:
        return (
            self.offsite.place
            if self.key is None
            else DecryptingPlace(self.offsite.place, self.key, self._object_keys)
        )

    def stat_or_none(self, path: str) -> Entry | None:
        """Return the copy at path, if it can be decrypted and is still a version once verified.

        Verified by an earlier catalog is enough: its digest is checked while it is copied.
        """
        path = self._object_keys.get(path, path)
        copy = file_queries.find_copy_at(self.ctx.catalog, self.record.id, path)
        if copy is None or copy.state is not CopyState.PRESENT:
            return None
        stored = rows.find_object(self.ctx.catalog, copy.id)
        if stored is None or (is_encrypted(stored) and self.key is None):
            return None
        try:
            if get_tag(self.offsite, path) != stored.tag:
                return None
            # A key that does not fit says nothing about the copy.
            if (
                is_encrypted(stored)
                and self.key is not None
                and not self.key.can_decrypt(self.offsite.place.open_reader(path))
            ):
                return None
        except (TripleguardError, OSError):
            return None
        name = path
        if is_encrypted(stored):
            name = path.removesuffix(AGE_SUFFIX)
            self._object_keys[name] = path
        return Entry(name, copy.size, copy.mtime_ns)


@dataclass(frozen=True, slots=True)
class OffsiteRepairResult:
    """What was uploaded again, what was not and why, and the errors that prevented it."""

    repaired: tuple[RepairOutcome, ...]
    not_repaired: tuple[RepairOutcome, ...]
    errors: tuple[TripleguardError, ...]


def list_open_offsite_findings(ctx: JobContext) -> list[StoredFinding]:
    """Return the open findings about the offsite place that were not accepted."""
    record = get_offsite_place(ctx)
    if record is None:
        return []
    return [
        one for one in list_open_findings(ctx.catalog) if one.place_id == record.id and one.accepted_at is None
    ]


def can_offsite_repair(ctx: JobContext, not_repaired: Sequence[RepairOutcome]) -> bool:
    """Return whether the offsite place has a copy of a file that no drive could repair."""
    record = get_offsite_place(ctx)
    if record is None or not not_repaired:
        return False
    open_ = {(one.kind, one.path): one for one in list_open_findings(ctx.catalog)}
    for one in not_repaired:
        finding = open_.get((one.kind, one.path))
        if finding is None or finding.file_id is None:
            continue
        for copy in file_queries.list_copies(ctx.catalog, finding.file_id):
            if copy.place_id == record.id and copy.state is CopyState.PRESENT:
                return True
    return False


def explain_missing_key(ctx: JobContext, key: DecryptionKey | None, command: str) -> tuple[TripleguardError, ...]:
    """Return the error that says that encrypted copies could help but no key was given; nothing otherwise.

    Args:
        command: The command to run with the key.
    """
    record = get_offsite_place(ctx)
    if key is not None or record is None or not rows.has_encrypted(ctx.catalog, record.id):
        return ()
    return (
        PlaceError(
            "Copies offsite are sealed, and can't help without the key.",
            safe="They lie there as they were sent.",
            do=f"Run `tripleguard {command} --key FILE`: the file with the line AGE-SECRET-KEY-1...",
        ),
    )


def has_copies_drives_lack(ctx: JobContext) -> bool:
    """Return whether the offsite place has a copy of a file that lacks copies on drives."""
    record = get_offsite_place(ctx)
    return record is not None and rows.has_copies_drives_lack(ctx.catalog, record.id)


def plan_offsite_repair(ctx: JobContext) -> OffsiteRepairResult:
    """Return what `repair_offsite` would do, by the catalog alone, without the network."""
    record = get_offsite_place(ctx)
    if record is None:
        return OffsiteRepairResult((), (), ())
    wanted = {missing_copy.known_file.id for missing_copy in rows.list_missing_offsite(ctx.catalog, record.id)}
    would, would_not = [], []
    for one in list_open_offsite_findings(ctx):
        if one.kind in _REPAIRABLE_KINDS and one.file_id in wanted:
            would.append(RepairOutcome(one.kind, record.name, one.path, "would be sent again", is_offsite=True))
        else:
            why = _NO_LONGER_SELECTED if one.kind in _REPAIRABLE_KINDS else NOT_IN_CATALOG
            would_not.append(RepairOutcome(one.kind, record.name, one.path, why, is_offsite=True))
    return OffsiteRepairResult(tuple(would), tuple(would_not), ())


def repair_offsite(
    ctx: JobContext, drives: Sequence[OpenDrive], offsite: OpenOffsite, retry_policy: RetryPolicy | None = None
) -> Job[OffsiteRepairResult]:
    """Upload missing or bad copies again from the open drives. Yields progress. Raises CatalogError."""
    before = list_open_offsite_findings(ctx)
    result = yield from upload(ctx, drives, offsite, Budget(), allow_metered=True, retry_policy=retry_policy)
    after = {one.id for one in list_open_offsite_findings(ctx)}
    wanted = {
        missing_copy.known_file.id for missing_copy in rows.list_missing_offsite(ctx.catalog, offsite.record.id)
    }
    reasons = dict(result.not_sent)
    repaired, left = [], []
    for one in before:
        if one.id not in after:
            repaired.append(
                RepairOutcome(one.kind, offsite.record.name, one.path, "sent again and proved", is_offsite=True)
            )
            continue
        why = NOT_IN_CATALOG if one.kind not in _REPAIRABLE_KINDS else reasons.get(one.path)
        why = why or (result.blocked_reason if one.file_id in wanted else _NO_LONGER_SELECTED)
        left.append(RepairOutcome(one.kind, offsite.record.name, one.path, why, is_offsite=True))
    return OffsiteRepairResult(tuple(repaired), tuple(left), tuple(result.errors))
