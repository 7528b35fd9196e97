"""Check the integrity of each original while it is read, and report the ones that are damaged at source.

The check costs little and stops nothing: whatever its result, the file is copied. It reports findings about the
file, and a card that holds such a file is not cleared unless a person accepts the damage.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tripleguard.cameras.image_info import read_image_info
from tripleguard.cameras.integrity.checker import IntegrityChecker, get_uncheckable_kind
from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog import file_queries, shoots
from tripleguard.catalog.event_log import add_event
from tripleguard.catalog.findings import accept
from tripleguard.catalog.integrity import (
    DamagedFile,
    ModelQuirk,
    count_verdicts_by_job,
    list_damaged_by_job,
    list_damaged_files,
    list_model_quirks,
    list_unchecked_by_job,
    update_model_quirks,
)
from tripleguard.jobs.context import JobContext, current_agent
from tripleguard.model import (
    Entry,
    EventOutcome,
    EventType,
    Finding,
    FindingKind,
    ImageInfo,
    Integrity,
    IntegrityVerdict,
    Severity,
)
from tripleguard.names import escape_text
from tripleguard.wording import pluralize

MAX_NAMED_FILES = 5
"""Files of a shoot with the same fault that are named one by one; more are summed in one line."""

MAX_NAMED_KINDS = 6
"""Kinds that are named in one line."""

ADVICE = (
    "keep the card and read it again in another reader with `offload --read-twice`; if it stays so, ask a "
    "recovery service before the card is used again"
)
ADVICE_WITHOUT_CARD = "look for a whole one on the card and on other disks, and offload or adopt it"


@dataclass(frozen=True, slots=True)
class IntegrityResult:
    """The result of checking one file."""

    verdict: IntegrityVerdict
    traits: ImageInfo


@dataclass(frozen=True, slots=True)
class CardIntegrity:
    """The results of checking the files of one card.

    Attributes:
        damaged: files with flaws that are not normal for their camera model.
        habits: flaws that are normal for a camera model.
        uncheckable: number of unchecked files by kind, for kinds that can't be checked; the others have a reason
            of their own.
    """

    clean: int = 0
    unchecked: int = 0
    damaged: tuple[DamagedFile, ...] = ()
    habits: tuple[ModelQuirk, ...] = ()
    uncheckable: tuple[tuple[str, int], ...] = ()

    @property
    def unchecked_checkable(self) -> int:
        """Return how many files could not be checked although files of their kind can be."""
        return max(0, self.unchecked - sum(files for _, files in self.uncheckable))


def start_integrity_check(entry: Entry) -> IntegrityChecker | None:
    """Return a checker for a file on a card; None if no camera recorded it."""
    return IntegrityChecker(entry.name, entry.size) if kind_of(entry.name).is_original else None


def finish_integrity_check(check: IntegrityChecker, head: bytes, name: str) -> IntegrityResult:
    """Return the result of a check after the whole file was fed. head: the first bytes of the file."""
    try:
        info = read_image_info(head, name)
    except Exception:  # noqa: BLE001 - an error here must not stop the copy
        info = ImageInfo()
    return IntegrityResult(check.get_verdict(), info)


def summarize_card(ctx: JobContext, job_id: int) -> CardIntegrity:
    """Determine which flaws are normal for a model now, and summarize the files that a job read."""
    with ctx.catalog.transaction():
        update_model_quirks(ctx.catalog, ctx.clock.now())
    verdicts, damaged = count_verdicts_by_job(ctx.catalog, job_id), tuple(list_damaged_by_job(ctx.catalog, job_id))
    unchecked = verdicts.get(Integrity.UNCHECKED, 0)
    return CardIntegrity(
        clean=max(0, sum(verdicts.values()) - unchecked - len(damaged)),
        unchecked=unchecked,
        damaged=damaged,
        habits=tuple(list_model_quirks(ctx.catalog, job_id)),
        uncheckable=tuple(count_kinds(list_uncheckable_kinds(ctx, job_id))),
    )


def list_uncheckable_kinds(ctx: JobContext, job_id: int) -> list[str]:
    """Return the kind of each file that a job read and that can't be checked because of its kind."""
    kinds = (
        get_uncheckable_kind(IntegrityVerdict(Integrity.UNCHECKED, explanation=why), name)
        for name, why in list_unchecked_by_job(ctx.catalog, job_id)
    )
    return [kind for kind in kinds if kind is not None]


def count_kinds(kinds: Iterable[str]) -> list[tuple[str, int]]:
    """Return each kind with its number of files, the most frequent first."""
    return sorted(Counter(kinds).items(), key=lambda one: (-one[1], one[0]))


def format_uncheckable(kinds: Sequence[tuple[str, int]]) -> str:
    """Return the line about files whose kinds can't be checked, without a full stop; empty if there are none.

    Args:
        kinds: as `count_kinds` returns them.
    """
    if not kinds:
        return ""
    names = [escape_text(kind) for kind, _ in kinds]
    more = f" and {len(names) - MAX_NAMED_KINDS} more" if len(names) > MAX_NAMED_KINDS else ""
    files = pluralize(sum(number for _, number in kinds), "file")
    what = "a kind" if len(names) == 1 else "kinds"
    return f"{files} of {what} that can't be checked: {', '.join(names[:MAX_NAMED_KINDS])}{more}"


def format_damage(files: int, damaged: int) -> str:
    """Return a line about the files of a card that are all copied, some of which may be damaged."""
    if not damaged:
        return f"{pluralize(files, 'file')} copied twice"
    return (
        f"{pluralize(files, 'file')} copied twice, {damaged:,} may be damaged as the card gave {_pronoun(damaged)}"
    )


def _pronoun(number: int) -> str:
    return "it" if number == 1 else "them"


def accept_damage(ctx: JobContext, damaged: Sequence[DamagedFile], reason: str) -> None:
    """Accept the damage of these files in the name of a person, and record the event."""
    now, who = ctx.clock.now(), current_agent()
    with ctx.catalog.transaction():
        for one in damaged:
            accept(ctx.catalog, one.id, who, reason, now)
            add_event(
                ctx.catalog,
                EventType.METADATA_MODIFICATION,
                EventOutcome.SUCCESS,
                f"{FindingKind.DAMAGED_AT_SOURCE}: {escape_text(one.path)} was accepted: {escape_text(reason)}",
                now,
                shoot_id=one.shoot_id,
                file_id=one.file_id,
            )


def list_damage_findings(ctx: JobContext) -> list[Finding]:
    """Return the open findings, broken files first; files of one shoot with the same fault are one finding."""
    alike: dict[tuple[int | None, str, bool, bool], list[DamagedFile]] = {}
    for one in list_damaged_files(ctx.catalog):
        if not one.is_accepted:
            alike.setdefault((one.shoot_id, one.sign, one.is_broken, one.is_from_card), []).append(one)
    titles = {shoot.id: shoot.title for shoot in shoots.list_shoots(ctx.catalog)}
    found = []
    for (shoot_id, *_), files in alike.items():
        title = titles.get(shoot_id) if shoot_id is not None else None
        found += (
            [_make_group_finding(files, title)]
            if len(files) > MAX_NAMED_FILES
            else [_make_finding(ctx, one, title) for one in files]
        )
    return sorted(found, key=lambda one: one.severity is not Severity.NOW)


def _make_finding(ctx: JobContext, damaged: DamagedFile, title: str | None) -> Finding:
    return Finding(
        kind=FindingKind.DAMAGED_AT_SOURCE,
        severity=_severity_of(damaged),
        place=None,
        path=damaged.path,
        digest=file_queries.get_file(ctx.catalog, damaged.file_id).file.digest,
        shoot=title,
        since=damaged.since,
        message=f"{escape_text(damaged.path)} is "
        f"{_state_word(damaged)}{', as it came off the card' * damaged.is_from_card}: {damaged.reason}",
        next_step=f"{_advice_for(damaged)}; or live with it: `tripleguard findings "
        f"accept {damaged.id} --because REASON`",
        number=damaged.id,
    )


def _make_group_finding(files: Sequence[DamagedFile], title: str | None) -> Finding:
    first = files[0]
    lived_with = "; or live with them: `clearance card CARD --accept-damaged`" if first.is_from_card else ""
    where = f" of {escape_text(title)}" if title else ""
    return Finding(
        kind=FindingKind.DAMAGED_AT_SOURCE,
        severity=_severity_of(first),
        place=None,
        path=None,
        digest=None,
        shoot=title,
        since=min(one.since for one in files),
        message=f"{len(files):,} files{where} are {_state_word(first)}"
        f"{', as they came off the card' * first.is_from_card}, such as {escape_text(first.path)}: {first.reason}",
        next_step=f"{_advice_for(first)}{lived_with}",
        count=len(files),
    )


def _advice_for(damaged: DamagedFile) -> str:
    return ADVICE if damaged.is_from_card else ADVICE_WITHOUT_CARD


def _severity_of(damaged: DamagedFile) -> Severity:
    return Severity.NOW if damaged.is_broken else Severity.SOON


def _state_word(damaged: DamagedFile) -> str:
    return str(Integrity.BROKEN if damaged.is_broken else Integrity.SUSPICIOUS)
