"""After each card: what do the numbers of this night say now?

It is worked out anew from all that was read of the night, so the order of the cards, interruptions and second
readings make no difference. What changed is kept: where each body's count stands, and what may be missing. A doubt
that holds no more is closed; one that a person explained stays closed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from tripleguard.answers import Unseen
from tripleguard.cameras.doubts import Doubt
from tripleguard.cameras.frames import Frame, Part, frames_of
from tripleguard.cameras.holes import Habit, Verdict, Where
from tripleguard.cameras.kinds import kind_of
from tripleguard.cameras.night import BodyNight, Night, look_at_night
from tripleguard.cameras.readings import Slots, cards_of, slots_of
from tripleguard.cameras.rows import Known
from tripleguard.catalog import doubts, numbers
from tripleguard.catalog.doubts import DoubtRow
from tripleguard.catalog.journal import add_event
from tripleguard.catalog.numbers import NightCards, ReadFile
from tripleguard.catalog.shoots import shoots_of_day
from tripleguard.clock import HOUR
from tripleguard.errors import WrongUse
from tripleguard.model import EventType, Kind, Outcome
from tripleguard.names import shown
from tripleguard.work.kit import Kit, agent
from tripleguard.work.numberwords import in_words

ONE_NIGHT = 18 * HOUR
"""Cards offloaded within this time belong to one evening's work, ns."""

MOST_NIGHTS = 40
"""Nights of one card that are looked at, the latest ones."""

_CLOCK_FAILED = 180
"""Days by which a card's date is off when its body's clock must have failed."""


@dataclass(frozen=True, slots=True)
class Told:
    """A person was asked how many cards the night had. cards: None if they did not know."""

    cards: int | None


@dataclass(frozen=True, slots=True)
class Numbers:
    """What the numbers say: cards of the nights that were asked about, and all that is open."""

    nights: tuple[NightCards, ...] = ()
    open: tuple[Unseen, ...] = ()


@dataclass(frozen=True, slots=True)
class NightTold:
    """One night in full. elsewhere: what is open of other nights, where no night was asked for."""

    cards: NightCards
    bodies: tuple[BodyNight, ...]
    open: tuple[Unseen, ...]
    elsewhere: tuple[Unseen, ...] = ()


def settle_numbers(kit: Kit, job_id: int, told: Told | None) -> Numbers:
    """Look at the nights that an offload's card belongs to, and at what hangs on them. Raises CatalogTrouble.

    told: what somebody said of the number of cards, if they were asked.
    """
    failed = _days_of_failed_clocks(kit)
    days = numbers.days_of(kit.catalog, job_id)
    nights = sorted({failed.get(day, day) for day in days})[-MOST_NIGHTS:]
    if told is not None and nights:
        with kit.catalog.writing():
            numbers.tell_cards(kit.catalog, nights[-1], told.cards, agent(), kit.clock.now())
    settle_nights(kit, nights, failed)
    return Numbers(tuple(numbers.night_cards(kit.catalog, day) for day in nights), unseen(kit))


def settle_nights(kit: Kit, nights: Iterable[str], failed: Mapping[str, str] | None = None) -> None:
    """Look at these nights, and at the next one of each of their bodies. Raises CatalogTrouble."""
    if failed is None:
        failed = _days_of_failed_clocks(kit)
    todo = list(nights)
    for day in todo:
        _settle(kit, day, failed)
    later = {night for day in todo for night in numbers.next_nights(kit.catalog, day)}
    for day in sorted(later - set(todo)):
        _settle(kit, day, failed)


def last_numbers(kit: Kit) -> Numbers:
    """The cards of the latest night, and all that is open. Raises CatalogTrouble."""
    night = numbers.last_night(kit.catalog)
    return Numbers((numbers.night_cards(kit.catalog, night),) if night else (), unseen(kit))


def unseen(kit: Kit) -> tuple[Unseen, ...]:
    """All that is open, in words; what is surer first. Raises CatalogTrouble."""
    rows = doubts.open_doubts(kit.catalog)
    cards = {row.day: numbers.night_cards(kit.catalog, row.day) for row in rows}
    return tuple(sorted((in_words(row, cards[row.day]) for row in rows), key=lambda one: not one.sure))


def tell_cards(kit: Kit, cards: int | None, day: str | None = None) -> str:
    """A person says how many cards a night had (None: unknown); the night. Raises WrongUse, CatalogTrouble."""
    night = day or numbers.last_night(kit.catalog)
    if night is None or numbers.night_cards(kit.catalog, night).readings == 0:
        raise _no_such_night(night)
    with kit.catalog.writing():
        numbers.tell_cards(kit.catalog, night, cards, agent(), kit.clock.now())
    settle_nights(kit, [night])
    return night


def night_told(kit: Kit, day: str | None) -> NightTold:
    """One night in full, the latest one unless a day is given. Raises WrongUse, CatalogTrouble."""
    night = day or numbers.last_night(kit.catalog)
    if night is None or numbers.night_cards(kit.catalog, night).readings == 0:
        raise _no_such_night(night)
    _, looked = _looked_at(kit, night, _days_of_failed_clocks(kit))
    all_ = unseen(kit)
    here = tuple(one for one in all_ if one.day == night)
    elsewhere = tuple(one for one in all_ if one.day != night) if day is None else ()
    return NightTold(numbers.night_cards(kit.catalog, night), looked.bodies, here, elsewhere)


def close_doubt(kit: Kit, number: int, why: str) -> Unseen:
    """A person explains a doubt: it is closed and not asked again. Raises WrongUse, CatalogTrouble."""
    row = next((one for one in doubts.open_doubts(kit.catalog) if one.id == number), None)
    if row is None:
        raise WrongUse(
            f"Nothing with the number {number} is open.",
            safe="Nothing was changed.",
            do="`tripleguard numbers` shows what is open, each with its number.",
        )
    if not why.strip():
        raise WrongUse("A reason is needed.", safe="Nothing was changed.", do="Give it with --because.")
    told, now = in_words(row, numbers.night_cards(kit.catalog, row.day)), kit.clock.now()
    with kit.catalog.writing():
        doubts.close_doubt(kit.catalog, number, now, who=agent(), why=why)
        words = f"{told.message}: explained, {shown(why)}"
        _event(kit, row.day, Outcome.SUCCESS, words, now)
    return told


def files_to_keep(kit: Kit) -> dict[int, int]:
    """Files of cards that are better kept, each with its doubt: missing frames may lie beside it, unlisted."""
    keeping = [row for row in doubts.open_doubts(kit.catalog) if row.keeps]
    return {
        file_id: row.id for row in keeping for file_id in numbers.files_read_by(kit.catalog, sorted(row.readings))
    }


def was_asked(kit: Kit) -> bool:
    """Whether somebody was asked this evening already how many cards there are."""
    last = numbers.last_told(kit.catalog)
    return last is not None and last.told_at is not None and kit.clock.now() - last.told_at < ONE_NIGHT


def _settle(kit: Kit, day: str, failed: Mapping[str, str]) -> None:
    """Look at one night and keep what it says. failed: days of failed clocks, each with its night."""
    catalog, now = kit.catalog, kit.clock.now()
    also, night = _looked_at(kit, day, failed)
    seen = NightCards(day, night.cards, night.readings, night.told, None)
    with catalog.writing():
        numbers.keep_night(catalog, seen, _kept(night), also, now)
        if night.told != numbers.night_cards(catalog, day).told:
            numbers.tell_cards(catalog, day, night.told, agent(), now)
        for other in also:
            _reconcile(kit, other, [], now)
        _reconcile(kit, day, [_row(day, doubt) for doubt in night.doubts], now)


def _looked_at(kit: Kit, day: str, failed: Mapping[str, str]) -> tuple[list[str], Night]:
    """One night, and the days of failed clocks that belong to it."""
    also = sorted(other for other, night in failed.items() if night == day)
    days = {day, *also}
    files = numbers.readings_of(kit.catalog, sorted(days))
    night = look_at_night(
        [_part(file) for file in files if file.day in days],
        [_part(file) for file in files if file.day not in days],
        _known_bodies(kit, day, files),
        _told(kit, (day, *also)),
    )
    return also, night


def _told(kit: Kit, days: Iterable[str]) -> int | None:
    """How many cards were told of a night; it may have been said with a card whose clock had failed."""
    said = (numbers.night_cards(kit.catalog, day).told for day in days)
    return next((cards for cards in said if cards is not None), None)


def _reconcile(kit: Kit, day: str, found: Sequence[DoubtRow], now: int) -> None:
    """Open what is new, close what holds no more. Called inside `writing`."""
    explained = doubts.explained_doubts(kit.catalog, day)
    wanted = {row.mark: row for row in found if not any(_covers(old, row) for old in explained)}
    known = {row.mark: row for row in doubts.open_doubts(kit.catalog, day)}
    for mark, row in known.items():
        if mark not in wanted:
            doubts.close_doubt(kit.catalog, row.id, now)
    cards = numbers.night_cards(kit.catalog, day)
    for mark, row in wanted.items():
        doubts.open_doubt(kit.catalog, row, now)
        if mark not in known and row.verdict == Verdict.MISSING:
            words = f"a card may be missing: {in_words(row, cards).message}"
            _event(kit, day, Outcome.PARTIAL, words, now)


def _no_such_night(night: str | None) -> WrongUse:
    what = "No card was offloaded yet" if night is None else f"No card of {shown(night)} was offloaded"
    return WrongUse(
        f"{what}, so there are no numbers to look at.",
        safe="Nothing was changed.",
        do="A night is given by its shooting day, such as 2026-06-13; `tripleguard log` shows what was offloaded.",
    )


def _event(kit: Kit, day: str, outcome: Outcome, words: str, now: int) -> None:
    shoot_id = next((shoot.id for shoot in shoots_of_day(kit.catalog, day)), None)
    add_event(kit.catalog, EventType.VALIDATION, outcome, words, now, shoot_id=shoot_id)


def _covers(explained: DoubtRow, row: DoubtRow) -> bool:
    """Whether what a person has explained is this too: the same place, and no more of it."""
    if explained.kind == row.kind == Where.END:
        # It is asked once a night, whichever body ends first by what is seen so far.
        return True
    if (explained.kind, explained.body_id) != (row.kind, row.body_id):
        return False
    if row.kind in (Where.BEGIN, Where.PAUSE):
        return explained.first_at == row.first_at and row.frames <= explained.frames
    if row.kind == Where.COUNT:
        return row.frames <= explained.frames
    return explained.first_at <= row.first_at and row.last_at <= explained.last_at


def _days_of_failed_clocks(kit: Kit) -> dict[str, str]:
    """Days that no card of this evening can be from, each with the night it belongs to.

    A clock that fails falls back by years; what was shot with it comes off a card with frames of tonight.
    """
    known = numbers.days_of_other_nights(kit.catalog)
    new = numbers.new_days_since(kit.catalog, kit.clock.now() - ONE_NIGHT)
    if new:
        latest = date.fromisoformat(new[-1])
        fresh = (day for day in new if (latest - date.fromisoformat(day)).days > _CLOCK_FAILED)
        known |= {day: new[-1] for day in fresh if day not in known}
    return known


def _known_bodies(kit: Kit, day: str, files: Sequence[ReadFile]) -> dict[int, Known]:
    bodies = numbers.known_bodies(kit.catalog)
    found = {}
    for body_id in sorted({file.body_id for file in files if file.body_id is not None}):
        body, before = bodies[body_id], numbers.last_before(kit.catalog, body_id, day)
        explained = tuple((Where(kind), frames) for kind, frames in doubts.explained(kit.catalog, body_id))
        found[body_id] = Known(
            label=body.label,
            alone=not body.serial,
            last=None if before is None else _frame(*before),
            habit=Habit(numbers.deleted_before(kit.catalog, body_id, day), explained),
            was_split=_has_one_half(body_id, files) and _was_split(kit, body_id, day),
        )
    return found


def _has_one_half(body_id: int, files: Iterable[ReadFile]) -> bool:
    """Whether these files have raws of a body and no JPEGs, or JPEGs and no raws."""
    kinds = {kind_of(file.path) for file in files if file.body_id == body_id}
    return (Kind.RAW in kinds) != (Kind.PICTURE in kinds)


def _was_split(kit: Kit, body_id: int, day: str) -> bool:
    """Whether a body put raws and JPEGs on different cards the night before."""
    before = numbers.night_before(kit.catalog, body_id, day)
    if before is None:
        return False
    parts = [_part(file) for file in numbers.readings_of(kit.catalog, [before])]
    frames = frames_of(part for part in parts if part.body == body_id)
    return slots_of(frames, cards_of(parts)) is Slots.SPLIT


def _frame(night: numbers.BodyNight, readings: frozenset[int]) -> Frame:
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


def _part(file: ReadFile) -> Part:
    return Part(file.reading, file.path, file.file_id, file.body_id, file.wall_ns, file.offset)


def _kept(night: Night) -> list[numbers.BodyNight]:
    """What is remembered of each body that can be told from others."""
    return [_kept_body(body) for body in night.bodies if not body.alone]


def _kept_body(body: BodyNight) -> numbers.BodyNight:
    last = body.last
    return numbers.BodyNight(
        body_id=body.body,
        frames=body.frames,
        number=last.number,
        folder=last.folder,
        letters=last.letters,
        wall_ns=last.taken,
        offset=last.offset,
        file_id=min(last.contents),
        deleted=body.deleted,
    )


def _row(day: str, doubt: Doubt) -> DoubtRow:
    # Two cards of bodies without a name may have the same hole.
    card = min(doubt.readings, default=0) if doubt.where is Where.INSIDE else 0
    return DoubtRow(
        day=day,
        kind=doubt.where,
        mark=f"{doubt.where.name}:{doubt.body}:{doubt.first_at}-{doubt.last_at}:{card}",
        body_id=doubt.body,
        label=doubt.label,
        verdict=doubt.verdict,
        frames=doubt.frames,
        first=doubt.first,
        last=doubt.last,
        first_at=doubt.first_at,
        last_at=doubt.last_at,
        since=doubt.since,
        until=doubt.until,
        readings=doubt.readings,
        keeps=doubt.keeps,
    )
