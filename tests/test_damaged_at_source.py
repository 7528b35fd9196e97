"""The card holds a picture that is broken already: it is copied, it is told, and the card is kept."""

from __future__ import annotations

import json
import random
import sqlite3
from pathlib import Path

import pytest
from sample_files import CUT_SAMPLES, coded, film, picture, raw, sample
from world import CardFolder, World, contents

from tripleguard.cameras.integrity import checker
from tripleguard.catalog.integrity import MIN_FILES_FOR_QUIRK
from tripleguard.digest import compute_digest
from tripleguard.jobs.integrity import format_damage, format_uncheckable, summarize_card


def cut_raw(card: CardFolder, number: int = 9) -> Path:
    """A raw that the card lost the end of."""
    path = card.raw(f"DCIM/100ORREY/ORR_{number:04d}.DNG")
    path.write_bytes(path.read_bytes()[:40_000])
    return path


def kinds(answer: object) -> set[str]:
    assert isinstance(answer, dict)
    return {reason["kind"] for reason in answer["reasons"]}


def test_a_picture_that_was_cut_on_the_card_is_copied_told_and_keeps_the_card(world: World) -> None:
    card = world.card()
    card.frames(3)
    cut = cut_raw(card)
    answer = world.run("offload", card.root, "--json")
    assert answer.status == 1
    found = answer.json
    assert (found["copied"], found["verified"], found["not_copied"]) == (4, {"A": 4, "B": 4}, [])
    assert compute_digest(cut.read_bytes()) in world.on("A").values()
    assert (found["whole"]["clean"], len(found["whole"]["damaged"])) == (3, 1)
    damaged = found["whole"]["damaged"][0]
    assert (damaged["path"], damaged["verdict"]) == ("DCIM/100ORREY/ORR_0009.DNG", "broken")
    assert "cut short" in damaged["reason"]
    assert (found["clearance"]["covered"], kinds(found["clearance"])) == (3, {"damaged"})
    told = world.run("offload", card.root).out
    for word in ("another reader", "recovery service", "--accept-damaged", "ORR_0009.DNG"):
        assert word in told
    report = world.run("report", "--json")
    assert report.status == 1
    finding = next(one for one in report.json["findings"] if one["kind"] == "damaged at source")
    assert (finding["severity"], finding["place"], finding["count"]) == ("now", None, 1)
    assert finding["digest"] == compute_digest(cut.read_bytes()).hex()


@pytest.mark.parametrize("how", ["offload", "clearance"])
def test_who_lives_with_it_says_so_once_and_it_is_recorded(world: World, how: str) -> None:
    card = world.card()
    card.frames(2)
    cut_raw(card)
    assert world.run("offload", card.root).status == 1
    assert world.run("clearance", "card", card.root).status == 1
    command = ("offload", card.root) if how == "offload" else ("clearance", "card", card.root)
    answer = world.run(*command, "--accept-damaged", "--json")
    assert answer.status == 0, answer.out
    clearance = answer.json["clearance"] if how == "offload" else answer.json
    assert {note["kind"] for note in clearance["notes"]} >= {"damage accepted"}
    assert "--accept-damaged for the card at" in world.run("log").out
    record = next(world.drives["A"].glob("2026/*/clearance-*.txt")).read_text()
    assert "damaged    1 file is damaged at source, and that was accepted" in record
    assert world.run("report", "--json").json["findings"] == []
    assert world.run("clearance", "card", card.root).status == 0


def test_living_with_it_is_recorded_only_where_it_makes_a_yes(world: World) -> None:
    card = world.card()
    card.frames(2)
    cut_raw(card)
    assert world.run("offload", card.root, "--drive", "A", "--accept-damaged").status == 1
    assert "was accepted" not in world.run("log").out
    assert world.run("offload", card.root).status == 1


def test_a_finding_of_this_kind_is_accepted_by_its_number_and_not_closed_by_a_rescan(world: World) -> None:
    card = world.card()
    card.frames(2)
    cut_raw(card)
    world.run("offload", card.root)
    world.run("rescan", "--all")
    number = next(
        one["number"]
        for one in world.run("findings", "--json").json["findings"]
        if one["kind"] == "damaged at source"
    )
    assert world.run("findings", "accept", number, "--because", "the lens cap was on").status == 0
    assert world.run("offload", card.root).status == 0


def test_a_hole_of_zeros_makes_a_card_suspicious(world: World) -> None:
    card = world.card()
    card.frames(1)
    content = bytearray(raw(size=1 << 20))
    content[600 << 10 : 680 << 10] = bytes(80 << 10)
    card.put("DCIM/100ORREY/ORR_0005.DNG", bytes(content))
    answer = world.run("offload", card.root, "--json").json
    assert kinds(answer["clearance"]) == {"suspicious"}
    assert answer["whole"]["damaged"][0]["reason"].startswith("81,920 bytes of its image data")
    assert world.run("report", "--json").json["findings"][0]["severity"] == "soon"


def test_a_good_copy_of_a_broken_picture_mends_nothing_and_harms_nothing(world: World) -> None:
    card = world.card()
    cut_raw(card)
    before = card.digests()
    world.run("offload", card.root)
    world.run("repair")
    assert card.digests() == before
    assert set(before.values()) <= set(contents(world.drives["A"]).values())


def odd_raw(number: int) -> bytes:
    """A raw whose maker writes one senseless directory into each: it names a second main one of no entries."""
    content = bytearray(raw(number, 80 << 10))
    entries = int.from_bytes(content[8:10], "little")
    at = 10 + 12 * entries
    # The chain's next directory: where two zeros are, which make a directory of no entries.
    zeros = content.index(b"\0\0\0\0", at + 8)
    content[at : at + 4] = zeros.to_bytes(4, "little")
    return bytes(content)


def test_what_nearly_all_files_of_a_model_have_is_told_once_and_is_no_damage(world: World) -> None:
    card = world.card()
    for number in range(MIN_FILES_FOR_QUIRK - 1):
        card.put(f"DCIM/100ORREY/ORR_{number + 1:04d}.DNG", odd_raw(number))
    first = world.run("offload", card.root, "--json").json
    assert kinds(first["clearance"]) == {"suspicious"}
    assert len(first["whole"]["damaged"]) == MIN_FILES_FOR_QUIRK - 1
    report = world.run("report", "--json").json
    assert [one["count"] for one in report["findings"]] == [MIN_FILES_FOR_QUIRK - 1], "many alike are one line"
    card.put(f"DCIM/100ORREY/ORR_{MIN_FILES_FOR_QUIRK:04d}.DNG", odd_raw(MIN_FILES_FOR_QUIRK))
    second = world.run("offload", card.root)
    assert second.status == 0, second.out
    assert second.out.count("taken for their maker's way") == 1
    assert world.run("report", "--json").json["findings"] == []
    # And a file that is broken besides is still found.
    broken = odd_raw(77)[:50_000]
    card.put("DCIM/100ORREY/ORR_0077.DNG", broken)
    third = world.run("offload", card.root, "--json").json
    assert (kinds(third["clearance"]), len(third["whole"]["damaged"])) == ({"damaged"}, 1)


def test_a_habit_that_turns_out_to_be_none_is_damage_again(world: World) -> None:
    card = world.card()
    for number in range(MIN_FILES_FOR_QUIRK):
        card.put(f"DCIM/100ORREY/ORR_{number + 1:04d}.DNG", odd_raw(number))
    assert world.run("offload", card.root).status == 0
    for number in range(MIN_FILES_FOR_QUIRK, MIN_FILES_FOR_QUIRK + 10):
        card.put(f"DCIM/100ORREY/ORR_{number + 1:04d}.DNG", raw(number, 80 << 10))
    found = world.run("offload", card.root, "--json").json
    assert kinds(found["clearance"]) == {"suspicious"}
    assert len(found["whole"]["damaged"]) == MIN_FILES_FOR_QUIRK


def test_holes_in_most_files_of_a_model_are_a_failing_card_and_no_habit(world: World) -> None:
    card = world.card()
    for number in range(MIN_FILES_FOR_QUIRK + 5):
        content = bytearray(raw(number, 200 << 10))
        at = 20_000 + 512 * random.Random(number).randrange(100)
        content[at : at + 30_000] = bytes(30_000)
        card.put(f"DCIM/100ORREY/ORR_{number + 1:04d}.DNG", bytes(content))
    found = world.run("offload", card.root, "--json").json
    assert kinds(found["clearance"]) == {"suspicious"}
    assert len(found["whole"]["damaged"]) == MIN_FILES_FOR_QUIRK + 5


def test_a_fault_of_this_program_stops_no_offload(world: World, monkeypatch: pytest.MonkeyPatch) -> None:
    def stumble(*_: object) -> None:
        raise RuntimeError("a bug")

    monkeypatch.setitem(checker.WALKS, "TIFF", stumble)
    monkeypatch.setattr("tripleguard.jobs.integrity.read_image_info", stumble)
    card = world.card()
    card.frames(2)
    card.put("DCIM/100ORREY/ORR_0003.JPG", picture())
    found = world.run("offload", card.root, "--json").json
    assert (found["copied"], kinds(found["clearance"])) == (3, {"could not be checked"})
    accepted = world.run("clearance", "card", card.root, "--accept-damaged", "--json").json
    assert accepted["answer"] == "yes", "what was copied and read back is safe for a person who lives with it"
    assert (found["whole"]["clean"], found["whole"]["not_checkable"]) == (1, 2)


def test_a_catalog_from_before_the_looks_learns_them_from_the_next_question(world: World) -> None:
    card = world.card()
    card.frames(2)
    cut_raw(card)
    world.run("offload", card.root)
    connection = sqlite3.connect(world.home / "catalog.db")
    connection.executescript("DELETE FROM flaws; DELETE FROM integrity_checks; DELETE FROM findings;")
    connection.close()
    answer = world.run("clearance", "card", card.root, "--json")
    assert (answer.status, kinds(answer.json)) == (1, {"damaged"})


def test_size_turn_and_stars_are_kept(world: World) -> None:
    card = world.card()
    card.put("DCIM/100ORREY/ORR_0001.JPG", picture(width=640, height=424))
    card.put("PRIVATE/CLIP/C0001.MP4", film())
    world.run("offload", card.root)
    connection = sqlite3.connect(world.home / "catalog.db")
    rows = connection.execute(
        "SELECT width, height, orientation, rating, verdict FROM integrity_checks ORDER BY width"
    ).fetchall()
    connection.close()
    clean = "clean as far as can be told"
    assert rows == [(None, None, None, None, clean), (640, 424, 1, None, clean)]


def test_kinds_that_nobody_can_check_are_counted_by_name_and_other_doubts_apart(world: World) -> None:
    card = world.card()
    card.frames(1)
    card.put("DCIM/100ORREY/ORR_0002.JXL", b"\xff\x0a" + coded(3000, 1))
    card.put("DCIM/100ORREY/ORR_0003.JXL", b"\xff\x0a" + coded(3000, 2))
    card.put("DCIM/100ORREY/ORR_0004.FPX", bytes.fromhex("d0cf11e0a1b11ae1") + coded(3000, 3))
    many = picture()[:2] + b"\xff\xfe\0\2" * 5000 + picture()[2:]
    card.put("DCIM/100ORREY/ORR_0005.JPG", many)
    world.run("offload", card.root)
    with world.ctx() as ctx:
        job = ctx.catalog.fetch_one("SELECT max(job_id) FROM card_files")
        assert job is not None
        whole = summarize_card(ctx, job[0])
    assert (whole.uncheckable, whole.unchecked, whole.unchecked_checkable) == ((("JXL", 2), ("FPX", 1)), 4, 1)
    assert format_uncheckable(whole.uncheckable) == "3 files of kinds that can't be checked: JXL, FPX"


@pytest.mark.parametrize(
    ("files", "damaged", "sentence"),
    [
        (1, 0, "1 file copied twice"),
        (11, 6, "11 files copied twice, 6 may be damaged as the card gave them"),
        (2, 1, "2 files copied twice, 1 may be damaged as the card gave it"),
    ],
)
def test_a_damaged_file_is_said_to_be_copied(files: int, damaged: int, sentence: str) -> None:
    assert format_damage(files, damaged) == sentence


@pytest.mark.parametrize(
    ("kinds", "sentence"),
    [
        ([], ""),
        ([("JXL", 1)], "1 file of a kind that can't be checked: JXL"),
        (
            [(f"K{n}", 1) for n in range(8)],
            "8 files of kinds that can't be checked: K0, K1, K2, K3, K4, K5 and 2 more",
        ),
    ],
)
def test_kinds_that_can_not_be_checked_are_named(kinds: list[tuple[str, int]], sentence: str) -> None:
    assert format_uncheckable(kinds) == sentence


@pytest.mark.parametrize("name", CUT_SAMPLES)
def test_the_beginnings_of_real_raws_are_found_on_a_card(world: World, name: str) -> None:
    card = world.card()
    card.put(f"DCIM/100ORREY/{name}", sample(name))
    answer = world.run("offload", card.root, "--json")
    assert answer.status == 1
    assert kinds(answer.json["clearance"]) == {"damaged"}
    assert json.loads(answer.out)["copied"] == 1
