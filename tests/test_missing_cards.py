"""Is a card missing? Evenings told by the numbers on the cards; and by the hundred, at shows that nobody played.

The limits and what must be found are those of the campaign (docs/frame-numbers.md). How much people delete in the
camera is an assumption of ours.
"""

from __future__ import annotations

import random
from dataclasses import replace

import pytest
from generated_shows import FACTORY, MINUTE, Plan, show_of
from hypothesis import given, settings
from hypothesis import strategies as st
from missing_card_campaign import campaign, night_of

from tripleguard.clock import HOUR, SECOND
from tripleguard.frames.body_timeline import BodyHistory
from tripleguard.frames.frame import CardFile, Frame
from tripleguard.frames.gaps import Gap
from tripleguard.frames.number_gaps import DeletionHabit, GapLocation, GapVerdict
from tripleguard.frames.session import assess_session

EVENING = 1_781_386_200 * SECOND
K1, K2 = 1, 2
FRESH = {K1: BodyHistory("K1"), K2: BodyHistory("K2")}


def card(
    reading: int,
    first: int,
    last: int,
    *,
    body: int = K1,
    folder: int = 100,
    at: int = 0,
    every: int = 4,
    end: str = "DNG",
    without: range = range(0),
) -> list[CardFile]:
    """A card with these numbers: one frame every few seconds from `at` seconds into the evening."""
    return [
        CardFile(
            reading,
            f"DCIM/{folder}ORREY/ORR_{number:04d}.{end}",
            hash((body, number, folder, end, at)),
            body,
            EVENING + (at + (number - first) * every) * SECOND,
            120,
        )
        for number in range(first, last + 1)
        if number not in without
    ]


def doubts(
    *cards: list[CardFile], told: int | None = None, known: dict[int, BodyHistory] | None = None
) -> list[Gap]:
    return list(assess_session([part for one in cards for part in one], [], known or FRESH, told).gaps)


def brief(found: list[Gap]) -> list[tuple[GapLocation, GapVerdict, int]]:
    return [(one.location, one.verdict, one.amount) for one in found]


def test_a_card_from_the_middle_of_the_night_is_missed_by_name_number_and_time() -> None:
    (found,) = doubts(card(1, 4000, 4409), card(2, 4822, 5200, at=412 * 4 + 410 * 4))
    assert (found.verdict, found.location, found.amount) == (GapVerdict.MISSING, GapLocation.BETWEEN_CARDS, 412)
    assert (found.first_name, found.last_name) == ("ORR_4410", "ORR_4821")
    assert found.since_ns is not None
    assert found.until_ns is not None
    assert (set(found.readings), found.should_keep_cards) == ({1, 2}, False)


def test_the_doubt_goes_when_the_card_turns_up_whatever_the_order() -> None:
    cards = [card(1, 1, 500), card(2, 501, 900, at=2000), card(3, 901, 1500, at=4000)]
    assert doubts(cards[0]) == []
    assert brief(doubts(cards[2], cards[0])) == [(GapLocation.BETWEEN_CARDS, GapVerdict.MISSING, 400)]
    assert doubts(cards[2], cards[0], cards[1]) == []


def test_a_card_read_twice_and_a_mirrored_one_change_nothing() -> None:
    cards = [card(1, 1, 500), card(2, 501, 900, at=2000)]
    again = [replace(part, reading=3) for part in cards[0]]
    night = assess_session([*cards[0], *cards[1], *again], [], FRESH, None)
    assert night.gaps == ()
    assert (night.card_count, night.reading_count) == (2, 3)


def test_the_first_card_is_missed_because_the_last_number_is_remembered() -> None:
    last = Frame(3000, 100, "ORR_", EVENING - 30 * HOUR, 120, raw_readings={99})
    known = {K1: BodyHistory("K1", last_frame=last)}
    assert brief(doubts(card(1, 3700, 3900), known=known)) == [(GapLocation.AFTER_PAUSE, GapVerdict.MISSING, 699)]
    assert doubts(card(1, 3001, 3900), known=known) == []
    assert doubts(card(1, 1, 900), known=known) == []  # set back: nothing can be said
    rolled = {K1: BodyHistory("K1", last_frame=replace_number(last, 9950))}
    assert doubts(card(1, 9951, 9999), card(1, 1, 300, folder=101, at=300), known=rolled) == []


def replace_number(last: Frame, number: int) -> Frame:
    return Frame(
        number,
        last.folder,
        last.prefix,
        last.capture_time_ns,
        last.utc_offset_min,
        raw_readings=set(last.raw_readings),
    )


def test_a_song_deleted_inside_a_card_is_no_missing_card() -> None:
    assert doubts(card(1, 1, 900, without=range(300, 360))) == []
    assert brief(doubts(card(1, 1, 900, without=range(300, 400)))) == [
        (GapLocation.INSIDE_CARD, GapVerdict.CHECK, 100)
    ]


def test_hundreds_of_frames_gone_from_inside_one_card_keep_that_card() -> None:
    """They may have been on another card that was in between, or lie unlisted on this one."""
    (found,) = doubts(card(1, 1, 900, without=range(300, 600)))
    assert (found.location, found.verdict, found.should_keep_cards) == (
        GapLocation.INSIDE_CARD,
        GapVerdict.MISSING,
        True,
    )
    assert doubts(card(1, 1, 900, without=range(300, 600)), card(2, 300, 599, at=299 * 4)) == []


def test_once_all_cards_are_here_a_hole_between_two_keeps_both() -> None:
    cards = card(1, 1, 400), card(2, 700, 900, at=2800)
    assert [one.should_keep_cards for one in doubts(*cards)] == [False]
    assert [(one.location, one.should_keep_cards) for one in doubts(*cards, told=3)] == [
        (GapLocation.BETWEEN_CARDS, False),
        (GapLocation.CARD_COUNT, False),
    ]
    assert [(one.location, one.should_keep_cards) for one in doubts(*cards, told=2)] == [
        (GapLocation.BETWEEN_CARDS, True)
    ]


def test_the_number_of_cards_finds_the_last_one() -> None:
    cards = card(1, 1, 400), card(2, 401, 900, at=1600)
    assert brief(doubts(*cards, told=3)) == [(GapLocation.CARD_COUNT, GapVerdict.MISSING, 1)]
    mirrored = [replace(part, reading=part.reading + 10) for one in cards for part in one]
    # Four cards told, two of them mirrors, or two of them not here and two read twice: nobody can tell.
    assert brief(doubts(*cards, mirrored, told=4)) == [(GapLocation.CARD_COUNT, GapVerdict.CHECK, 2)]
    assert brief(doubts(*cards, mirrored, told=5)) == [(GapLocation.CARD_COUNT, GapVerdict.MISSING, 3)]


def test_a_body_that_ends_half_an_hour_before_the_other_may_have_one_more_card() -> None:
    long, short = card(1, 1, 900, body=K2, every=8), card(2, 1, 600, every=8)
    assert brief(doubts(long, short)) == [(GapLocation.AFTER_BODY, GapVerdict.CHECK, 40)]
    assert doubts(long, short, told=2) == []
    assert doubts(card(1, 1, 900, body=K2, every=8), card(2, 1, 700, every=8)) == []  # under 30 minutes


def test_how_many_cards_there_were_is_asked_once_and_not_for_every_body() -> None:
    """Three bodies that are put down at their own times are an ordinary night."""
    long, short, shorter = (
        card(1, 1, 900, body=3, every=8),
        card(2, 1, 600, every=8),
        card(3, 1, 500, body=K2, every=8),
    )
    known = FRESH | {3: BodyHistory("K3")}
    (asked,) = doubts(long, short, shorter, known=known)
    assert (asked.location, asked.verdict, asked.body_id, asked.amount) == (
        GapLocation.AFTER_BODY,
        GapVerdict.CHECK,
        K2,
        53,
    )
    assert doubts(long, short, shorter, known=known, told=3) == []


def test_a_spare_that_takes_over_explains_why_a_body_ended() -> None:
    broken, spare = card(1, 1, 300, every=8), card(2, 1, 900, body=K2, every=8, at=2500)
    assert doubts(broken, spare) == []


def test_a_clock_put_back_in_the_middle_is_followed() -> None:
    cards = [card(1, 1, 500), card(2, 501, 900, at=2000 - 7200), card(3, 1301, 1500, at=5200 - 7200)]
    assert doubts(cards[0], cards[1]) == []
    assert brief(doubts(*cards)) == [(GapLocation.BETWEEN_CARDS, GapVerdict.MISSING, 400)]


def test_a_clock_at_the_factorys_date_is_ordered_by_number() -> None:
    later = card(3, 901, 1500, at=4000)
    wrong = [replace(part, capture_time_ns=(part.capture_time_ns or 0) - EVENING + FACTORY) for part in later]
    assert doubts(card(1, 1, 500), card(2, 501, 900, at=2000), wrong) == []
    # The clock that fails with the count: the battery was out. Nothing can be said.
    assert doubts(card(1, 4000, 4500), reset_with_clock()) == []
    assert brief(doubts(card(1, 1, 500), wrong)) == [(GapLocation.BETWEEN_CARDS, GapVerdict.MISSING, 400)]


def reset_with_clock() -> list[CardFile]:
    return [
        replace(part, capture_time_ns=(part.capture_time_ns or 0) - EVENING + FACTORY) for part in card(3, 1, 300)
    ]


def test_numbers_of_another_body_on_the_card_explain_a_jump() -> None:
    """A body that finds a higher number on the card goes on from it (makers' manuals: the larger one is used)."""
    first, second = card(1, 500, 800), card(2, 2001, 2300, at=1600)
    others = card(2, 1950, 2000, body=K2, at=-90_000)
    assert brief(doubts(first, second)) == [(GapLocation.BETWEEN_CARDS, GapVerdict.MISSING, 1200)]
    assert assess_session([*first, *second], others, {K1: BodyHistory("K1")}, None).gaps == ()


def test_raws_missing_behind_jpegs_that_are_there() -> None:
    jpegs = card(9, 1, 900, end="JPG")
    raws = [card(1, 1, 300), card(2, 301, 600, at=1200), card(3, 601, 900, at=2400)]
    assert doubts(jpegs, *raws) == []
    assert brief(doubts(jpegs, raws[0], raws[2])) == [(GapLocation.RAWS_MISSING, GapVerdict.MISSING, 300)]
    assert brief(doubts(jpegs, raws[0], raws[1])) == [(GapLocation.RAWS_MISSING, GapVerdict.MISSING, 300)]


def split_evening() -> tuple[list[list[CardFile]], list[list[CardFile]]]:
    """Three raw cards, and the JPEGs of the same frames on three others."""
    ranges = ((1, 300, 0), (301, 600, 1200), (601, 900, 2400))
    raws = [card(number, first, last, at=at) for number, (first, last, at) in enumerate(ranges, start=1)]
    jpegs = [
        card(number, first, last, at=at, end="JPG") for number, (first, last, at) in enumerate(ranges, start=11)
    ]
    return raws, jpegs


@pytest.mark.parametrize("missing", [0, 1, 2])
def test_a_jpeg_card_missing_behind_raws_that_are_there(missing: int) -> None:
    raws, jpegs = split_evening()
    there = [one for at, one in enumerate(jpegs) if at != missing]
    assert doubts(*raws, *jpegs) == []
    assert brief(doubts(*raws, *there)) == [(GapLocation.JPEGS_MISSING, GapVerdict.MISSING, 300)]
    assert doubts(*raws, *there, told=5) == [], "no card is missing: somebody turned the JPEGs off"


def test_a_missing_half_of_the_only_pair_is_known_from_the_night_before() -> None:
    """Raws and JPEGs went to two cards yesterday; tonight only one of the two is here."""
    raws, jpegs = split_evening()
    habit = {K1: BodyHistory("K1", was_split=True)}
    assert brief(doubts(raws[0], known=habit)) == [(GapLocation.JPEGS_MISSING, GapVerdict.CHECK, 300)]
    assert brief(doubts(jpegs[0], known=habit)) == [(GapLocation.RAWS_MISSING, GapVerdict.MISSING, 300)]
    assert doubts(raws[0], jpegs[0], known=habit) == []
    assert doubts(raws[0]) == []


def test_films_between_raws_and_jpegs_are_no_missing_half() -> None:
    raws, jpegs = split_evening()
    films = card(1, 901, 1000, at=3600, end="MOV")
    assert doubts(*raws, *jpegs, films) == []


def test_who_makes_room_at_the_end_of_a_full_card_gets_no_more_than_a_look() -> None:
    """Less than a tenth of what this body's cards hold is hardly a card."""
    assert brief(doubts(card(1, 1, 460), card(2, 501, 1000, at=2000))) == [
        (GapLocation.BETWEEN_CARDS, GapVerdict.CHECK, 40)
    ]
    assert brief(doubts(card(1, 1, 440), card(2, 501, 1000, at=2000))) == [
        (GapLocation.BETWEEN_CARDS, GapVerdict.MISSING, 60)
    ]


def test_who_deletes_by_the_song_gets_no_cry_for_one_that_ends_where_a_card_does_but_for_a_card() -> None:
    def thinned(reading: int, first: int, last: int, at: int) -> list[CardFile]:
        """Every fourth song of 60 frames is gone."""
        kept = card(reading, first, last, at=at)
        return [part for part in kept if (int(part.path[-8:-4]) - first) // 60 % 4 != 2]

    cards = thinned(1, 1, 600, 0), thinned(2, 751, 1350, 3000), thinned(3, 1351, 1950, 5400)
    assert brief(doubts(*cards)) == [(GapLocation.BETWEEN_CARDS, GapVerdict.CHECK, 150)]
    found = [one for one in doubts(cards[0], cards[2]) if one.verdict is GapVerdict.MISSING]
    assert brief(found) == [(GapLocation.BETWEEN_CARDS, GapVerdict.MISSING, 750)]


def test_two_bodies_without_a_serial_are_never_counted_as_one() -> None:
    alone = {K1: BodyHistory("Orrery R2", is_unidentified=True)}
    cards = card(1, 1, 400), card(2, 900, 1200, at=3600)
    assert doubts(*cards, known=alone) == []
    assert brief(doubts(*cards, known={K1: BodyHistory("K1")})) == [
        (GapLocation.BETWEEN_CARDS, GapVerdict.MISSING, 499)
    ]


def test_counting_anew_on_each_card_hides_a_card_but_not_the_silence() -> None:
    cards = [card(1, 1, 300, every=8), card(2, 1, 300, every=8, at=2400), card(3, 1, 300, every=8, at=4800)]
    other = card(9, 1, 900, body=K2, every=8)
    assert doubts(*cards, other) == []
    assert brief(doubts(cards[0], cards[2], other)) == [(GapLocation.DURING_RESET, GapVerdict.CHECK, 40)]
    assert brief(doubts(cards[1], cards[2], other)) == [(GapLocation.BEFORE_BODY, GapVerdict.CHECK, 40)]


def test_what_was_explained_twice_is_not_cried_out_again_but_a_card_is() -> None:
    habit = DeletionHabit(explained_gaps=((GapLocation.BETWEEN_CARDS, 25), (GapLocation.BETWEEN_CARDS, 30)))
    known = {K1: BodyHistory("K1", habit=habit)}
    room_made = card(1, 1, 500, without=range(477, 501)), card(2, 501, 900, at=2000)
    assert brief(doubts(*room_made)) == [(GapLocation.BETWEEN_CARDS, GapVerdict.CHECK, 24)]
    assert doubts(*room_made, known=known) == []
    once = {K1: BodyHistory("K1", habit=DeletionHabit(explained_gaps=((GapLocation.BETWEEN_CARDS, 700),)))}
    assert brief(doubts(*room_made, known=once)) == [(GapLocation.BETWEEN_CARDS, GapVerdict.CHECK, 24)]
    blind = {K1: BodyHistory("K1", habit=DeletionHabit((199,) * 90, ((GapLocation.BETWEEN_CARDS, 900),) * 9))}
    missing = card(1, 1, 400), card(2, 551, 900, at=2800)
    assert brief(doubts(*missing, known=blind)) == [(GapLocation.BETWEEN_CARDS, GapVerdict.MISSING, 150)]


def test_a_missing_card_is_found_and_none_is_cried_out_for_nothing() -> None:
    tally = campaign(Plan(), 8, first=1000)
    assert (tally.share("first"), tally.share("middle")) == (1.0, 1.0)
    assert sum(tally.alarms.values()) <= 1
    assert tally.seen("last") >= 0.9


@pytest.mark.parametrize("clock", ["hours", "years"])
def test_a_missing_card_is_found_whatever_the_clock_says(clock: str) -> None:
    tally = campaign(Plan(clock=clock), 3, first=1000)
    assert min(tally.seen("first"), tally.seen("middle")) == 1.0
    assert tally.alarms[GapVerdict.MISSING] == 0


def test_a_last_card_is_found_by_the_count_of_cards() -> None:
    for seed in range(5):
        show = show_of(seed, Plan())
        night = night_of(show, without=show.cards[-1], told=len(show.cards))
        assert (GapLocation.CARD_COUNT, GapVerdict.MISSING, 1) in brief(list(night.gaps))


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32), st.booleans())
def test_the_order_of_the_cards_and_of_their_files_makes_no_difference(seed: int, split: bool) -> None:
    show = show_of(seed % 50, Plan(frames=240, cards=3, deleted=0.1, slots="split" if split else "overflow"))
    parts = show.parts(show.cards[seed % len(show.cards)])
    bodies = {body: BodyHistory(f"K{body}", last_frame=last) for body, last in show.before.items()}
    shuffled = list(parts)
    random.Random(seed).shuffle(shuffled)
    assert assess_session(shuffled, [], bodies, None).gaps == assess_session(parts, [], bodies, None).gaps


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.builds(
            CardFile,
            st.integers(1, 4),
            st.builds(
                "DCIM/{}ORREY/{}{:04d}.{}".format,
                st.integers(95, 1003),
                st.sampled_from(["ORR_", "P100", "_MG_", "ab"]),
                st.integers(0, 10_001),
                st.sampled_from(["DNG", "JPG", "WAV", "MP4", "xmp"]),
            ),
            st.integers(0, 30),
            st.sampled_from([None, K1, K2]),
            st.one_of(st.none(), st.integers(-(2**62), 2**62), st.integers(EVENING, EVENING + 5 * 60 * MINUTE)),
            st.one_of(st.none(), st.integers(-900, 900)),
        ),
        max_size=40,
    ),
    st.one_of(st.none(), st.integers(1, 9)),
)
def test_whatever_lies_on_the_cards_there_is_an_answer(parts: list[CardFile], told: int | None) -> None:
    night = assess_session(
        parts, parts[:3], {K1: BodyHistory("K1"), K2: BodyHistory("K2", is_unidentified=True)}, told
    )
    assert night.reading_count == len({part.reading for part in parts})
    assert all(doubt.amount > 0 for doubt in night.gaps)


def test_a_raw_card_is_missed_also_where_most_of_the_raws_are_gone() -> None:
    found = doubts(card(1, 100, 300), card(2, 100, 600, end="JPG"))
    assert [(one.location, one.verdict, one.amount) for one in found] == [
        (GapLocation.RAWS_MISSING, GapVerdict.MISSING, 300)
    ]
    assert doubts(card(1, 100, 300) + card(1, 100, 600, end="JPG")) == [], "on one card nothing is split"


def test_a_card_of_more_than_half_a_count_is_worth_a_look() -> None:
    found = doubts(card(1, 100, 300), card(3, 6301, 6500, at=24_604))
    assert [(one.location, one.verdict, one.amount) for one in found] == [
        (GapLocation.BETWEEN_CARDS, GapVerdict.CHECK, 6000)
    ]
    assert doubts(card(1, 100, 300), card(3, 6301, 6500, at=900)) == [], "nobody shoots 6,000 frames in a minute"


def test_two_bodies_that_cannot_be_told_apart_on_one_card_are_no_reason_to_keep_it() -> None:
    alone = {K1: BodyHistory("R7", is_unidentified=True)}
    found = doubts(card(1, 100, 400) + card(1, 3000, 3300, at=1300), known=alone)
    assert [(one.verdict, one.should_keep_cards) for one in found] == [(GapVerdict.CHECK, False)]
