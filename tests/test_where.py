"""A client calls, years later: where is that picture? And which drive has to be taken from the shelf."""

from __future__ import annotations

import json
import unicodedata
from datetime import datetime
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from world import World

from tripleguard.catalog.search import parse_time_span
from tripleguard.clock import DAY
from tripleguard.model import Copy, CopyState, DriveRole, Evidence, Medium, PlaceKind, PlaceRecord, PlaceState
from tripleguard.rules import rank_fetch_source


@pytest.fixture
def after(world: World) -> World:
    """Two shows of two bodies on both drives; the second one past midnight."""
    first = world.card("first")
    first.frames(3, taken=datetime(2026, 6, 13, 21, 30))
    first.raw("DCIM/101VELUM/VEL_0001.DNG", serial="77", model="Velum M2", taken=datetime(2026, 6, 13, 22, 15))
    second = world.card("second")
    second.frames(2, first=9998, taken=datetime(2026, 6, 21, 1, 30))
    for card, shoot in ((first, "Quay night"), (second, "Foundry party")):
        answer = world.run("offload", card.root, "--shoot", shoot)
        assert answer.status == 0, answer.out
    return world


def names(world: World, *words: object) -> list[str]:
    """What is found, in order; status and answer have to agree."""
    answer = world.run("where", *words, "--json")
    found = [one["name"] for one in answer.json["files"]]
    assert answer.status == (0 if found else 1), answer.err
    return found


QUAY = ["ORR_0001.DNG", "ORR_0002.DNG", "ORR_0003.DNG", "VEL_0001.DNG"]
FOUNDRY = ["ORR_9998.DNG", "ORR_9999.DNG"]


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (["ORR_0001.DNG"], ["ORR_0001.DNG"]),
        (["0001"], ["ORR_0001.DNG", "VEL_0001.DNG"]),
        (["orr_000"], QUAY[:3]),
        (["99"], FOUNDRY),
        (["quay"], QUAY),
        (["Foundry"], FOUNDRY),
        (["2026-06-13"], QUAY),
        (["2026-06-20"], FOUNDRY),  # the shooting day ends at five in the morning
        (["2026-06-21"], FOUNDRY),
        (["2026-06-21 01:30"], FOUNDRY),
        (["2026-06-13 22"], ["VEL_0001.DNG"]),
        (["2026-06"], QUAY + FOUNDRY),
        (["2025"], []),
        (["Velum"], ["VEL_0001.DNG"]),
        (["0001", "Velum"], ["VEL_0001.DNG"]),
        (["ORR", "2026-06-13"], QUAY[:3]),
        (["quay", "foundry"], []),
        (["--name", "dng"], QUAY + FOUNDRY),
        (["--name", "quay"], []),
        (["--shoot", "2026-06-20"], FOUNDRY),
        (["--body", "velum m2"], ["VEL_0001.DNG"]),
        (["--day", "2026-06-13..2026-06-20"], QUAY + FOUNDRY),
        (["--day", "2026-06-14..2026-06-19"], []),
        (["--day", "2026-06-13 21:00..2026-06-13 21:59"], QUAY[:3]),
        (["--name", "000", "--body", "Orrery", "--shoot", "quay"], QUAY[:3]),
        (["%"], []),
        (["_"], QUAY + FOUNDRY),
        (['"'], []),
        (["0001 OR 9998"], []),
        (["orr*"], []),
    ],
    ids=lambda value: " ".join(map(str, value)) if isinstance(value, list) else "",
)
def test_a_picture_is_found_by_whatever_is_known_of_it(after: World, words: list[str], found: list[str]) -> None:
    assert names(after, *words) == found


def test_it_is_found_by_its_digest(after: World) -> None:
    digest = after.run("where", "VEL_0001", "--json").json["files"][0]["digest"]
    for start in (digest, digest[:8], digest[:9].upper()):
        assert names(after, start) == ["VEL_0001.DNG"]
        assert names(after, "--digest", start) == ["VEL_0001.DNG"]
    assert after.run("where", "--digest", digest[:7]).status == 2


def test_it_is_found_by_its_rating_and_by_having_been_chosen(after: World) -> None:
    frame = next(after.drives["A"].rglob("ORR_0002.DNG"))
    frame.with_suffix(".xmp").write_text(
        '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        '<rdf:Description xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="4"/></rdf:RDF></x:xmpmeta>'
    )
    assert after.run("selects", "learn").status == 0
    assert names(after, "--rating", "4") == ["ORR_0002.DNG"]
    assert names(after, "--rating", "4.5") == []
    assert names(after, "quay", "--rating", "3") == ["ORR_0002.DNG"]
    assert names(after, "--selects") == ["ORR_0002.DNG"]
    found = after.run("where", "--rating", "4", "--json").json["files"][0]
    assert found["rating"] == 4
    assert "rated 4" in after.run("where", "ORR_0002.DNG").out


def test_a_name_that_is_no_text_is_found_by_its_readable_part(world: World) -> None:
    card = world.card()
    card.put(b"DCIM/100ORREY/caf\xe9_night.DAT", b"x" * 500)
    card.put("DCIM/100ORREY/N\u00fa\u00f1ez.DAT", b"y" * 500)
    assert world.run("offload", card.root).status == 0
    assert names(world, "_night") == ["caf\\xe9_night.DAT"]
    for spelled in ("N\u00fa\u00f1ez", "nu\u0301n\u0303ez"):
        assert names(world, "--name", spelled) == ["N\u00fa\u00f1ez.DAT"]


def test_it_is_found_by_the_name_that_a_copy_was_given_by_hand(after: World) -> None:
    copy = next(after.drives["A"].rglob("ORR_0002.DNG"))
    copy.rename(copy.with_name("Ada at the microphone.DNG"))
    after.run("rescan", "--all")
    assert names(after, "microphone") == ["ORR_0002.DNG"]
    assert names(after, "--name", "at the mic", "--shoot", "quay") == ["ORR_0002.DNG"]
    assert names(after, "ORR_0002") == ["ORR_0002.DNG"]


def test_where_it_lies_on_the_shelf_and_which_copy_to_fetch_first(after: World) -> None:
    assert after.run("drives", "note", "B", "shelf 2, box 4").status == 0
    after.unplug("B")
    assert after.run("drives", "shelve", "B").status == 0
    answer = after.run("where", "ORR_0001", "--json")
    first, second = answer.json["files"][0]["copies"]
    assert (first["place"], first["connected"], first["fetch"]) == ("A", True, 1)
    assert (second["place"], second["connected"], second["fetch"]) == ("B", False, 2)
    assert second["note"] == "shelf 2, box 4"
    assert answer.json["fetch_from"] == [{"place": "A", "note": None, "connected": True, "files": 1}]
    text = after.run("where", "ORR_0001").out
    assert "  1. drive A, connected: 2026/" in text
    assert "  2. drive B, shelved (shelf 2, box 4): 2026/" in text
    assert "(shelf 2, box 4)" in after.run("drives").out


def test_a_copy_that_is_not_good_is_not_to_be_fetched(after: World) -> None:
    next(after.drives["A"].rglob("ORR_0001.DNG")).unlink()
    assert after.run("rescan", "--quick").status == 1
    copies = after.run("where", "ORR_0001", "--json").json["files"][0]["copies"]
    assert [(one["place"], one["state"], one["fetch"]) for one in copies] == [
        ("B", "present", 1),
        ("A", "missing", None),
    ]
    assert after.run("drives", "lost", "B").status == 1
    answer = after.run("where", "ORR_0001", "--json")
    assert [one["fetch"] for one in answer.json["files"][0]["copies"]] == [None, None]
    assert answer.json["without_good_copy"] == 1
    assert "Of 1 file no good copy is left." in after.run("where", "ORR_0001").out


def test_the_fewest_drives_that_have_all_of_it_are_named(bare: World) -> None:
    world = bare.setup("A", "B", "C")
    for name, drives, first in (("one", "AB", 1), ("two", "BC", 50)):
        card = world.card(name)
        card.frames(3, first=first)
        chosen = [word for drive in drives for word in ("--drive", drive)]
        assert world.run("offload", card.root, "--shoot", name, *chosen).status in (0, 1)
    for drive in "ABC":
        world.unplug(drive)
        assert world.run("drives", "note", drive, f"box {drive}").status == 0
    answer = world.run("where", "ORR", "--json")
    assert [(one["place"], one["files"]) for one in answer.json["fetch_from"]] == [("B", 6)]
    assert "Fetch from: drive B (box B): 6 files." in world.run("where", "ORR").out


def test_more_than_can_be_told_is_said(after: World, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tripleguard.cli.where._MAX_FILES", 2)
    answer = after.run("where", "ORR", "--json")
    assert len(answer.json["files"]) == 2
    assert answer.json["more"]
    assert "More files match" in after.run("where", "ORR").out
    assert not after.run("where", "VEL", "--json").json["more"]


@pytest.mark.parametrize(
    "words", [[], [""], ["--day", "June"], ["--day", "2026-13"], ["--name", ""], ["--rating", "6"]]
)
def test_what_means_nothing_is_a_wrong_use(after: World, words: list[str]) -> None:
    assert after.run("where", *words).status == 2


def test_a_note_is_one_line_and_can_be_forgotten(after: World) -> None:
    assert after.run("drives", "note", "A", "left drawer").status == 0
    assert after.run("drives", "note", "A", "two\nlines").status == 2
    assert after.run("drives", "note", "A", "x" * 201).status == 2
    assert json.loads(after.run("drives", "--json").out)["places"][0]["note"] == "left drawer"
    assert after.run("drives", "note", "A", "").status == 0
    assert json.loads(after.run("drives", "--json").out)["places"][0]["note"] is None


def test_names_are_found_after_a_rebuild(after: World) -> None:
    assert after.run("drives", "note", "A", "left drawer").status == 0
    assert after.run("topup").status == 0
    fresh = World(after.root)
    fresh.home = after.root / "second-home"
    answer = fresh.run("rebuild", after.drives["A"], after.drives["B"])
    assert answer.status in (0, 1), answer.err
    assert names(fresh, "orr_000") == QUAY[:3]
    assert names(fresh, "0001", "Velum") == ["VEL_0001.DNG"]


@given(year=st.integers(1900, 2999), month=st.integers(1, 12), day=st.integers(1, 28), hour=st.integers(0, 23))
def test_a_span_ends_where_the_next_one_begins(year: int, month: int, day: int, hour: int) -> None:
    one = parse_time_span(f"{year:04d}-{month:02d}-{day:02d} {hour:02d}")
    whole = parse_time_span(f"{year:04d}-{month:02d}-{day:02d}")
    assert one is not None
    assert whole is not None
    assert one.end_ns - one.start_ns == 3600 * 10**9
    assert whole.end_ns - whole.start_ns == 86_400 * 10**9
    assert whole.start_ns + hour * 3600 * 10**9 == one.start_ns
    assert (whole.is_whole_days, one.is_whole_days) == (True, False)
    month_ = parse_time_span(f"{year:04d}-{month:02d}")
    year_ = parse_time_span(f"{year:04d}")
    assert month_ is not None
    assert year_ is not None
    assert year_.start_ns <= month_.start_ns <= whole.start_ns < whole.end_ns <= month_.end_ns <= year_.end_ns


@pytest.mark.parametrize(
    "text", ["", "26", "2026-6", "2026-02-30", "2026-06-13 25", "harbour", "2026-06-14..2026-06-13"]
)
def test_what_is_no_day_is_none(text: str) -> None:
    assert parse_time_span(text) is None


def place(number: int, kind: PlaceKind = PlaceKind.DRIVE, state: PlaceState = PlaceState.ACTIVE) -> PlaceRecord:
    return PlaceRecord(number, str(number), str(number), kind, DriveRole.ROAD, state, 0, None, None)


def copy(number: int, verified: int | None = 5, medium: Medium | None = Medium.DIRECT) -> Copy:
    evidence = Evidence(1, verified, medium if verified is not None else None)
    return Copy(number, 1, number, 1, "a", 1, 1, CopyState.PRESENT, evidence)


def test_the_order_in_which_to_fetch() -> None:
    """Each is fetched before the next; the last two are not to be had."""
    order = [
        rank_fetch_source(copy(1, 9 * DAY), place(1), is_connected=True),
        rank_fetch_source(copy(2, 5 * DAY), place(2), is_connected=True),
        rank_fetch_source(copy(3, 9, Medium.CACHED), place(3), is_connected=True),
        rank_fetch_source(copy(4, 9), place(4, state=PlaceState.SHELVED), is_connected=False),
        rank_fetch_source(copy(5, 9), place(5, PlaceKind.OFFSITE), is_connected=False),
        rank_fetch_source(copy(6, None), place(6), is_connected=True),
        rank_fetch_source(copy(7, None), place(7), is_connected=False),
    ]
    assert order == sorted(order, key=lambda rank: rank or ())
    assert None not in order
    assert rank_fetch_source(copy(8), place(8, state=PlaceState.LOST), is_connected=False) is None
    assert rank_fetch_source(copy(9), place(9, state=PlaceState.RETIRED), is_connected=True) is None


@pytest.mark.parametrize("form", ["NFC", "NFD"])
@pytest.mark.parametrize("word", ["fête d’été", "FÊTE", "Été_1", "ÉTÉ_1", "été_1"])
def test_accents_are_found_in_capitals_and_in_either_unicode_form(
    world: World, word: str, form: Literal["NFC", "NFD"]
) -> None:
    """A Mac types names decomposed, and SQLite's own lower() knows A to Z only."""
    card = world.card()
    card.raw("DCIM/100ORREY/Été_1.DNG")
    title = unicodedata.normalize("NFC", "Fête d’Été")
    assert world.run("offload", card.root, "--shoot", title).status == 0
    word = unicodedata.normalize(form, word)
    option = "--shoot" if "_" not in word else "--name"
    for words in ([word], [option, word], [word, "2026-06-13"], [option, word, "--body", "orrery"]):
        assert names(world, *words) == ["Été_1.DNG"], words
    if option == "--shoot":
        assert world.run("handover", word, world.root / "client").status == 0


def test_a_lost_drive_that_is_plugged_in_is_called_lost(after: World) -> None:
    after.run("drives", "lost", "A")
    told = after.run("where", "ORR_0001.DNG").out
    assert "1. drive B, connected" in told
    assert "no: drive A, lost, connected" in told
    assert "stand for themselves" in after.run("where", "ORR_*").out
