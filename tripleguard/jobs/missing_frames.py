"""Determine after each card which frames of the night may be missing.

Everything is computed again from all that was read of the night, so the order of the cards, interruptions and
second readings make no difference. The results are stored: each body's last frame, and which gaps are open. A gap
that no longer exists is closed; one that a person explained stays closed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from tripleguard.cameras.kinds import kind_of
from tripleguard.catalog import frame_counts, frame_gaps
from tripleguard.catalog.event_log import add_event
from tripleguard.catalog.frame_counts import CardOriginal, SessionCards
from tripleguard.catalog.frame_gaps import GapRecord
from tripleguard.catalog.shoots import list_shoots_of_day
from tripleguard.clearance_answer import MissingFrames
from tripleguard.clock import HOUR
from tripleguard.errors import UsageError
from tripleguard.frames.body_timeline import BodyHistory
from tripleguard.frames.card_readings import SlotUsage, detect_slot_usage, identify_cards
from tripleguard.frames.frame import CardFile, Frame, group_frames
from tripleguard.frames.gaps import Gap
from tripleguard.frames.number_gaps import DeletionHabit, GapLocation, GapVerdict
from tripleguard.frames.session import BodySession, ShootingSession, assess_session
from tripleguard.jobs.context import JobContext, current_agent
from tripleguard.jobs.missing_frames_texts import describe_gap
from tripleguard.model import EventOutcome, EventType, FileKind
from tripleguard.names import escape_text

NIGHT_NS = 18 * HOUR
"""Cards offloaded within this time belong to one evening's work, ns."""

MAX_NIGHTS = 40
"""Nights of one card that are analyzed, the latest ones."""

_CLOCK_FAILURE_DAYS = 180
"""Days by which a card's date must be off to conclude that its body's clock failed."""


@dataclass(frozen=True, slots=True)
class CardCount:
    """A person's answer to how many cards the night had. cards: None if they did not know."""

    cards: int | None


@dataclass(frozen=True, slots=True)
class MissingFramesReport:
    """The missing frames: the cards of nights with a known number of cards, and all open gaps."""

    nights: tuple[SessionCards, ...] = ()
    open: tuple[MissingFrames, ...] = ()


@dataclass(frozen=True, slots=True)
class NightSummary:
    """One night in full. elsewhere: open gaps of other nights, if no night was given."""

    cards: SessionCards
    bodies: tuple[BodySession, ...]
    open: tuple[MissingFrames, ...]
    elsewhere: tuple[MissingFrames, ...] = ()


def update_gaps_after_card(ctx: JobContext, job_id: int, card_count: CardCount | None) -> MissingFramesReport:
    """Update the gaps of the nights that an offload's card belongs to, and of those that depend on them.

    Args:
        ctx: the job's context.
        job_id: the offload.
        card_count: what a person said about the number of cards, if they were asked.

    Raises:
        CatalogError: the catalog can't be read or written.
    """
    failed = _find_failed_clock_days(ctx)
    days = frame_counts.list_days_of_job(ctx.catalog, job_id)
    nights = sorted({failed.get(day, day) for day in days})[-MAX_NIGHTS:]
    if card_count is not None and nights:
        with ctx.catalog.transaction():
            frame_counts.record_card_count(
                ctx.catalog, nights[-1], card_count.cards, current_agent(), ctx.clock.now()
            )
    update_gaps(ctx, nights, failed)
    return MissingFramesReport(
        tuple(frame_counts.get_session_cards(ctx.catalog, day) for day in nights), list_missing_frames(ctx)
    )


def update_gaps(
    ctx: JobContext, nights: Iterable[str], failed_clock_days: Mapping[str, str] | None = None
) -> None:
    """Update the gaps of these nights, and of the next night of each of their bodies. Raises CatalogError."""
    if failed_clock_days is None:
        failed_clock_days = _find_failed_clock_days(ctx)
    todo = list(nights)
    for day in todo:
        _update_night(ctx, day, failed_clock_days)
    later = {night for day in todo for night in frame_counts.list_next_days(ctx.catalog, day)}
    for day in sorted(later - set(todo)):
        _update_night(ctx, day, failed_clock_days)


def report_latest_night(ctx: JobContext) -> MissingFramesReport:
    """Return the cards of the latest night, and all open gaps. Raises CatalogError."""
    night = frame_counts.find_last_session_day(ctx.catalog)
    return MissingFramesReport(
        (frame_counts.get_session_cards(ctx.catalog, night),) if night else (), list_missing_frames(ctx)
    )


def list_missing_frames(ctx: JobContext) -> tuple[MissingFrames, ...]:
    """Return all open gaps in words, the most certain first. Raises CatalogError."""
    rows = frame_gaps.list_open_gaps(ctx.catalog)
    cards = {row.day: frame_counts.get_session_cards(ctx.catalog, row.day) for row in rows}
    return tuple(
        sorted((describe_gap(row, cards[row.day]) for row in rows), key=lambda one: not one.is_card_suspected)
    )


def set_card_count(ctx: JobContext, cards: int | None, day: str | None = None) -> str:
    """Record how many cards a night had (None: unknown); return the night. Raises UsageError, CatalogError."""
    night = day or frame_counts.find_last_session_day(ctx.catalog)
    if night is None or frame_counts.get_session_cards(ctx.catalog, night).readings == 0:
        raise _no_such_night_error(night)
    with ctx.catalog.transaction():
        frame_counts.record_card_count(ctx.catalog, night, cards, current_agent(), ctx.clock.now())
    update_gaps(ctx, [night])
    return night


def summarize_night(ctx: JobContext, day: str | None) -> NightSummary:
    """Return one night in full, the latest one unless a day is given. Raises UsageError, CatalogError."""
    night = day or frame_counts.find_last_session_day(ctx.catalog)
    if night is None or frame_counts.get_session_cards(ctx.catalog, night).readings == 0:
        raise _no_such_night_error(night)
    _, session = _analyze_night(ctx, night, _find_failed_clock_days(ctx))
    all_ = list_missing_frames(ctx)
    gaps_of_night = tuple(one for one in all_ if one.day == night)
    elsewhere = tuple(one for one in all_ if one.day != night) if day is None else ()
    return NightSummary(
        frame_counts.get_session_cards(ctx.catalog, night), session.bodies, gaps_of_night, elsewhere
    )


def explain_gap(ctx: JobContext, number: int, reason: str) -> MissingFrames:
    """Close a gap that a person explains, so that it is not reported again. Raises UsageError, CatalogError."""
    row = next((one for one in frame_gaps.list_open_gaps(ctx.catalog) if one.id == number), None)
    if row is None:
        raise UsageError(
            f"Nothing with the number {number} is open.",
            safe="Nothing was changed.",
            do="`tripleguard frames` shows what is open, each with its number.",
        )
    if not reason.strip():
        raise UsageError("A reason is needed.", safe="Nothing was changed.", do="Give it with --because.")
    description, now = describe_gap(row, frame_counts.get_session_cards(ctx.catalog, row.day)), ctx.clock.now()
    with ctx.catalog.transaction():
        frame_gaps.close_gap(ctx.catalog, number, now, person=current_agent(), reason=reason)
        words = f"{description.message}: explained, {escape_text(reason)}"
        _add_gap_event(ctx, row.day, EventOutcome.SUCCESS, words, now)
    return description


def find_files_to_keep(ctx: JobContext) -> dict[int, int]:
    """Return the files of cards that should be kept because they may hold missing frames, each with its gap."""
    keeping = [row for row in frame_gaps.list_open_gaps(ctx.catalog) if row.should_keep_cards]
    return {
        file_id: row.id
        for row in keeping
        for file_id in frame_counts.list_file_ids_of_jobs(ctx.catalog, sorted(row.readings))
    }


def was_card_count_asked(ctx: JobContext) -> bool:
    """Return whether a person was already asked this evening how many cards there are."""
    last = frame_counts.find_last_reported_session(ctx.catalog)
    return last is not None and last.reported_at is not None and ctx.clock.now() - last.reported_at < NIGHT_NS


def _update_night(ctx: JobContext, day: str, failed_clock_days: Mapping[str, str]) -> None:
    """Analyze one night and store the results. failed_clock_days: days of failed clocks, each with its night."""
    catalog, now = ctx.catalog, ctx.clock.now()
    extra_days, night = _analyze_night(ctx, day, failed_clock_days)
    seen = SessionCards(day, night.card_count, night.reading_count, night.expected_cards, None)
    with catalog.transaction():
        frame_counts.save_session(catalog, seen, _bodies_to_store(night), extra_days, now)
        if night.expected_cards != frame_counts.get_session_cards(catalog, day).expected_cards:
            frame_counts.record_card_count(catalog, day, night.expected_cards, current_agent(), now)
        for extra_day in extra_days:
            _reconcile_gaps(ctx, extra_day, [], now)
        _reconcile_gaps(ctx, day, [_gap_row(day, gap) for gap in night.gaps], now)


def _analyze_night(
    ctx: JobContext, day: str, failed_clock_days: Mapping[str, str]
) -> tuple[list[str], ShootingSession]:
    """Return the days of failed clocks that belong to one night, and the night's session."""
    extra_days = sorted(other for other, night in failed_clock_days.items() if night == day)
    days = {day, *extra_days}
    files = frame_counts.list_card_originals(ctx.catalog, sorted(days))
    night = assess_session(
        [_frame_part(file) for file in files if file.day in days],
        [_frame_part(file) for file in files if file.day not in days],
        _load_known_bodies(ctx, day, files),
        _card_count_of(ctx, (day, *extra_days)),
    )
    return extra_days, night


def _card_count_of(ctx: JobContext, days: Iterable[str]) -> int | None:
    """Return the number of cards recorded for a night, possibly under a day of a failed clock."""
    counts = (frame_counts.get_session_cards(ctx.catalog, day).expected_cards for day in days)
    return next((cards for cards in counts if cards is not None), None)


def _reconcile_gaps(ctx: JobContext, day: str, gap_rows: Sequence[GapRecord], now: int) -> None:
    """Open new gaps and close those that no longer exist. Call it inside `transaction`."""
    explained = frame_gaps.list_explained_gaps(ctx.catalog, day)
    wanted = {row.key: row for row in gap_rows if not any(_is_already_explained(old, row) for old in explained)}
    known = {row.key: row for row in frame_gaps.list_open_gaps(ctx.catalog, day)}
    for mark, row in known.items():
        if mark not in wanted:
            frame_gaps.close_gap(ctx.catalog, row.id, now)
    cards = frame_counts.get_session_cards(ctx.catalog, day)
    for mark, row in wanted.items():
        frame_gaps.open_or_refresh_gap(ctx.catalog, row, now)
        if mark not in known and row.verdict == GapVerdict.MISSING:
            words = f"a card may be missing: {describe_gap(row, cards).message}"
            _add_gap_event(ctx, day, EventOutcome.PARTIAL, words, now)


def _no_such_night_error(night: str | None) -> UsageError:
    what = "No card was offloaded yet" if night is None else f"No card of {escape_text(night)} was offloaded"
    return UsageError(
        f"{what}, so there are no numbers to look at.",
        safe="Nothing was changed.",
        do="A night is given by its shooting day, such as 2026-06-13; `tripleguard log` shows what was offloaded.",
    )


def _add_gap_event(ctx: JobContext, day: str, outcome: EventOutcome, words: str, now: int) -> None:
    shoot_id = next((shoot.id for shoot in list_shoots_of_day(ctx.catalog, day)), None)
    add_event(ctx.catalog, EventType.VALIDATION, outcome, words, now, shoot_id=shoot_id)


def _is_already_explained(explained: GapRecord, row: GapRecord) -> bool:
    """Return whether a person's explanation covers this gap, too: the same location, and no more frames."""
    if explained.kind == row.kind == GapLocation.AFTER_BODY:
        # The count is asked once per night, whichever body was last according to the cards read so far.
        return True
    if (explained.kind, explained.body_id) != (row.kind, row.body_id):
        return False
    if row.kind in (GapLocation.BEFORE_BODY, GapLocation.DURING_RESET):
        return explained.first_position == row.first_position and row.amount <= explained.amount
    if row.kind == GapLocation.CARD_COUNT:
        return row.amount <= explained.amount
    return explained.first_position <= row.first_position and row.last_position <= explained.last_position


def _find_failed_clock_days(ctx: JobContext) -> dict[str, str]:
    """Return days that no card of this evening can be from, each with the night it belongs to.

    A clock that fails falls back by years; its frames are on a card with frames of this evening.
    """
    known = frame_counts.map_days_to_sessions(ctx.catalog)
    new = frame_counts.list_new_days(ctx.catalog, ctx.clock.now() - NIGHT_NS)
    if new:
        latest = date.fromisoformat(new[-1])
        fresh = (day for day in new if (latest - date.fromisoformat(day)).days > _CLOCK_FAILURE_DAYS)
        known |= {day: new[-1] for day in fresh if day not in known}
    return known


def _load_known_bodies(ctx: JobContext, day: str, files: Sequence[CardOriginal]) -> dict[int, BodyHistory]:
    bodies = frame_counts.map_known_bodies(ctx.catalog)
    found = {}
    for body_id in sorted({file.body_id for file in files if file.body_id is not None}):
        body, before = bodies[body_id], frame_counts.find_last_session_of_body(ctx.catalog, body_id, day)
        explained = tuple(
            (GapLocation(kind), frames) for kind, frames in frame_gaps.list_explained_sizes(ctx.catalog, body_id)
        )
        found[body_id] = BodyHistory(
            label=body.label,
            is_unidentified=not body.serial,
            last_frame=None if before is None else _frame_of_night(*before),
            habit=DeletionHabit(frame_counts.list_earlier_deletion_sizes(ctx.catalog, body_id, day), explained),
            was_split=_has_only_raws_or_jpegs(body_id, files) and _was_split_night_before(ctx, body_id, day),
        )
    return found


def _has_only_raws_or_jpegs(body_id: int, files: Iterable[CardOriginal]) -> bool:
    """Return whether these files include only raws or only JPEGs of a body."""
    kinds = {kind_of(file.path) for file in files if file.body_id == body_id}
    return (FileKind.RAW in kinds) != (FileKind.PICTURE in kinds)


def _was_split_night_before(ctx: JobContext, body_id: int, day: str) -> bool:
    """Return whether a body wrote raws and JPEGs to different cards the night before."""
    before = frame_counts.find_previous_day(ctx.catalog, body_id, day)
    if before is None:
        return False
    parts = [_frame_part(file) for file in frame_counts.list_card_originals(ctx.catalog, [before])]
    frames = group_frames(part for part in parts if part.body_id == body_id)
    return detect_slot_usage(frames, identify_cards(parts)) is SlotUsage.RAW_AND_JPEG_SPLIT


def _frame_of_night(night: frame_counts.BodySessionRecord, readings: frozenset[int]) -> Frame:
    return Frame(
        night.number,
        night.folder,
        night.letters,
        night.wall_ns,
        night.offset,
        set(readings),
        set(),
        {night.file_id},
    )


def _frame_part(file: CardOriginal) -> CardFile:
    return CardFile(file.reading, file.path, file.file_id, file.body_id, file.wall_ns, file.offset)


def _bodies_to_store(night: ShootingSession) -> list[frame_counts.BodySessionRecord]:
    """Return the records to store of bodies that can be identified."""
    return [_body_to_store(body) for body in night.bodies if not body.is_unidentified]


def _body_to_store(body: BodySession) -> frame_counts.BodySessionRecord:
    last = body.last_frame
    return frame_counts.BodySessionRecord(
        body_id=body.body_id,
        frames=body.frame_count,
        number=last.number,
        folder=last.folder,
        letters=last.prefix,
        wall_ns=last.capture_time_ns,
        offset=last.utc_offset_min,
        file_id=min(last.content_ids),
        deletion_sizes=body.deletion_sizes,
    )


def _gap_row(day: str, gap: Gap) -> GapRecord:
    # Two cards of unidentified bodies may have a gap at the same positions.
    card = min(gap.readings, default=0) if gap.location is GapLocation.INSIDE_CARD else 0
    return GapRecord(
        day=day,
        kind=gap.location,
        key=f"{gap.location.name}:{gap.body_id}:{gap.first_position}-{gap.last_position}:{card}",
        body_id=gap.body_id,
        label=gap.label,
        verdict=gap.verdict,
        amount=gap.amount,
        first_name=gap.first_name,
        last_name=gap.last_name,
        first_position=gap.first_position,
        last_position=gap.last_position,
        since_ns=gap.since_ns,
        until_ns=gap.until_ns,
        readings=gap.readings,
        should_keep_cards=gap.should_keep_cards,
    )
