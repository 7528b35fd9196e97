"""The daemon's tasks, their priorities, retries and preemption. Pure: values and choices, no I/O.

What protects new pictures goes before checks of old ones. Rescans and drills are preempted at once: they are
still due afterwards. The pending work follows from what is plugged in and how tasks ended, so none of it has to
survive a restart.
"""

from __future__ import annotations

import enum
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field

from tripleguard.watch.devices import ConnectedCard, ConnectedVolumes


class TaskKind(enum.StrEnum):
    """The errands, in the order in which they go."""

    CARD = "card"
    IMPORT = "import"
    NEW_FILES = "new files"
    TOPUP = "top-up"
    LISTING_RESCAN = "quick rescan"
    REPORT = "report"
    DUE_RESCAN = "rescan"
    DRILL = "drill"
    OFFSITE_TOPUP = "offsite top-up"
    UPLOAD = "upload"
    OFFSITE_RESCAN = "offsite rescan"


PRIORITY = {what: rank for rank, what in enumerate(TaskKind)}
NETWORK_TASKS = frozenset({TaskKind.OFFSITE_TOPUP, TaskKind.UPLOAD, TaskKind.OFFSITE_RESCAN})
"""Tasks that use the network. They may take days, so they are preempted by every task that goes before them."""
PREEMPTIBLE = NETWORK_TASKS | {TaskKind.LISTING_RESCAN, TaskKind.DUE_RESCAN, TaskKind.DRILL}
"""Tasks that end at once for what protects new pictures, and for a command that is typed."""


@dataclass(frozen=True, slots=True)
class WatchTask:
    """One thing to do. subject: the card or folder. reader: whose queue it waits in ('' for the drives' own).

    Attributes:
        occurrence: The occurrence that it serves, UTC ns; None for what is not done by the clock.
        time_limit_s: How long it may take; None: as long as it takes.
        label: What a person calls the subject.
    """

    kind: TaskKind
    subject: str = ""
    reader: str = ""
    occurrence: int | None = None
    time_limit_s: float | None = None
    label: str = field(default="", compare=False)

    @property
    def name(self) -> str:
        return self.label or self.subject

    @property
    def key(self) -> tuple[TaskKind, str]:
        """What it is, whenever it is wanted."""
        return self.kind, self.subject


class TaskStatus(enum.StrEnum):
    """How an errand ended, as the loop has to know it."""

    DONE = "done"
    NEEDS_ATTENTION = "attention"
    """It came to its end, and a person should look."""
    DEFERRED = "waits"
    """It can't be done now: nothing was done, it is tried again."""
    STOPPED = "stopped"
    """It gave way or the watch ended: it goes on where it was."""
    FAILED = "failed"
    """It broke off: it is tried again, more and more slowly."""


@dataclass(frozen=True, slots=True)
class CardOutcome:
    """How the question about a card was answered. insertion: while it stays plugged in; empty: not known."""

    insertion: str
    is_yes: bool
    files: int
    needs_copies: bool = False
    """Whether copies that could not be made yet are among the reasons of a no."""


@dataclass(frozen=True, slots=True)
class TaskResult:
    """The end of an errand. message: one line for status and log; tell: what a person should hear, if anything.

    made: copies that are new on a drive.
    """

    task: WatchTask
    status: TaskStatus
    message: str
    notification: str = ""
    new_copies: int = 0
    card: CardOutcome | None = None
    needs_offsite: bool = False
    """Whether copies are missing that only the offsite place can supply."""


def choose_next(waiting: Iterable[WatchTask], last_served: Mapping[str, int]) -> WatchTask | None:
    """The errand to do next; waiting in the order in which they came.

    turns: when each reader was served last, as a growing number; the one that waits longest comes first.
    """
    return min(waiting, key=lambda one: (PRIORITY[one.kind], last_served.get(one.reader, 0)), default=None)


def should_preempt(current: WatchTask, candidate: WatchTask | None, *, cli_waiting: bool) -> bool:
    """Whether what is being done should end for what waits, or for a command that was typed."""
    if current.kind not in PREEMPTIBLE:
        return False
    if cli_waiting or candidate is None:
        return cli_waiting
    is_urgent = candidate.kind not in PREEMPTIBLE or current.kind in NETWORK_TASKS
    return is_urgent and PRIORITY[candidate.kind] < PRIORITY[current.kind]


_FIRST_RETRY_S, _MAX_RETRY_S, _MAX_DEFERRED_RETRY_S = 2.0, 300.0, 10.0
"""Seconds until what failed, or waits for a command, is tried again: first, and at most."""
_MAX_REASONS = 20
_UPLOAD_INTERVAL_S = 3600.0
_OFFSITE_TOPUP_INTERVAL_S = 3600.0
"""Seconds until copies are fetched again that could not be fetched from the offsite place."""


@dataclass(slots=True)
class RetryState:
    """An errand that could not be done yet: why, how often, and when (monotonic) it is tried again.

    said: reasons that were told already.
    """

    reason: str
    failures: int = 0
    reported_reasons: set[str] = field(default_factory=set)
    retry_at: float = 0.0


@dataclass(slots=True)
class VolumeNews:
    """What changed of what is plugged in.

    Attributes:
        lines: For the log.
        outdated_subjects: The roots of cards about which nothing said before holds any more.
        withdrawn_cards: Cards that changed after the answer for them was yes.
    """

    lines: list[str] = field(default_factory=list)
    outdated_subjects: set[str] = field(default_factory=set)
    withdrawn_cards: list[ConnectedCard] = field(default_factory=list)


class PendingWork:
    """What is wanted. ask_only: cards are not copied, so they need no drive. monotonic: seconds, for tests."""

    def __init__(self, *, ask_only: bool, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._ask_only = ask_only
        self._monotonic = monotonic
        self.volumes = ConnectedVolumes()
        self.retries: dict[tuple[TaskKind, str], RetryState] = {}
        self._cards: dict[str, ConnectedCard] = {}
        self._card_outcomes: dict[str, CardOutcome] = {}
        self._cards_in_progress: dict[str, str] = {}
        self._waiting_since: dict[str, float] = {}
        self._needs_topup = True
        self._is_topup_incomplete = False
        self._new_files: dict[tuple[TaskKind, str], int] = {}
        self._due: list[WatchTask] = []
        self._upload_at: float | None = None
        self._offsite_topup_at: float | None = None
        self.hold_reason = ""

    def set_due(self, due: list[WatchTask], hold_reason: str) -> None:
        """Take note of what is due now, and why only new pictures are cared for ('': all is)."""
        self._due, self.hold_reason = due, hold_reason

    def set_offsite(self, has_offsite: bool) -> None:
        """Take note whether there is a place offsite: then what is owed there is sent, looked at every hour."""
        if not has_offsite:
            self._upload_at = None
        elif self._upload_at is None:
            self._upload_at = self._monotonic()

    def set_new_files(self, key: tuple[TaskKind, str], files: int) -> None:
        """Take note of how many new files have settled somewhere."""
        if files:
            self._new_files[key] = files
        else:
            self._new_files.pop(key, None)

    def set_volumes(self, volumes: ConnectedVolumes) -> VolumeNews:
        """Take note of what is plugged in now; return what changed."""
        before, self.volumes = self.volumes, volumes
        news = VolumeNews()
        has_new_drive, has_more_room = self._compare_drives(before, volumes, news)
        has_new_card = self._compare_cards(before, volumes, news)
        if has_new_drive or has_more_room or has_new_card or news.lines:
            # What failed or waited for want of a volume may go now.
            for one in self.retries.values():
                one.retry_at = 0.0
        if has_new_drive or (has_more_room and self._is_topup_incomplete):
            self._needs_topup = True
        if has_new_drive or has_more_room:
            self._queue_cards_that_need_copies()
        return news

    def on_started(self, task: WatchTask) -> None:
        """Take note that an errand began: what is wanted from now on is wanted once more."""
        if task.kind is TaskKind.TOPUP:
            self._needs_topup = False
        self._cards_in_progress = {
            token: card.listing for token, card in self._cards.items() if str(card.root) == task.subject
        }
        self._new_files.pop(task.key, None)

    def on_finished(self, result: TaskResult) -> bool:
        """Take note of the end of an errand; whether a person has not heard this yet."""
        errand = result.task
        if errand.kind is TaskKind.TOPUP and result.status not in (TaskStatus.DONE, TaskStatus.NEEDS_ATTENTION):
            self._needs_topup = True
        if errand.kind in (TaskKind.NEW_FILES, TaskKind.IMPORT) and result.status not in (
            TaskStatus.DONE,
            TaskStatus.NEEDS_ATTENTION,
        ):
            self._new_files.setdefault(errand.key, 1)
        if result.status in (TaskStatus.DEFERRED, TaskStatus.FAILED):
            trying = self.retries.setdefault(errand.key, RetryState(""))
            news = result.message not in trying.reported_reasons and len(trying.reported_reasons) < _MAX_REASONS
            trying.reported_reasons |= {result.message} if news else set()
            trying.reason, trying.failures = result.message, trying.failures + 1
            most = _MAX_RETRY_S if result.status is TaskStatus.FAILED else _MAX_DEFERRED_RETRY_S
            trying.retry_at = self._monotonic() + min(most, _FIRST_RETRY_S * 2 ** min(trying.failures, 20))
            return news
        self.retries.pop(errand.key, None)
        if result.status is not TaskStatus.STOPPED:
            self._on_completed(result)
        return True

    def list_tasks(self) -> list[WatchTask]:
        """Everything that is to be done, in the order in which it came."""
        cards = [
            WatchTask(TaskKind.CARD, str(card.root), card.reader, label=card.name)
            for card in self._cards.values()
            if card.is_settled
        ]
        landed = [WatchTask(what, subject) for what, subject in self._new_files]
        topup = [WatchTask(TaskKind.TOPUP)] if self._needs_topup and self.volumes.drives else []
        if any(one.kind is TaskKind.TOPUP for one in self._due):
            topup = []
        now = self._monotonic()
        timed = ((TaskKind.OFFSITE_TOPUP, self._offsite_topup_at), (TaskKind.UPLOAD, self._upload_at))
        over_network = [WatchTask(kind) for kind, at in timed if at is not None and at <= now]
        return [*cards, *landed, *topup, *self._due, *over_network]

    def list_ready(self, current: WatchTask | None) -> list[WatchTask]:
        """What can be begun now, but what is being done."""
        now = self._monotonic()
        return [
            one
            for one in self.list_tasks()
            if (current is None or one.key != current.key)
            and self._can_run(one)
            and (one.key not in self.retries or self.retries[one.key].retry_at <= now)
        ]

    def seconds_to_retry(self) -> float | None:
        """Seconds until something that waits can be tried again; None: nothing waits for a time."""
        waits = [self.retries[one.key].retry_at for one in self.list_tasks() if one.key in self.retries]
        return max(0.0, min(waits) - self._monotonic()) if waits else None

    def explain_wait(self, task: WatchTask, current: WatchTask | None) -> str:
        """What an errand waits for, in words."""
        if task.key in self.retries:
            return self.retries[task.key].reason
        if not self._has_drive:
            return "no drive is connected"
        if self.hold_reason and task.kind in PREEMPTIBLE:
            return self.hold_reason
        return "its turn" if current is not None else "it begins"

    def _can_run(self, task: WatchTask) -> bool:
        if task.kind in PREEMPTIBLE and self.hold_reason:
            return False
        needs_none = task.kind in (TaskKind.REPORT, TaskKind.OFFSITE_RESCAN) or (
            self._ask_only and task.kind is TaskKind.CARD
        )
        return self._has_drive or needs_none

    @property
    def _has_drive(self) -> bool:
        return any(drive.is_active for drive in self.volumes.drives)

    def list_waiting_cards(self, seconds: float) -> list[tuple[ConnectedCard, str]]:
        """Return the cards that wait for longer than this for something other than their turn, and for what."""
        now = self._monotonic()
        waiting: dict[str, tuple[ConnectedCard, str]] = {}
        for token, card in self._cards.items():
            task = WatchTask(TaskKind.CARD, str(card.root), card.reader)
            if not card.is_settled:
                waiting[token] = card, "something writes to it"
            elif not self._can_run(task) or task.key in self.retries:
                waiting[token] = card, self.explain_wait(task, None)
        self._waiting_since = {token: self._waiting_since.get(token, now) for token in waiting}
        return [waiting[token] for token, since in self._waiting_since.items() if now - since >= seconds]

    def _compare_drives(
        self, before: ConnectedVolumes, now: ConnectedVolumes, news: VolumeNews
    ) -> tuple[bool, bool]:
        """Add what drives came and left; return whether one came, and whether one has more room than before."""
        old = {drive.mount_token: drive for drive in before.drives}
        has_new_drive = has_more_room = False
        for drive in now.drives:
            known = old.get(drive.mount_token)
            if known is None:
                news.lines.append(f"Drive {drive.record.name} is here, at {drive.root}.")
            has_new_drive |= known is None or drive.record.state is not known.record.state
            has_more_room |= known is not None and drive.room_token > known.room_token
        left = {drive.record.name for drive in before.drives} - {drive.record.name for drive in now.drives}
        news.lines.extend(f"Drive {name} is not here any more." for name in sorted(left))
        return has_new_drive, has_more_room

    def _compare_cards(self, before: ConnectedVolumes, now: ConnectedVolumes, news: VolumeNews) -> bool:
        """Add what cards came, left and changed; return whether one came or changed."""
        old, new = ({card.mount_token: card for card in volumes.cards} for volumes in (before, now))
        for kept in (self._cards, self._card_outcomes):
            for token in set(kept) - set(new):
                del kept[token]
        news.lines.extend(f"Card {old[one].name} is not here any more." for one in sorted(set(old) - set(new)))
        changed = False
        for token, card in sorted(new.items()):
            if token in self._cards:
                self._cards[token] = card
            if token not in old:
                news.lines.append(f"Card {card.name} is here, at {card.root}.")
            elif card.listing != old[token].listing:
                news.lines.append(f"Card {card.name} changed: it is looked at again.")
                outcome = self._card_outcomes.pop(token, None)
                if outcome is not None and outcome.is_yes:
                    news.withdrawn_cards.append(card)
            else:
                continue
            changed = True
            news.outdated_subjects.add(str(card.root))
            self._cards[token] = card
        return changed

    def _queue_cards_that_need_copies(self) -> None:
        for card in self.volumes.cards:
            outcome = self._card_outcomes.get(card.mount_token)
            if outcome is not None and outcome.needs_copies:
                self._cards[card.mount_token] = card

    def _on_completed(self, result: TaskResult) -> None:
        errand = result.task
        if self._upload_at is not None:
            # What came in now may be owed offsite as well.
            self._upload_at = self._monotonic() + (_UPLOAD_INTERVAL_S if errand.kind is TaskKind.UPLOAD else 0.0)
        if errand.kind in (TaskKind.TOPUP, TaskKind.OFFSITE_TOPUP):
            wait = _OFFSITE_TOPUP_INTERVAL_S if errand.kind is TaskKind.OFFSITE_TOPUP else 0.0
            self._offsite_topup_at = self._monotonic() + wait if result.needs_offsite else None
        if errand.kind is TaskKind.TOPUP:
            self._is_topup_incomplete = result.status is TaskStatus.NEEDS_ATTENTION
        if errand.kind in (TaskKind.TOPUP, TaskKind.OFFSITE_TOPUP) and result.new_copies:
            self._queue_cards_that_need_copies()
        elif errand.kind in (TaskKind.NEW_FILES, TaskKind.IMPORT):
            # With one drive here nothing can be made; the other one's coming asks for it.
            self._needs_topup |= (
                bool(result.new_copies) and sum(drive.is_active for drive in self.volumes.drives) > 1
            )
        elif errand.kind is TaskKind.CARD:
            for token, listing in self._cards_in_progress.items():
                card = self._cards.get(token)
                # Another card may be at the same place by now, or this one changed: it was not answered for.
                if card is not None and card.listing == listing:
                    del self._cards[token]
                    if result.card is not None:
                        self._card_outcomes[token] = result.card
