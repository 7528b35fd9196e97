"""Frames and counts: what is one frame, and what does a body's number do from one to the next?"""

from __future__ import annotations

import pytest

from tripleguard.clock import SECOND
from tripleguard.frames.card_readings import SlotUsage, detect_slot_usage, identify_cards
from tripleguard.frames.counter import FOLDER_IN_NAME_COUNTER, PLAIN_COUNTER, CountChange, detect_counter
from tripleguard.frames.frame import CardFile, Frame, group_frames, parse_frame_path

EVENING = 1_781_386_200 * SECOND


def frame(number: int, folder: int = 100, taken: int | None = EVENING, letters: str = "ORR_") -> Frame:
    return Frame(number, folder, letters, taken, 120)


def part(reading: int, name: str, content: int, taken: int | None = EVENING, folder: str = "100ORREY") -> CardFile:
    return CardFile(reading, f"DCIM/{folder}/{name}", content, 1, taken)


def test_raw_jpeg_and_spoken_note_of_one_number_are_one_frame() -> None:
    """DCF (CIPA DC-009): files of one number in one folder are one object."""
    found = group_frames(
        [part(1, "ORR_0412.DNG", 1), part(1, "ORR_0412.JPG", 2), part(1, "ORR_0412.WAV", 3, None)]
    )
    assert [(one.number, one.readings, len(one.content_ids)) for one in found] == [(412, {1}, 3)]


def test_the_letters_before_the_number_are_no_part_of_it() -> None:
    """`_MG_` and `IMG_` are one count in two colour spaces (DCF 2.0: an optional file begins with `_`)."""
    found = group_frames([part(1, "IMG_0412.JPG", 1), part(1, "_MG_0413.JPG", 2, EVENING + SECOND)])
    assert sorted(one.number for one in found) == [412, 413]


@pytest.mark.parametrize(
    ("path", "named"),
    [
        ("DCIM/100ORREY/ORR_0001.DNG", (100, 1, "ORR_")),
        ("DCIM/999ABCDE/dsc09999.arw", (999, 9999, "DSC0")),
        ("DCIM/100ORREY/ORR_0000.DNG", None),  # 0001 to 9999
        ("DCIM/100ORREY/ORR_00001.DNG", None),
        ("DCIM/099ORREY/ORR_0001.DNG", (0, 1, "ORR_")),  # 100 to 999
        ("PRIVATE/M4ROOT/CLIP/C0001.MP4", None),
        ("DCIM/100ORREY/ORR_0001.xmp", None),  # not what the camera recorded
        ("ORR_0001.DNG", (0, 1, "ORR_")),
    ],
)
def test_only_names_that_a_camera_gives_carry_a_number(path: str, named: tuple[int, int, str] | None) -> None:
    """DCF (CIPA DC-009): four characters and 0001 to 9999, in folders 100 to 999."""
    assert parse_frame_path(path) == named


def test_one_number_at_two_times_is_two_frames_and_on_two_cards_at_one_time_it_is_one() -> None:
    later = EVENING + 3600 * SECOND
    found = group_frames(
        [part(1, "ORR_0001.DNG", 1), part(2, "ORR_0001.JPG", 2), part(3, "ORR_0001.DNG", 3, later)]
    )
    assert sorted(sorted(one.readings) for one in found) == [[1, 2], [3]]


@pytest.mark.parametrize(
    ("before", "after", "moved", "missing"),
    [
        (frame(411), frame(412), CountChange.CONTINUED, 0),
        (frame(411), frame(420), CountChange.CONTINUED, 8),
        (frame(9999), frame(1, 101), CountChange.ROLLED_OVER, 0),  # DCF: 9999 is followed by 0001
        (frame(9990), frame(11, 101), CountChange.ROLLED_OVER, 19),
        (frame(9999), frame(1), CountChange.ROLLED_OVER, 0),  # in one folder too: some do
        (frame(9000), frame(700, 101), CountChange.ROLLED_OVER, 1698),  # a card is missing over the turn
        (frame(4500), frame(1), CountChange.RESET, 0),
        (frame(9400), frame(1, 101), CountChange.RESET, 0),  # a new folder where people count anew
        (frame(700), frame(8000), CountChange.JUMPED, 0),  # nobody loses 7,000 frames between two
    ],
)
def test_the_count_goes_on_rolls_over_is_set_back_or_jumps(
    before: Frame, after: Frame, moved: CountChange, missing: int
) -> None:
    after.capture_time_ns = EVENING + 3600 * SECOND
    step = PLAIN_COUNTER.classify_step(before, after)
    assert (step.change, step.missing) == (moved, missing)


def test_more_frames_than_could_be_shot_in_the_time_between_are_no_hole() -> None:
    ten_seconds = frame(2000, taken=EVENING + 10 * SECOND)
    assert PLAIN_COUNTER.classify_step(frame(100), ten_seconds).change is CountChange.JUMPED
    assert (
        PLAIN_COUNTER.classify_step(frame(100), frame(300, taken=EVENING + 10 * SECOND)).change
        is CountChange.CONTINUED
    )


def test_a_maker_that_writes_the_folder_into_the_name_counts_to_999() -> None:
    """`P1000001` to `P1000999`, then `P1010001`: encyclopedia article on DCF, from makers' files."""
    row = [frame(999, 100, letters="P100"), frame(1, 101, EVENING + SECOND, "P101")]
    assert detect_counter(row) is FOLDER_IN_NAME_COUNTER
    assert FOLDER_IN_NAME_COUNTER.classify_step(*row).missing == 0
    assert (
        FOLDER_IN_NAME_COUNTER.format_name(FOLDER_IN_NAME_COUNTER.get_position(row[0]) + 5, row[0]) == "P1010005"
    )
    assert detect_counter([frame(1, 101, letters="P100")]) is PLAIN_COUNTER


def test_the_same_files_again_are_the_same_card_again() -> None:
    first = [part(1, f"ORR_{number:04d}.DNG", number) for number in range(1, 101)]
    begun = [part(2, f"ORR_{number:04d}.DNG", number) for number in range(1, 31)]
    shot_on = [part(3, f"ORR_{number:04d}.DNG", number) for number in range(1, 151)]
    other = [part(4, f"ORR_{number:04d}.DNG", number) for number in range(151, 181)]
    cards = identify_cards([*first, *begun, *shot_on, *other])
    assert (cards.card_count, cards.reading_count) == (2, 4)
    assert cards.get_cards([1, 2, 3]) == {1}


def test_how_the_two_slots_were_used_is_learnt_from_what_the_cards_share() -> None:
    raws = [part(1, f"ORR_{n:04d}.DNG", n, EVENING + n * SECOND * 9) for n in range(1, 50)]
    jpegs = [part(2, f"ORR_{n:04d}.JPG", 100 + n, EVENING + n * SECOND * 9) for n in range(1, 50)]
    mirror = [part(2, f"ORR_{n:04d}.DNG", n, EVENING + n * SECOND * 9) for n in range(1, 50)]
    for parts, slots in (
        ([*raws, *jpegs], SlotUsage.RAW_AND_JPEG_SPLIT),
        ([*raws, *mirror], SlotUsage.MIRRORED),
        (raws, SlotUsage.SEQUENTIAL),
    ):
        assert detect_slot_usage(group_frames(parts), identify_cards(parts)) is slots
