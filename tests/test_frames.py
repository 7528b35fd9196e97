"""A card is missing, and the tool says so before another one is emptied: card after card, night after night."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from datetime import datetime, timedelta

import pytest
from world import CARD_FOLDERS, EVENING, SERIAL, CardFolder, World, finished

from tripleguard.catalog.frame_counts import NEW_DAYS_SQL
from tripleguard.jobs.cards.import_from_folder import import_from_folder
from tripleguard.jobs.drives import open_drives, select_writable_drives
from tripleguard.jobs.queries.report_query import build_report
from tripleguard.model import Entry
from tripleguard.places.card import open_card
from tripleguard.places.stable_folder import open_stable_folder
from tripleguard.watch.card_tasks import process_card
from tripleguard.watch.morning_report import actionable_lines
from tripleguard.watch.queue import TaskKind, WatchTask

pytestmark = pytest.mark.alone

FRAME = timedelta(seconds=20)
OTHER = "40017732"


def shot(card: CardFolder, first: int, last: int, at: datetime = EVENING, serial: str = SERIAL) -> CardFolder:
    """Frames with these numbers, one every 20 seconds: number 1 is shot at the beginning of the evening."""
    for number in range(first, last + 1):
        card.picture(f"DCIM/100ORREY/ORR_{number:04d}.JPG", taken=at + number * FRAME, serial=serial)
    return card


def offloaded(world: World, card: CardFolder, *options: str) -> dict[str, object]:
    answer = world.run("offload", card.root, *options, "--json")
    assert answer.status in (0, 1), answer.err
    return answer.json


def open_now(world: World) -> list[tuple[str, int]]:
    return [(one["verdict"], one["frames"]) for one in world.run("report", "--json").json["numbers"]["open"]]


def test_a_card_that_was_forgotten_is_told_before_any_other_is_emptied(world: World) -> None:
    first, third = shot(world.card("1"), 1, 6), shot(world.card("3"), 30, 35)
    world.run("offload", first.root)
    told = world.run("offload", third.root)
    warning, _, answer = told.out.partition("YES: this card may be reformatted")
    assert told.status == 0  # this card is safe; the other one is not here
    assert answer
    assert "BEFORE YOU EMPTY ANY CARD: a card may be missing." in warning
    assert (
        "Body Orrery R7 7731: 23 frames between 21:32 and 21:40, ORR 0007 to 0029, are on no card seen" in warning
    )
    assert "a card may be missing" in world.run("clearance", "card", first.root).out
    assert world.run("report").status == 1
    assert "ORR 0007 to 0029" in world.run("report").out
    assert "a card may be missing: Body Orrery R7" in world.run("log").out
    kept = next(world.drives["A"].glob("2026/*/clearance-*.txt")).parent.glob("clearance-*.txt")
    assert any("ORR 0007 to 0029" in path.read_text() for path in kept)


def test_it_goes_by_itself_when_the_card_turns_up(world: World) -> None:
    for name, first, last in (("1", 1, 6), ("3", 30, 35), ("2", 7, 29)):
        found = offloaded(world, shot(world.card(name), first, last))
    assert found["numbers"]["open"] == []  # type: ignore[index]
    assert world.run("report").status == 0
    assert world.run("frames").out.splitlines()[:2] == [
        "Night of 2026-06-13: 3 cards",
        "Body Orrery R7 7731: 35 frames on 3 cards, ORR 0001 to 0035",
    ]


def test_how_many_cards_there_were_finds_the_last_one(world: World) -> None:
    assert (
        "Cards of 2026-06-13: 1 of 3 seen"
        in world.run("offload", shot(world.card("1"), 1, 6).root, "--cards", 3).out
    )
    found = offloaded(world, shot(world.card("2"), 7, 12))
    assert open_now(world) == [("a card may be missing", 1)]
    assert found["numbers"]["nights"] == [  # type: ignore[index]
        {"day": "2026-06-13", "cards": 2, "readings": 2, "told": 3}
    ]
    offloaded(world, shot(world.card("3"), 13, 18))
    assert open_now(world) == []


def test_once_all_cards_are_here_the_ones_beside_a_hole_are_kept_until_it_is_explained(world: World) -> None:
    first, third = shot(world.card("1"), 1, 6), shot(world.card("3"), 30, 35)
    offloaded(world, first)
    assert offloaded(world, third, "--cards", "2")["clearance"]["answer"] == "no"  # type: ignore[index]
    answer = world.run("clearance", "card", first.root, "--json")
    assert (answer.status, answer.json["covered"], answer.json["files"]) == (1, 6, 6)
    assert [reason["kind"] for reason in answer.json["reasons"]] == ["frames missing"]
    assert "ask a recovery service" in answer.json["numbers"]["open"][0]["next_step"]
    number = answer.json["numbers"]["open"][0]["number"]
    assert world.run("frames", "close", number, "--because", "formatted after the sound check").status == 0
    assert world.run("clearance", "card", first.root).status == 0
    assert "formatted after the sound check" in world.run("log").out
    # Looking again does not ask again.
    offloaded(world, third)
    assert open_now(world) == []
    assert world.run("frames", "close", number, "--because", "again").status == 2


def test_hundreds_of_frames_gone_from_inside_a_card_keep_it(world: World) -> None:
    card = shot(shot(world.card(), 1, 3), 300, 303)
    found = offloaded(world, card)
    assert found["clearance"]["answer"] == "no"  # type: ignore[index]
    number = found["numbers"]["open"][0]["number"]  # type: ignore[index]
    world.run("frames", "close", number, "--because", "a rehearsal, deleted")
    assert world.run("clearance", "card", card.root).status == 0


def test_the_first_card_of_a_night_is_held_against_the_last_number_of_the_one_before(world: World) -> None:
    tomorrow = EVENING + timedelta(days=1)
    offloaded(world, shot(world.card("0"), 1, 6))
    offloaded(world, shot(world.card("2"), 107, 112, tomorrow))
    assert open_now(world) == [("a card may be missing", 100)]
    assert "between 2026-06-13 21:32 and 22:05" in world.run("report").out
    offloaded(world, shot(world.card("1"), 7, 106, tomorrow))
    assert open_now(world) == []


def test_yesterdays_card_that_comes_late_settles_tonights_too(world: World) -> None:
    tomorrow = EVENING + timedelta(days=1)
    offloaded(world, shot(world.card("1"), 1, 6))
    offloaded(world, shot(world.card("3"), 207, 212, tomorrow))
    assert open_now(world) == [("a card may be missing", 200)]
    offloaded(world, shot(world.card("2"), 7, 206))
    assert open_now(world) == []


def test_a_mirrored_second_card_and_a_second_offload_change_nothing(world: World) -> None:
    card, mirror = shot(world.card("a"), 1, 6), world.card("b")
    for path in card.root.rglob("*.JPG"):
        mirror.put(str(path.relative_to(card.root)), path.read_bytes())
    for one in (card, mirror, card):
        offloaded(world, one)
    assert open_now(world) == []
    assert world.run("frames", "--json").json["night"] == {
        "day": "2026-06-13",
        "cards": 1,
        "readings": 3,
        "told": None,
    }


def test_an_offload_that_was_stopped_and_run_again_counts_its_card_once(world: World) -> None:
    card = shot(world.card("1"), 1, 40)
    running = subprocess.Popen(
        world.command_line("offload", card.root), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    running.kill()
    running.wait()
    offloaded(world, card)
    offloaded(world, shot(world.card("2"), 41, 46))
    assert open_now(world) == []
    assert world.run("frames", "--json").json["night"]["cards"] == 2


def test_two_bodies_count_for_themselves(world: World) -> None:
    offloaded(world, shot(world.card("a"), 1, 6))
    offloaded(world, shot(world.card("b"), 2001, 2006, EVENING - 2000 * FRAME, serial=OTHER))
    assert open_now(world) == []
    bodies = world.run("frames", "--json").json["bodies"]
    assert [(one["body"], one["frames"]) for one in bodies] == [("Orrery R7 7731", 6), ("Orrery R7 7732", 6)]


def test_bodies_without_a_serial_are_told_apart_by_their_names_or_not_compared(world: World) -> None:
    """Two old bodies of one model: K1 shot 1 to 6, K2 30 to 35. As one body, a card would be missing."""
    first, second = shot(world.card("1"), 1, 6, serial=""), shot(world.card("2"), 30, 35, serial="")
    offloaded(world, first)
    offloaded(world, second)
    assert open_now(world) == []
    assert "writes no serial" in world.run("frames").out
    offloaded(world, first, "--body", "K1")
    said = world.run("offload", second.root, "--body", "K2")
    assert "2026" in said.out
    assert {one["body"] for one in world.run("frames", "--json").json["bodies"]} == {"K1", "K2"}
    offloaded(world, shot(world.card("3"), 36, 41, serial=""), "--body", "K2")
    assert open_now(world) == []
    assert list(world.drives["A"].glob("2026/*/K2/ORR_0036.JPG"))
    # The wrong name is told, and nothing is merged.
    wrong = world.run("offload", second.root, "--body", "K1")
    assert "6 files are known as shot with body K2, not K1" in wrong.err
    assert world.run("offload", second.root, "--body", "a/b").status == 2


def test_the_only_body_of_a_model_without_serials_is_named_in_the_settings(world: World) -> None:
    world.settings('[cameras]\nwithout_serial = {"Orrery R7" = "K2"}\n')
    offloaded(world, shot(world.card("1"), 1, 6, serial=""))
    offloaded(world, shot(world.card("2"), 30, 35, serial=""))
    (one,) = world.run("report", "--json").json["numbers"]["open"]
    assert (one["body"], one["frames"], one["first"], one["last"]) == ("K2", 23, "ORR_0007", "ORR_0029")


def test_a_clock_at_the_factorys_date_does_not_hide_its_card(world: World) -> None:
    factory = datetime(2016, 1, 1, 0, 0)
    offloaded(world, shot(world.card("2"), 7, 29, factory), "--cards", "3")
    offloaded(world, shot(world.card("1"), 1, 6))
    offloaded(world, shot(world.card("3"), 30, 35))
    assert open_now(world) == []
    night = world.run("frames", "--json").json
    assert night["night"] == {"day": "2026-06-13", "cards": 3, "readings": 3, "told": 3}
    assert night["bodies"][0]["frames"] == 35
    # Days later the two are still one night.
    assert world.run("frames", "cards", "3", "--night", "2026-06-13").status == 0
    assert open_now(world) == []


def test_what_was_explained_twice_is_a_habit_of_that_body(world: World) -> None:
    """The frames of every sound check are formatted away: asked twice, and then not again."""
    at = [EVENING + timedelta(days=day) for day in range(4)]
    number = 1
    for day in range(4):
        found = offloaded(world, shot(world.card(str(day)), number, number + 5, at[day]))
        number += 6 + 20 - day
        for one in found["numbers"]["open"]:  # type: ignore[index]
            assert day < 3
            world.run("frames", "close", one["number"], "--because", "sound check")
    assert open_now(world) == []
    kept = world.run("log").out
    assert kept.count("sound check") == 2


def test_a_night_that_is_not_there_is_told(world: World) -> None:
    assert world.run("frames").status == 2
    offloaded(world, shot(world.card(), 1, 6))
    assert world.run("frames", "--night", "2026-06-20").status == 2
    assert world.run("frames", "cards", "3", "--night", "2026-06-20").status == 2


@pytest.mark.skipif(sys.platform == "win32", reason="needs a terminal of its own (pty)")
def test_at_a_terminal_the_number_of_cards_is_asked_once_an_evening(world: World) -> None:
    import pty

    def typed(card: CardFolder, answer: bytes) -> str:
        terminal, inner = pty.openpty()
        try:
            os.write(terminal, answer)
            ended = subprocess.run(
                world.command_line("offload", card.root),
                stdin=inner,
                stdout=subprocess.PIPE,
                stderr=inner,
                env={**os.environ, "TERM": "dumb"},
                timeout=60,
                check=False,
            )
            shown = os.read(terminal, 65536).decode()
        finally:
            os.close(terminal)
            os.close(inner)
        assert ended.returncode == 0
        return shown + ended.stdout.decode()

    # Nobody answers: nothing waits, and the next card is asked about again.
    silent = typed(shot(world.card("0"), 1, 3), b"")
    assert "How many cards did you fill" in silent
    first = typed(shot(world.card("1"), 4, 6), b"3\n")
    assert "How many cards did you fill" in first
    assert "Cards of 2026-06-13: 2 of 3 seen" in first
    second = typed(shot(world.card("2"), 7, 12), b"\n")
    assert "How many cards" not in second
    assert "Cards of 2026-06-13: 3 of 3 seen" in second


def test_what_another_program_put_into_a_folder_fills_a_hole_and_is_no_card(world: World) -> None:
    offloaded(world, shot(world.card("1"), 1, 6))
    offloaded(world, shot(world.card("3"), 30, 35))
    assert open_now(world) == [("a card may be missing", 23)]
    tethered = shot(world.card("tethered"), 7, 29)
    with world.ctx() as ctx:
        drives = select_writable_drives(ctx, ())
        for number in (7, 8):  # in two batches, as they settle
            wanted = {
                entry.path: entry
                for entry in open_card(tethered.root, [], CARD_FOLDERS).entries()
                if isinstance(entry, Entry) and (f"{number:04d}" in entry.path) == (number == 7)
            }
            folder = open_stable_folder(tethered.root, [path for _, path in drives if path], wanted)
            with open_drives(ctx, drives, "a test") as ready:
                finished(import_from_folder(ctx, folder, ready.writable))
    assert open_now(world) == []
    assert world.run("frames", "--json").json["night"]["cards"] == 2


def test_the_watch_tells_of_a_missing_card_with_its_yes(world: World) -> None:
    offloaded(world, shot(world.card("1"), 1, 6))
    card = shot(world.card("3"), 30, 35)
    with world.ctx() as ctx:
        ended = finished(process_card(ctx, WatchTask(TaskKind.CARD, str(card.root))))
    assert ended.notification is not None
    assert "may be reformatted" in ended.notification
    assert "A card may be missing: Body Orrery R7 7731: 23 frames" in ended.notification


def test_the_morning_report_says_that_a_card_may_be_missing(world: World) -> None:
    offloaded(world, shot(world.card("1"), 1, 6))
    offloaded(world, shot(world.card("3"), 30, 35))
    with world.ctx() as ctx:
        (line,) = actionable_lines(build_report(ctx), ctx.clock.now(), 7)
    assert line.startswith("A card may be missing: Body Orrery R7 7731: 23 frames between 21:32 and 21:40")


def test_a_stolen_laptop_does_not_take_the_last_numbers_along(world: World) -> None:
    offloaded(world, shot(world.card("0"), 1, 6))
    shutil.rmtree(world.home)
    assert world.run("rebuild", *world.drives.values()).status == 1
    offloaded(world, shot(world.card("2"), 107, 112, EVENING + timedelta(days=1)))
    assert open_now(world) == [("a card may be missing", 100)]


def test_a_night_is_looked_at_without_going_through_all_that_was_ever_read(world: World) -> None:
    with world.ctx() as ctx:
        plan = [row[3] for row in ctx.catalog.fetch_all(f"EXPLAIN QUERY PLAN {NEW_DAYS_SQL}", 1, 1)]
    assert plan
    assert not [step for step in plan if step.startswith("SCAN")]


def test_a_later_night_does_not_hide_that_a_card_of_an_earlier_one_may_be_missing(world: World) -> None:
    offloaded(world, shot(world.card("1"), 1, 6))
    offloaded(world, shot(world.card("3"), 30, 35))
    offloaded(world, shot(world.card("next"), 36, 40, at=EVENING + timedelta(days=1)))
    asked = world.run("frames")
    assert asked.status == 1
    assert "No frames of this night are missing" in asked.out
    assert "ORR 0007 to 0029" in asked.out
    found = world.run("frames", "--json").json
    assert (found["open"], [one["frames"] for one in found["open_elsewhere"]]) == ([], [23])
    assert world.run("frames", "--night", "2026-06-14").status == 0


def test_a_body_without_a_serial_is_said_at_the_offload_and_not_once_it_has_a_name(world: World) -> None:
    """Two of one model lie in one folder then, and only their owner knows that they are two."""
    nameless = shot(world.card("1"), 1, 3, serial="")
    told = world.run("offload", nameless.root)
    assert "Orrery R7 writes no serial" in told.out + told.err
    told = world.run("offload", shot(world.card("2"), 4, 6, serial="").root, "--body", "K2")
    assert "writes no serial" not in told.out + told.err
    told = world.run("offload", shot(world.card("3"), 4, 6).root)
    assert "writes no serial" not in told.out + told.err


def test_numbers_shows_all_that_is_open_where_other_answers_show_the_first_of_it(world: World) -> None:
    for number, first in enumerate(range(1, 176, 25)):
        offloaded(world, shot(world.card(str(number)), first, first + 2))
    assert len(open_now(world)) == 6
    assert "and 1 more: `tripleguard frames` shows all" in world.run("report").out
    assert world.run("frames").out.count("  Missing:") == 6


def test_how_many_cards_there_were_is_asked_once_where_a_body_ends_early(world: World) -> None:
    offloaded(world, shot(world.card("short"), 1, 70))
    long = shot(world.card("long"), 2001, 2180, EVENING - 2000 * FRAME, serial=OTHER)
    told = offloaded(world, long)
    (asked,) = told["numbers"]["open"]  # type: ignore[index]
    assert asked["verdict"] == "look"
    assert asked["message"].startswith("How many cards did you shoot on 2026-06-13? 2 cards are offloaded so far;")
    assert "tripleguard frames cards NUMBER --night 2026-06-13" in asked["next_step"]
    world.run("frames", "cards", "2", "--night", "2026-06-13")
    assert open_now(world) == []


def split_night(world: World, night: int, *ends: str) -> list[tuple[str, int]]:
    """Thirty frames of a night, raws on one card and JPEGs on another; those with these ends turn up."""
    first = 1 + 30 * night
    for end in ends:
        card = world.card(f"{night}{end}")
        for number in range(first, first + 30):
            path, at = f"DCIM/100ORREY/ORR_{number:04d}.{end}", EVENING + timedelta(days=night) + number * FRAME
            if end == "DNG":
                card.raw(path, taken=at, size=64 << 10)
            else:
                card.picture(path, taken=at)
        offloaded(world, card)
    return open_now(world)


def test_a_jpeg_card_that_stayed_in_the_body_is_missed_because_the_night_before_had_one(world: World) -> None:
    assert split_night(world, 0, "DNG", "JPG") == []
    assert split_night(world, 1, "DNG") == [("look", 30)]
    assert "the JPEGs of 30 frames" in world.run("frames").out
    assert split_night(world, 1, "JPG") == []
    assert split_night(world, 2, "JPG") == [("a card may be missing", 30)]
