"""Where a copy lies: the shooting day that ends at 05:00, and the template filled in."""

from __future__ import annotations

from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tripleguard.cameras.kinds import parse_dcf_folder
from tripleguard.config import LayoutSettings
from tripleguard.layout import build_copy_path, build_shoot_folder, compute_shooting_day
from tripleguard.names import is_safe_path

FIVE = time(5)


@pytest.mark.parametrize(
    ("taken", "day"),
    [
        (datetime(2026, 6, 13, 5, 0), "2026-06-13"),
        (datetime(2026, 6, 13, 21, 30), "2026-06-13"),
        (datetime(2026, 6, 13, 23, 59, 59), "2026-06-13"),
        (datetime(2026, 6, 14, 0, 0), "2026-06-13"),
        (datetime(2026, 6, 14, 4, 59, 59, 999999), "2026-06-13"),
        (datetime(2026, 6, 14, 5, 0), "2026-06-14"),
        # Over the ends of months and years, and into a leap day.
        (datetime(2026, 7, 1, 1, 0), "2026-06-30"),
        (datetime(2027, 1, 1, 2, 0), "2026-12-31"),
        (datetime(2028, 3, 1, 0, 30), "2028-02-29"),
        # The nights in which summer time begins and ends: camera clocks know nothing of it, and their wall time
        # decides. 02:30 does not exist in the one and comes twice in the other (European rules).
        (datetime(2026, 3, 29, 2, 30), "2026-03-28"),
        (datetime(2026, 3, 29, 4, 59), "2026-03-28"),
        (datetime(2026, 3, 29, 5, 0), "2026-03-29"),
        (datetime(2026, 10, 25, 2, 30), "2026-10-24"),
        (datetime(2026, 10, 25, 5, 0), "2026-10-25"),
    ],
)
def test_a_shooting_day_ends_at_five(taken: datetime, day: str) -> None:
    assert compute_shooting_day(taken, FIVE) == day


def test_midnight_and_other_hours_can_be_chosen() -> None:
    assert compute_shooting_day(datetime(2026, 6, 14, 0, 0), time(0)) == "2026-06-14"
    assert compute_shooting_day(datetime(2026, 6, 14, 6, 29), time(6, 30)) == "2026-06-13"
    assert compute_shooting_day(datetime(2026, 6, 14, 6, 30), time(6, 30)) == "2026-06-14"


@given(st.datetimes(datetime(1980, 1, 2), datetime(2107, 12, 31)))
def test_a_show_of_five_hours_from_nine_stays_in_one_day(evening: datetime) -> None:
    begun = evening.replace(hour=21, minute=0)
    for hours in range(8):
        later = begun.replace(hour=(21 + hours) % 24)
        later = later if hours < 3 else datetime.fromordinal(begun.toordinal() + 1).replace(hour=(21 + hours) % 24)
        assert compute_shooting_day(later, FIVE) == begun.date().isoformat()


USUAL = LayoutSettings()


@pytest.mark.parametrize(
    ("card_path", "kept"),
    [
        # DCF folders (CIPA DC-009): three digits from 100 to 999, five of 0-9 A-Z _.
        # The makers' own names are from memory.
        ("DCIM/100CANON/IMG_0001.CR3", "IMG_0001.CR3"),
        ("DCIM/101ND850/_DSC0001.NEF", "_DSC0001.NEF"),
        ("DCIM/10260613/DSC00001.ARW", "DSC00001.ARW"),
        ("DCIM/102_FUJI/DSCF0001.RAF", "DSCF0001.RAF"),
        ("dcim/999msdcf/dsc00001.arw", "dsc00001.arw"),
        ("DCIM/100GOPRO/GX010001.MP4", "GX010001.MP4"),
        # Not a DCF folder: its name may mean something, so it stays.
        ("DCIM/099CANON/IMG_0001.CR3", "099CANON/IMG_0001.CR3"),
        ("DCIM/100 CANON/IMG_0001.CR3", "100 CANON/IMG_0001.CR3"),
        ("DCIM/SELECTS/IMG_0001.CR3", "SELECTS/IMG_0001.CR3"),
        ("DCIM/100CANON/SUB/IMG_0001.CR3", "100CANON/SUB/IMG_0001.CR3"),
        ("DCIM/IMG_0001.CR3", "IMG_0001.CR3"),
        # What a video's programs read lies in folders that belong together.
        ("PRIVATE/M4ROOT/CLIP/C0001.MP4", "PRIVATE/M4ROOT/CLIP/C0001.MP4"),
        ("PRIVATE/AVCHD/BDMV/STREAM/00001.MTS", "PRIVATE/AVCHD/BDMV/STREAM/00001.MTS"),
        ("MISC/AUTPRINT.MRK", "MISC/AUTPRINT.MRK"),
        ("notes.txt", "notes.txt"),
    ],
)
def test_what_of_a_card_path_is_kept(card_path: str, kept: str) -> None:
    path = build_copy_path(USUAL, "2026-06-13", "quay", "Orrery R7 7731", card_path)
    assert path == f"2026/2026-06-13 quay/Orrery R7 7731/{kept}"


@pytest.mark.parametrize(
    ("name", "number"), [("100CANON", 100), ("999_____", 999), ("100", None), ("1000CANO", 100)]
)
def test_folder_numbers_of_dcf(name: str, number: int | None) -> None:
    assert parse_dcf_folder(name) == number


def test_a_template_of_ones_own() -> None:
    layout = LayoutSettings(template="tours/{date} {shoot}/raw/{body}/{name}")
    assert (
        build_copy_path(layout, "2026-06-13", "quay", "R7", "DCIM/100CANON/A.CR3")
        == "tours/2026-06-13 quay/raw/R7/A.CR3"
    )
    assert build_shoot_folder(layout, "2026-06-13", "quay") == "tours/2026-06-13 quay"
    assert build_shoot_folder(USUAL, "2026-06-13", "quay") == "2026/2026-06-13 quay"


@given(
    st.sampled_from(["{year}", "{name}", "{0}", "{", "}", "{shoot}{body}", "%s", "\\1"]),
    st.sampled_from(["{name}", "{date}", "}{"]),
)
def test_braces_in_what_is_put_in_are_only_text(shoot: str, name: str) -> None:
    path = build_copy_path(USUAL, "2026-06-13", shoot, "{year}", f"DCIM/100CANON/{name}.JPG")
    assert path == f"2026/2026-06-13 {shoot}/{{year}}/{name}.JPG"


@given(
    st.lists(st.text(st.characters(exclude_characters="/\0"), min_size=1), min_size=1, max_size=5).map("/".join)
)
def test_a_safe_card_path_leads_to_a_safe_copy_path(card_path: str) -> None:
    if is_safe_path(card_path):
        assert is_safe_path(build_copy_path(USUAL, "2026-06-13", "quay", "R7", card_path))


def test_the_wall_time_decides_and_no_zone() -> None:
    """One moment, two cameras: the one on tour time belongs to the night before, the one left at home does not."""
    moment = datetime(2026, 6, 14, 3, 30, tzinfo=UTC)
    on_tour = moment.astimezone(ZoneInfo("America/New_York")).replace(tzinfo=None)
    at_home = moment.astimezone(ZoneInfo("Europe/Berlin")).replace(tzinfo=None)
    assert compute_shooting_day(on_tour, FIVE) == "2026-06-13"
    assert compute_shooting_day(at_home, FIVE) == "2026-06-14"
