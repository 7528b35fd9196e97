"""Looking into each original while it passes, and what is said of one that does not hold together.

The look costs little and stops nothing: whatever it meets, the file is copied. What it found is a finding about
the file, and a card that holds such a file is not cleared unless a person says that they live with it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tripleguard.cameras.kinds import kind_of
from tripleguard.cameras.traits import read_traits
from tripleguard.cameras.wholeness import Look, uncheckable_kind
from tripleguard.catalog import questions, shoots
from tripleguard.catalog.findings import accept
from tripleguard.catalog.journal import add_event
from tripleguard.catalog.looks import (
    Damaged,
    Habit,
    damaged_files,
    damaged_in,
    habits,
    settle_habits,
    unchecked_in,
    verdicts_in,
)
from tripleguard.model import Entry, EventType, Finding, FindingKind, Outcome, Severity, Traits, Verdict, Wholeness
from tripleguard.names import shown
from tripleguard.wording import counted
from tripleguard.work.kit import Kit, agent

ALIKE = 5
"""Files of a shoot with the same fault that are named one by one; more are told in one line."""

MOST_KINDS = 6
"""Kinds that are named in one line."""

ADVICE = (
    "keep the card and read it again in another reader with `offload --read-twice`; if it stays so, ask a "
    "recovery service before the card is used again"
)
ADVICE_WITHOUT_CARD = "look for a whole one on the card and on other disks, and offload or adopt it"


@dataclass(frozen=True, slots=True)
class Looked:
    """What the look into one file told."""

    verdict: Verdict
    traits: Traits


@dataclass(frozen=True, slots=True)
class WholeCard:
    """What looks told of the files of one card. damaged: not only by a habit of their model.

    uncheckable: how many of the unchecked ones are of which kind that can't be checked; the rest are unchecked for
    a reason of their own.
    """

    clean: int = 0
    unchecked: int = 0
    damaged: tuple[Damaged, ...] = ()
    habits: tuple[Habit, ...] = ()
    uncheckable: tuple[tuple[str, int], ...] = ()

    @property
    def doubtful(self) -> int:
        """How many files could not be checked although files of their kind can be."""
        return max(0, self.unchecked - sum(files for _, files in self.uncheckable))


def look_for(entry: Entry) -> Look | None:
    """A look for a card file; None for what no camera recorded."""
    return Look(entry.name, entry.size) if kind_of(entry.name).is_original else None


def looked(look: Look, head: bytes, name: str) -> Looked:
    """What a look told, once the whole file has passed. head: the first bytes of the file."""
    try:
        traits = read_traits(head, name)
    except Exception:  # noqa: BLE001 - the look's outer edge: the file is copied whatever is thought of it
        traits = Traits()
    return Looked(look.verdict(), traits)


def whole_card(kit: Kit, job_id: int) -> WholeCard:
    """See which flaws are habits now, and what then is to be said of the files that a job read."""
    with kit.catalog.writing():
        settle_habits(kit.catalog, kit.clock.now())
    verdicts, damaged = verdicts_in(kit.catalog, job_id), tuple(damaged_in(kit.catalog, job_id))
    unchecked = verdicts.get(Wholeness.UNCHECKED, 0)
    return WholeCard(
        clean=max(0, sum(verdicts.values()) - unchecked - len(damaged)),
        unchecked=unchecked,
        damaged=damaged,
        habits=tuple(habits(kit.catalog, job_id)),
        uncheckable=tuple(count_kinds(uncheckable_kinds(kit, job_id))),
    )


def uncheckable_kinds(kit: Kit, job_id: int) -> list[str]:
    """Return the kind of each file that a job read and that can't be checked because of its kind."""
    kinds = (
        uncheckable_kind(Verdict(Wholeness.UNCHECKED, why=why), name)
        for name, why in unchecked_in(kit.catalog, job_id)
    )
    return [kind for kind in kinds if kind is not None]


def count_kinds(kinds: Iterable[str]) -> list[tuple[str, int]]:
    """Return each kind and how many files are of it, the most frequent first."""
    return sorted(Counter(kinds).items(), key=lambda one: (-one[1], one[0]))


def uncheckable_sentence(kinds: Sequence[tuple[str, int]]) -> str:
    """Return the line about files whose kinds can't be checked, without a full stop; empty if there are none.

    Args:
        kinds: as `count_kinds` returns them.
    """
    if not kinds:
        return ""
    names = [shown(kind) for kind, _ in kinds]
    more = f" and {len(names) - MOST_KINDS} more" if len(names) > MOST_KINDS else ""
    files = counted(sum(number for _, number in kinds), "file")
    what = "a kind" if len(names) == 1 else "kinds"
    return f"{files} of {what} that can't be checked: {', '.join(names[:MOST_KINDS])}{more}"


def damage_sentence(files: int, damaged: int) -> str:
    """Return how the files of a card stand whose copies are all there and some of which may be damaged."""
    if not damaged:
        return f"{counted(files, 'file')} copied twice"
    return f"{counted(files, 'file')} copied twice, {damaged:,} may be damaged as the card gave {_them(damaged)}"


def _them(number: int) -> str:
    return "it" if number == 1 else "them"


def accept_damage(kit: Kit, damaged: Sequence[Damaged], why: str) -> None:
    """A person lives with these files as they are, and that is an event."""
    now, who = kit.clock.now(), agent()
    with kit.catalog.writing():
        for one in damaged:
            accept(kit.catalog, one.id, who, why, now)
            add_event(
                kit.catalog,
                EventType.METADATA_MODIFICATION,
                Outcome.SUCCESS,
                f"{FindingKind.DAMAGED_AT_SOURCE}: {shown(one.path)} was accepted: {shown(why)}",
                now,
                shoot_id=one.shoot_id,
                file_id=one.file_id,
            )


def damage_findings(kit: Kit) -> list[Finding]:
    """What nobody has accepted, the broken first; many with one fault in one shoot are one finding."""
    alike: dict[tuple[int | None, str, bool, bool], list[Damaged]] = {}
    for one in damaged_files(kit.catalog):
        if not one.accepted:
            alike.setdefault((one.shoot_id, one.sign, one.broken, one.from_card), []).append(one)
    titles = {shoot.id: shoot.title for shoot in shoots.by_day(kit.catalog)}
    found = []
    for (shoot_id, *_), files in alike.items():
        title = titles.get(shoot_id) if shoot_id is not None else None
        found += [_together(files, title)] if len(files) > ALIKE else [_finding(kit, one, title) for one in files]
    return sorted(found, key=lambda one: one.severity is not Severity.NOW)


def _finding(kit: Kit, one: Damaged, title: str | None) -> Finding:
    return Finding(
        kind=FindingKind.DAMAGED_AT_SOURCE,
        severity=_severity(one),
        place=None,
        path=one.path,
        digest=questions.file_with_id(kit.catalog, one.file_id).file.digest,
        shoot=title,
        since=one.since,
        message=f"{shown(one.path)} is {_word(one)}{', as it came off the card' * one.from_card}: {one.why}",
        next_step=f"{_advice(one)}; or live with it: `tripleguard findings accept {one.id} --because REASON`",
        number=one.id,
    )


def _together(files: Sequence[Damaged], title: str | None) -> Finding:
    first = files[0]
    lived_with = "; or live with them: `clearance card CARD --accept-damaged`" if first.from_card else ""
    where = f" of {shown(title)}" if title else ""
    return Finding(
        kind=FindingKind.DAMAGED_AT_SOURCE,
        severity=_severity(first),
        place=None,
        path=None,
        digest=None,
        shoot=title,
        since=min(one.since for one in files),
        message=f"{len(files):,} files{where} are {_word(first)}"
        f"{', as they came off the card' * first.from_card}, such as {shown(first.path)}: {first.why}",
        next_step=f"{_advice(first)}{lived_with}",
        count=len(files),
    )


def _advice(one: Damaged) -> str:
    return ADVICE if one.from_card else ADVICE_WITHOUT_CARD


def _severity(one: Damaged) -> Severity:
    return Severity.NOW if one.broken else Severity.SOON


def _word(one: Damaged) -> str:
    return str(Wholeness.BROKEN if one.broken else Wholeness.SUSPICIOUS)
