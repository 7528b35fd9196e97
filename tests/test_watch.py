"""The watch: a card is plugged in and the photographer goes to bed."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from oracle import Oracle
from sample_files import film
from watch_process import ended, in_reader, logged, plug, set_watch, watching
from world import TestClock, World

from tripleguard.clock import DAY
from tripleguard.digest import compute_digest
from tripleguard.home import create_home, resolve_home
from tripleguard.watch.monitoring import WatchLog

pytestmark = pytest.mark.alone

MIB = 1 << 20


def night_missed(world: World, *what: str) -> None:
    """The watch did these the last time long ago: they are due when it starts."""
    (world.home / "watch").mkdir(exist_ok=True)
    served = {word: TestClock().at - 10 * DAY for word in what}
    (world.home / "watch" / "notes.json").write_text(json.dumps({"served": served}))


@pytest.fixture
def evening(world: World) -> World:
    """Two drives, and two readers where cards are plugged in."""
    set_watch(world, look_also=[str(in_reader(world, name)) for name in ("card", "second")])
    return world


def test_a_card_that_is_plugged_in_is_copied_proved_and_answered_for(evening: World) -> None:
    card = evening.card()
    card.frames(4)
    oracle = Oracle(evening, card.root)
    with watching(evening) as watch:
        watch.until(lambda found: len(found["here"] or []) == 2, "both drives are seen")
        there = plug(evening, card.root)
        oracle.card = there
        found = watch.until_done("card", str(there))
        assert (found["outcome"], "may be reformatted" in found["message"]) == ("done", True)
        assert "4 files" in found["message"]
        watch.until_idle()
        watch.end()
    assert watch.process.returncode == 0
    oracle.finished()
    assert evening.run("clearance", "card", there).status == 0


def test_a_second_watch_of_one_home_is_refused_and_one_that_was_killed_leaves_no_lock(evening: World) -> None:
    with watching(evening) as first:
        first.until_idle()
        second = evening.run("watch")
        assert second.status == 3
        assert f"process {first.process.pid}" in second.err
        assert evening.run("status").status == 0
        first.end(signal.SIGKILL)
    gone = evening.run("status", "--json")
    assert (gone.status, gone.json["running"], gone.json["doing"]) == (1, False, None)
    with watching(evening) as third:
        third.until_idle()
        third.end(signal.SIGINT)
    assert third.process.returncode == 0


@pytest.mark.parametrize("by", [signal.SIGTERM, signal.SIGINT])
def test_it_ends_in_the_middle_of_a_card_and_goes_on_at_the_next_start(evening: World, by: signal.Signals) -> None:
    card = evening.card()
    card.frames(40, size=2 * MIB)
    oracle = Oracle(evening, card.root)
    oracle.card = plug(evening, card.root)
    with watching(evening) as watch:
        watch.until(lambda found: bool(found["doing"]) and found["doing"]["files"] >= 3, "it copies")
        watch.end(by)
        assert watch.process.returncode == 0
    oracle.audit()
    with watching(evening) as watch:
        found = watch.until_done("card")
        assert "may be reformatted" in found["message"]
        watch.end()
    oracle.finished()


def test_with_one_drive_here_the_card_goes_to_it_and_to_the_other_when_that_is_back(evening: World) -> None:
    card = evening.card()
    card.frames(5)
    evening.unplug("B")
    with watching(evening) as watch:
        watch.until(lambda found: len(found["here"] or []) == 1, "drive A is seen")
        there = plug(evening, card.root)
        found = watch.until_done("card")
        assert found["outcome"] == "attention"
        assert "Drive B is not here." in found["message"]
        assert len(evening.on("A")) == 5
        watch.until_idle()
        evening.plug("B")
        watch.until_said("may be reformatted", str(there))
    assert evening.on("B") == evening.on("A")


def test_without_a_drive_the_card_waits_and_the_status_says_so(evening: World) -> None:
    card = evening.card()
    card.frames(2)
    evening.unplug("A")
    evening.unplug("B")
    with watching(evening) as watch:
        plug(evening, card.root)
        found = watch.until(lambda found: bool(found["waiting"]), "the card waits")
        assert found["waiting"][0]["why"] == "no drive is connected"
        assert "no drive is connected" in " ".join(evening.run("status").out.split())
        for name in "AB":
            evening.plug(name)
        watch.until_done("card", patience=20)
    assert len(evening.on("A")) == len(evening.on("B")) == 2


def test_two_cards_in_two_readers_are_both_served(evening: World) -> None:
    cards = [evening.card(name) for name in ("card", "second")]
    for number, card in enumerate(cards):
        card.frames(3, first=1 + 10 * number)
    with watching(evening) as watch:
        there = [plug(evening, card.root) for card in cards]
        for one in there:
            assert "may be reformatted" in watch.until_done("card", str(one))["message"]
    assert len(evening.on("A")) == len(evening.on("B")) == 6


def test_a_card_is_asked_about_anew_at_every_start_and_what_is_gone_is_copied_again(evening: World) -> None:
    card = evening.card()
    card.frames(3)
    card.root = plug(evening, card.root)
    with watching(evening) as watch:
        assert "may be reformatted" in watch.until_done("card")["message"]
        watch.end()
    for name in ("A", "B"):
        for copy in evening.drives[name].rglob("*.DNG"):
            copy.unlink()
    with watching(evening) as watch:
        assert "may be reformatted" in watch.until_done("card")["message"]
        watch.end()
    assert len(evening.on("A")) == len(evening.on("B")) == 3
    card.frames(1, first=4)
    with watching(evening) as watch:
        assert "4 files" in watch.until_done("card")["message"]
    assert len(evening.on("B")) == 4


def test_set_to_ask_it_says_that_a_card_is_here_and_reads_nothing_off_it(evening: World) -> None:
    set_watch(evening, cards="ask", look_also=[str(in_reader(evening, "card"))])
    card = evening.card()
    card.frames(2)
    there = plug(evening, card.root)
    with watching(evening) as watch:
        found = watch.until_done("card")
        assert f"tripleguard offload {there}" in found["message"]
        assert evening.on("A") == {}
        assert evening.run("offload", there).status == 0


def test_set_to_check_the_card_is_read_once_more_before_the_yes(evening: World) -> None:
    set_watch(evening, cards="copy and check", look_also=[str(in_reader(evening, "card"))])
    card = evening.card()
    card.frames(2)
    plug(evening, card.root)
    with watching(evening) as watch:
        assert "may be reformatted" in watch.until_done("card")["message"]
    with evening.ctx() as ctx:
        assert ctx.catalog.fetch_one("SELECT count(*) FROM clearances WHERE answer = 1") == (2,)


def test_a_command_typed_while_a_card_is_copied_says_who_holds_the_drives(evening: World) -> None:
    card, other = evening.card(), evening.card("by-hand")
    card.frames(60, size=4 * MIB)
    other.frames(1)
    with watching(evening) as watch:
        plug(evening, card.root)
        watch.until(lambda found: bool(found["doing"]) and found["doing"]["files"] >= 1, "it copies")
        typed = evening.run("rescan", "--quick")
        if typed.status == 3:
            assert "in use by the watch: offload of" in typed.err
        watch.until_done("card")
        assert evening.run("offload", other.root).status == 0


def test_a_card_waits_for_a_command_that_holds_the_drives(evening: World) -> None:
    card, other = evening.card(), evening.card("by-hand")
    card.frames(3)
    other.frames(40, size=4 * MIB)
    with watching(evening) as watch:
        watch.until_idle()
        typed = subprocess.Popen(
            evening.command_line("offload", other.root), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        while not list(evening.drives["A"].glob(".tripleguard/incoming/*.part")) and typed.poll() is None:
            time.sleep(0.005)
        plug(evening, card.root)
        watch.until_done("card", patience=60)
        assert typed.wait(60) == 0
        told = [one["message"] for one in ended(watch.status(), "card")]
        assert "may be reformatted" in told[0]
    assert len(evening.on("B")) == 43


def test_selects_are_sent_offsite_by_themselves(evening: World) -> None:
    offsite = evening.folder("offsite")
    assert evening.run("setup", "--offsite", offsite.as_uri()).status == 0
    card = evening.card()
    card.frames(4)
    assert evening.run("offload", card.root).status == 0
    assert evening.run("selects", "add", "ORR_0002", "ORR_0004").status in (0, 1)
    with watching(evening) as watch:
        found = watch.until_done("upload")
        assert "2 files sent and proved; nothing is owed offsite" in found["message"]
        watch.until_idle()
    assert evening.run("upload", "--json").json["still_owed"] == 0


def test_the_third_place_is_looked_at_every_night_too(evening: World) -> None:
    """What was sent and is wrong there is told; without a place offsite there is no such errand."""
    offsite = evening.folder("offsite")
    assert evening.run("setup", "--offsite", offsite.as_uri()).status == 0
    card = evening.card()
    card.frames(3)
    assert evening.run("offload", card.root).status == 0
    assert evening.run("selects", "add", "ORR_0001", "ORR_0002", "ORR_0003").status in (0, 1)
    assert evening.run("upload").status == 0
    there = sorted(offsite.rglob("*.DNG"))
    there[0].unlink()
    content = there[1].read_bytes()
    there[1].write_bytes(content[:-1] + bytes([content[-1] ^ 1]))
    night_missed(evening, "offsite rescan")
    with watching(evening) as watch:
        # The upload may have seen first what is missing: it lists what is there before it says that all is.
        watch.until_done("offsite rescan")
        assert "offsite rescan" in {one["what"] for one in watch.status()["next"]}
        sent = "2 files sent and proved; nothing is owed offsite"
        watch.until(
            lambda found: any(sent in one["message"] for one in ended(found, "upload")), "they are sent again"
        )
        watch.until_idle()
    whole = set(evening.on("A").values())
    assert whole <= {compute_digest(path.read_bytes()) for path in offsite.rglob("*.DNG")}
    assert there[1].read_bytes()[-1] == content[-1] ^ 1, "what is bad there stays under its key"


@pytest.mark.slow
def test_a_typed_command_has_the_right_of_way_over_the_nights_reading(evening: World) -> None:
    card = evening.card()
    card.put("PRIVATE/CLIP/C0001.MP4", film(sound=os.urandom(200 * MIB)))
    weeks_ago = TestClock()
    weeks_ago.at -= 40 * DAY
    assert evening.offload_job(card.root, clock=weeks_ago).clearance.is_yes
    night_missed(evening, "rescan")
    with watching(evening) as watch:
        watch.until(lambda found: bool(found["doing"]) and found["doing"]["what"] == "rescan", "it reads")
        typed = evening.run("rescan", "--quick")
        assert typed.status == 0, typed.err
        assert "gives way" in watch.log()
        done = watch.until_done("rescan", number=2)
        assert (done["outcome"], "2 read back" in done["message"] or "1 read back" in done["message"]) == (
            "done",
            True,
        )


def test_a_night_that_was_slept_through_is_caught_up_at_the_start(evening: World) -> None:
    card = evening.card()
    card.frames(2)
    assert evening.run("offload", card.root).status == 0
    night_missed(evening, "quick rescan", "drill")
    with watching(evening) as watch:
        assert "2 copies looked at, nothing new" in watch.until_done("quick rescan")["message"]
        assert "4 copies restored and compared, 0 failed" in watch.until_done("drill")["message"]
        watch.until_idle()
        watch.end()
    with watching(evening) as watch:
        watch.until_idle()
        assert ended(watch.status(), "quick rescan") == []
        assert {one["what"] for one in watch.status()["next"]} == {
            "top-up",
            "quick rescan",
            "rescan",
            "report",
            "drill",
        }


def test_the_log_is_one_object_a_line_and_shows_no_name_as_it_is(evening: World) -> None:
    card = evening.card()
    card.frames(1)
    (card.root / "DCIM" / "100ORREY" / "a\x1b[31m\u202eb.JPG").symlink_to("/etc/passwd")
    plug(evening, card.root)
    with watching(evening) as watch:
        assert watch.until_done("card")["outcome"] == "attention"
    lines = logged(evening)
    assert {"at", "level", "line"} <= set(lines[0])
    assert "\x1b" not in json.dumps(lines, ensure_ascii=False)


def test_the_log_is_bounded(here: Path) -> None:
    home = resolve_home(str(here / "home"))
    create_home(home)
    journal = WatchLog(home, TestClock(), to_stderr=False)
    for number in range(16_000):
        journal.info(f"line {number} " + "x" * 400)
    journal.close()
    kept = sorted((home.watch).glob("log.jsonl*"))
    assert len(kept) == 5
    assert sum(path.stat().st_size for path in kept) < 5_100_000
    assert "line 15999 " in (home.watch / "log.jsonl").read_text()


def test_a_folder_that_is_no_card_and_a_drive_of_somebody_else_are_none_of_our_business(evening: World) -> None:
    plain = evening.folder("plain")
    (plain / "letters").mkdir()
    strange = World(evening.folder("other-world"))
    strange.setup("C", "D")
    set_watch(evening, look_also=[str(plain), str(strange.drives["C"])])
    (strange.drives["C"] / "DCIM").mkdir()
    with watching(evening) as watch:
        found = watch.until(lambda found: len(found["here"] or []) >= 2, "the drives are seen")
        time.sleep(1.5)
        found = watch.status()
        assert {(one["kind"], Path(one["path"]).name) for one in found["here"]} == {
            ("drive", "drive-a"),
            ("drive", "drive-b"),
        }


def test_status_without_a_home_says_that_nothing_runs(bare: World) -> None:
    answer = bare.run("status")
    assert (answer.status, "does not run" in answer.out) == (1, True)
    assert not bare.home.exists()
    assert set(bare.run("status", "--json").json) >= {"running", "doing", "waiting", "last", "here", "next"}


@pytest.mark.skipif(sys.platform == "win32", reason="needs POSIX permissions")
def test_what_the_watch_keeps_is_for_the_photographer_alone(evening: World) -> None:
    with watching(evening) as watch:
        watch.until_idle()
    assert os.stat(evening.home / "watch").st_mode & 0o077 == 0
