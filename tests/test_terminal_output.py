"""What a terminal of 80 columns shows: plain lines that fit, the answer as a word, and no colour needed."""

from __future__ import annotations

import os
import re
import struct
import subprocess
import sys
import threading
import unicodedata
from datetime import timedelta
from pathlib import Path

import pytest
from world import EVENING, World

from tripleguard.cli import _root as root_command
from tripleguard.cli.progress import format_progress
from tripleguard.jobs.progress import LaneProgress, ProgressUpdate
from tripleguard.presentation.words import format_age, format_duration, format_rate, format_size, format_time
from tripleguard.wording import pluralize

if sys.platform == "win32":
    pytest.skip("there are no pseudo-terminals here", allow_module_level=True)

import fcntl
import pty
import termios

COLUMNS = 80
CONTROL = re.compile(r"\x1b(?:\[[0-?]*[ -/]*[@-~]|[@-Z\\-_])")
"""Control sequences: ECMA-48, sections 5.3 and 5.4."""


def on_terminal(
    world: World, *arguments: object, columns: int = COLUMNS, quiet: bool = True, typed: str = ""
) -> tuple[int, str]:
    """Exit status and all that a terminal got, as a person would see it scroll by.

    quiet: progress is not drawn (TERM=dumb), so that each line stands as it was printed. typed: typed ahead.
    """
    master, slave = pty.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    env = {key: value for key, value in os.environ.items() if key not in ("COLUMNS", "LINES", "NO_COLOR")}
    env["TERM"] = "dumb" if quiet else "xterm-256color"
    running = subprocess.Popen(
        world.command_line(*arguments), stdin=slave, stdout=slave, stderr=slave, env=env, close_fds=True
    )
    os.close(slave)
    os.write(master, typed.encode())
    pieces: list[bytes] = []

    def collect() -> None:
        while True:
            try:
                piece = os.read(master, 65536)
            except OSError:
                return
            if not piece:
                return
            pieces.append(piece)

    collecting = threading.Thread(target=collect)
    collecting.start()
    status = running.wait(60)
    collecting.join(10)
    os.close(master)
    return status, b"".join(pieces).decode("utf-8").replace("\r\n", "\n")


def width(line: str) -> int:
    """Cells on a terminal: wide and full-width characters take two (Unicode Standard Annex 11), marks none."""
    return sum(
        0 if unicodedata.combining(char) else 2 if unicodedata.east_asian_width(char) in "WF" else 1
        for char in line
    )


def too_wide(text: str, columns: int = COLUMNS) -> list[str]:
    """Lines that don't fit. One long word, such as a path, stays whole so that it can be copied."""
    found = []
    for line in CONTROL.sub("", text).splitlines():
        if width(line) > columns and " " in line.strip():
            found.append(line)
    return found


def busy(world: World) -> Path:
    """A world with something to tell: an offload that went to one drive, odd things, and a copy gone."""
    card = world.card()
    card.frames(12)
    card.put("DCIM/100ORREY/a long name with many words in it that goes on and on and then some more.jpg", b"x")
    card.frames(1, first=1, folder="DCIM/101ORREY", taken=EVENING + timedelta(days=1))
    world.run("offload", card.root, "--shoot", "a rather long name for a show in the old town hall")
    (card.root / "a link somewhere").symlink_to("nowhere")
    card.frames(5, first=50)
    next(world.drives["A"].rglob("ORR_0003.DNG")).unlink()
    return card.root


def test_every_answer_fits_a_terminal_of_eighty_columns(world: World) -> None:
    card = busy(world)
    for command in (
        ("clearance", "card", card),
        ("offload", card),
        ("drives",),
        ("report",),
        ("log",),
        ("where", "ORR"),
        ("forecast",),
        ("quarantine",),
        ("quarantine", "empty", "--drive", "A", "--older-than", "0d", "--dry-run"),
        ("topup",),
        ("offload", world.root / "nowhere"),
        ("where", "no such name"),
    ):
        status, text = on_terminal(world, *command)
        assert status in (0, 1, 2), text
        assert too_wide(text) == [], command
        assert "\x1b" not in text


@pytest.mark.parametrize("name", [None, *root_command.list_commands(None)])  # type: ignore[arg-type]
def test_every_help_fits_a_terminal_of_eighty_columns(bare: World, name: str | None) -> None:
    status, text = on_terminal(bare, *([name] if name else []), "--help")
    assert status == 0
    assert "Usage: " in text
    assert too_wide(text) == []


def test_wide_characters_are_counted_by_their_cells(world: World) -> None:
    card = world.card()
    card.frames(2)
    _, text = on_terminal(
        world,
        "offload",
        card.root,
        "--shoot",
        "写真 展覧会 東京 夜 公演 最終日 アンコール 打ち上げ 翌朝 帰り道 港",
    )
    assert "YES" in text
    assert too_wide(text) == []


def test_progress_is_drawn_on_a_terminal_and_leaves_the_answer_standing(world: World) -> None:
    card = world.card()
    card.frames(30, size=1 << 19)
    status, text = on_terminal(world, "offload", card.root, quiet=False)
    assert status == 0
    assert "offload: " in text
    assert too_wide(text) == []
    assert text.rstrip().splitlines()[-1].strip()
    assert "YES: " in CONTROL.sub("", text)


@pytest.mark.parametrize("loud", [{}, {"FORCE_COLOR": "1", "CLICOLOR_FORCE": "1", "TERM": "xterm-256color"}])
def test_a_pipe_gets_plain_text_whatever_the_terminal(world: World, loud: dict[str, str]) -> None:
    card = busy(world)
    for command in (("offload", card), ("report",), ("drives",), ("log",), ("--help",), ("offload", "nowhere")):
        done = world.process(*command, env=loud)
        assert b"\x1b" not in done.stdout + done.stderr
        assert done.stdout or done.stderr


def test_a_piped_line_is_left_in_one_piece(world: World) -> None:
    """A program reads one fact a line."""
    card = world.card()
    card.frames(1)
    done = world.process(
        "offload", card.root, "--shoot", "a rather long name for a show in the old town hall tonight"
    )
    assert b"\nYES: this card may be reformatted. 1 file, each verified on its drives.\n" in done.stdout


def test_the_answer_is_a_word_and_comes_first(world: World) -> None:
    card = world.card()
    card.frames(3)
    for command in (("offload", card.root), ("clearance", "card", card.root)):
        answer = world.run(*command)
        words = [line.split(":")[0] for line in answer.out.splitlines() if re.match(r"(YES|NO)\b", line)]
        assert (answer.status, words) == (0, ["YES"])
    assert world.run("clearance", "card", card.root).out.startswith("YES: this card may be reformatted.")
    card.frames(1, first=9)
    answer = world.run("clearance", "card", card.root)
    assert answer.status == 1
    assert answer.out.startswith("NO: do not reformat this card. 3 of 4 files are safe.")
    assert not re.search(r"^YES", answer.out, re.MULTILINE)


def test_a_no_says_why_which_files_and_what_to_do(world: World) -> None:
    card = world.card()
    card.frames(5)
    world.unplug("B")
    lines = world.run("offload", card.root).out.splitlines()
    at = next(number for number, line in enumerate(lines) if line.startswith("NO: "))
    assert "Why: 5 files are on one drive only: connect the second drive" in lines[at + 1]
    assert [line.strip() for line in lines[at + 2 : at + 5]] == [
        f"DCIM/100ORREY/ORR_000{n}.DNG" for n in (1, 2, 3)
    ]
    assert lines[at + 5].strip() == "and 2 more"


def test_a_yes_never_goes_without_its_caution(world: World) -> None:
    card = world.card()
    card.frames(1)
    for command in (("offload", card.root), ("clearance", "card", card.root)):
        assert "Two drives in one bag are lost together" in world.run(*command).out


@pytest.mark.parametrize("columns", [20, 40, 80, 200])
def test_progress_lines_are_cut_to_any_terminal(columns: int) -> None:
    lanes = (LaneProgress("A rather long name of a drive", 10**12, 10**11, True), LaneProgress("B", 0, 0, False))
    moved = ProgressUpdate("offload", 4_999, 5_000, 10**11, 2 * 10**11, 1.5e8, 700.0, lanes)
    lines = format_progress(moved, columns)
    assert all(len(line) <= columns for line in lines)
    if columns == 200:
        assert lines == [
            "offload: 4,999 of 5,000 files, 100 GB of 200 GB (50%)",
            "  150 MB/s, 12 min left",
            "  A rather long name of a drive: 1.0 TB written, 100 GB read back",
            "  B: not taking part any more",
        ]
    assert format_progress(ProgressUpdate("listing the card", 0, 0, 0, 0, 0.0, None), columns)


@pytest.mark.parametrize(
    ("bytes_", "words"),
    [
        (0, "0 B"),
        (999, "999 B"),
        (1000, "1.0 kB"),
        (99_949, "99.9 kB"),
        (99_951, "100 kB"),
        (999_499, "999 kB"),
        (999_500, "1.0 MB"),
        (22_000_000, "22.0 MB"),
        (99_000_000_000, "99.0 GB"),
        (2_000_000_000_000, "2.0 TB"),
        (5_000_000_000_000_000, "5000 TB"),
    ],
)
def test_sizes_are_decimal_as_drives_are_sold(bytes_: int, words: str) -> None:
    assert format_size(bytes_) == words


def test_other_words_for_people() -> None:
    assert format_rate(148_000_000.7) == "148 MB/s"
    assert [format_duration(seconds) for seconds in (0, 1.4, 89.4, 90, 5369, 5400, 7800)] == [
        "0 s",
        "1 s",
        "89 s",
        "2 min",
        "89 min",
        "1 h 30 min",
        "2 h 10 min",
    ]
    assert (pluralize(1, "file"), pluralize(2114, "file"), pluralize(2, "copy", "copies")) == (
        "1 file",
        "2,114 files",
        "2 copies",
    )
    assert format_time(None, None) == format_age(None, 5) == "never"
    hour = 3_600_000_000_000
    assert format_age(10 * hour, 5 * hour) == "just now", "a clock that was set back makes nothing old"
    assert format_age(0, hour * 5) == "5 hours ago"
    assert format_age(0, hour * 24 * 3) == "3 days ago"
