"""Play an evening through with the real commands, for somebody who has never seen them.

One plain line introduces each command; then follow the command as a person would type it, and its real output.
Each output is checked, and the first unexpected one ends the demo with an error. At the end every picture on the
cards is compared with both drives, without using the tool.
"""

from __future__ import annotations

import hashlib
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from tripleguard import checklist
from tripleguard.demo import tour as tours
from tripleguard.demo.tour import DAY, HALL, SHOOT, Tour
from tripleguard.digest import compute_digest
from tripleguard.errors import TripleguardError
from tripleguard.places.cache_bypass import detect_cache_bypass

_TIMEOUT_S = 120.0
_COPIES_BEFORE_INTERRUPT = 8
"""Copies on drive A at which the first offload is interrupted."""

_MAX_ATTEMPTS = 4
_WINDOWS = sys.platform == "win32"


@dataclass(frozen=True, slots=True)
class Narration:
    """One line for the newcomer. is_step: it introduces a step of the evening."""

    line: str
    is_step: bool = False


@dataclass(frozen=True, slots=True)
class ShellCommand:
    """A command as a person would type it."""

    command: str


@dataclass(frozen=True, slots=True)
class OutputLine:
    """One line of a command's output."""

    line: str


DemoEvent = Narration | ShellCommand | OutputLine


def play_demo(folder: Path | None) -> Iterator[DemoEvent]:
    """Play the evening in `folder`, which must be new or empty, or in a fresh scratch folder.

    Raises:
        TripleguardError: a step did not give the expected output.
        UsageError: the folder is not empty.
    """
    root = tours.make_scratch_folder(folder)
    in_memory = not detect_cache_bypass(root).medium.is_from_device
    yield from _introduce(root, in_memory)
    stage = _CommandRunner(tours.set_up_tour(root, accept_cached=in_memory))
    yield from _play_first_card(stage)
    yield from _play_drive_away(stage)
    yield from _play_changed_card(stage)
    yield from _play_rotten_copy(stage)
    yield from _play_morning(stage)
    yield from _check_without_the_tool(stage)
    yield from _conclude(root)


def _introduce(root: Path, is_in_memory: bool) -> Iterator[DemoEvent]:
    yield Narration(
        "An invented evening, played through with the real commands. Two cameras, a memory card from each, and "
        f"two folders that stand for the drives A and B, all in {root}. Nothing outside that folder is touched."
    )
    yield Narration("Lines with a $ are what you would type in that folder. What follows them is the real answer.")
    if is_in_memory:
        yield Narration(
            "That folder lies in memory (or on a file system whose cache can't be bypassed), so no copy can be "
            "read back from a disk, and the tool would rightly say no every time. The demo's own settings accept "
            "it: accept_cached = true. Do not do that with pictures that matter."
        )


def _play_first_card(stage: _CommandRunner) -> Iterator[DemoEvent]:
    yield _make_step(
        "Once: name the two drives. Each gets a small marker, by which it is known wherever it is plugged in. "
        "(Here both are folders on one disk, where two copies die together: the tool would clear no card. So the "
        "demo says --allow-same-disk, and each answer warns of it. Yours should be two disks, and without it.)"
    )
    yield from stage.run(
        "setup",
        "--allow-same-disk",
        "--drive",
        "A=drive-a",
        "--drive",
        "B=drive-b",
        patterns=["Drive A: connected"],
    )

    offload = ("offload", "card-1", "--shoot", SHOOT)
    yield _make_step(
        "The show is over. The first card goes to both drives at once. Half-way, somebody presses Ctrl-C."
    )
    yield from stage.run_interrupted(*offload)
    yield _make_step(
        "The same command again: it goes on where it stopped, reads every copy back from its drive, and ends with "
        "the answer to the question that costs sleep: may this card be reformatted?"
    )
    yield from stage.run(*offload, patterns=[r"[1-9]\d* known from the interrupted run", r"^YES: "])
    yield _make_step("Was that card done already? Offload it once more: all of it is known, so nothing is copied.")
    yield from stage.run("offload", "card-1", patterns=[r"\b0 copied", r"^YES: "])


def _play_drive_away(stage: _CommandRunner) -> Iterator[DemoEvent]:
    yield _make_step(
        "The second camera's card, but drive B lies in another bag. Drive A gets its copies, and the answer is "
        "no: one drive is not two."
    )
    tours.unplug_drive_b(stage.tour)
    yield from stage.run("offload", "card-2", status=1, patterns=[r"^NO: ", "are on one drive only"])
    yield _make_step("What is owed, and what should be done next?")
    yield from stage.run("report", status=1, patterns=["Connect drive B"])
    yield _make_step(
        "Drive B is back, under another path. Its marker says who it is, so it is no new drive. (A real disk is "
        "found by itself; a mere folder has to be shown.)"
    )
    tours.plug_in_drive_b(stage.tour)
    yield from stage.run("drives", "add", "B", "other-port/drive-b", patterns=[r"Drive B: connected .*other-port"])
    yield _make_step("Now the copies that drive B missed. They are made from drive A and read back.")
    yield from stage.run("topup", patterns=["Nothing is owed"])
    yield _make_step(
        "May the second card be reformatted? It is read once more, and each copy is looked for on its drive."
    )
    yield from stage.run("clearance", "card", "card-2", patterns=[r"^YES: "])


def _play_changed_card(stage: _CommandRunner) -> Iterator[DemoEvent]:
    name = tours.rate_in_camera(stage.tour)
    yield _make_step(
        f"Before the card is reformatted, somebody gives {name} five stars in the camera, which writes the file "
        "anew. The same question gets another answer: that yes was about another card."
    )
    yield from stage.run("clearance", "card", "card-2", status=1, patterns=[r"^NO: ", re.escape(name)])
    yield _make_step(
        "Offload it again: the changed file is copied too, beside the older one. Nothing is overwritten."
    )
    yield from stage.run("offload", "card-2", patterns=[r"\b1 copied", r"^YES: "])


def _play_rotten_copy(stage: _CommandRunner) -> Iterator[DemoEvent]:
    rotten = tours.corrupt_one_copy(stage.tour)
    yield _make_step(
        "Weeks later a copy on drive A rots: one bit, same size, same date. Only reading it again can tell."
    )
    yield from stage.run("rescan", "--all", status=1, patterns=[f"corrupt: .*{re.escape(rotten.name)}"])
    yield _make_step(
        "The other drive has a good copy. The bad one is moved to quarantine and "
        "kept, the good one takes its place."
    )
    yield from stage.run("repair", patterns=["Repaired: drive A"])


def _play_morning(stage: _CommandRunner) -> Iterator[DemoEvent]:
    yield _make_step("The next morning: is anything wrong?")
    yield from stage.run("report", patterns=["All is as the rule asks"])
    both = f"ORR_{tours.WINGS.first_frame + tours.RATED_FRAME:04d}"
    yield _make_step(
        f"Where is {both}? Both cameras had reached that number, and one of the two pictures has two versions."
    )
    yield from stage.run("where", both, patterns=[rf"drive A, .*{both}-2\.DNG", HALL.serial[-4:]])
    yield _make_step("What was done tonight?")
    yield from stage.run("log", "--last", "8", patterns=["fixity check"])


def _check_without_the_tool(stage: _CommandRunner) -> Iterator[DemoEvent]:
    yield _make_step(
        "Do you need this tool to trust a drive? No: each shoot has a plain list of checksums, which b3sum reads. "
        "It says nothing if all is well."
    )
    yield from stage.verify_checklist(Path("drive-a", DAY[:4], f"{DAY} {SHOOT}"))
    pictures = stage.compare_with_drives()
    yield Narration(
        f"And beside the tool's own word, this demo has just compared all {pictures} files on the two cards with "
        "both drives, by SHA-256: every one is on both."
    )


def _conclude(root: Path) -> Iterator[DemoEvent]:
    quoted = f'"{root}"' if _WINDOWS else shlex.quote(str(root))
    program = "tripleguard" if shutil.which("tripleguard") else f"{sys.executable} -m tripleguard"
    yield Narration(
        "Every step came out as it should. You saw an offload that was stopped and went on, a card that was not "
        "cleared while a drive was away, a change on a card that took a yes back, and a copy that rotted and was "
        "put right."
    )
    yield Narration(f"Look around: your pictures would lie on a drive as they lie in {root / 'drive-a'}.")
    yield Narration(f"Try more: cd {quoted}, then: {program} --home home where ORR_0420")
    yield Narration(f"Seen enough? Remove it: {'rmdir /s' if _WINDOWS else 'rm -r'} {quoted}")
    yield Narration(
        "Before you rely on it: two drives in one bag are lost together. A yes is about this moment; mind what "
        "your contract, your insurer and the law ask before you erase. A drive or card that makes errors belongs "
        "to a recovery service. This program never formats anything."
    )


class _CommandRunner:
    """Runs commands in the tour's folder and checks their output."""

    def __init__(self, tour: Tour) -> None:
        self.tour = tour
        self._environment = {name: value for name, value in os.environ.items() if name != "TRIPLEGUARD_HOME"}
        self._environment["PYTHONIOENCODING"] = "utf-8"

    def run(self, *arguments: str, status: int = 0, patterns: list[str]) -> Iterator[DemoEvent]:
        """Run one command, and check that its output matches all patterns.

        They are regular expressions; `^` is the start of a line.
        """
        yield _make_command("tripleguard", *arguments)
        with self._start(arguments) as running:
            output = self._wait(running)
        yield from _split_output(output)
        missing = [pattern for pattern in patterns if not re.search(pattern, output, re.MULTILINE)]
        if running.returncode != status:
            raise _build_step_error(arguments, f"it ended with {running.returncode}, not {status}")
        if missing:
            raise _build_step_error(arguments, f"its answer does not hold {missing[0]!r}")

    def run_interrupted(self, *arguments: str) -> Iterator[DemoEvent]:
        """Run an offload and interrupt it as Ctrl-C does, once a few copies have their final names.

        If a machine finishes before that, the card gets more frames and the offload is tried again.
        """
        frames = tours.CARD_1_FRAMES
        for _ in range(_MAX_ATTEMPTS):
            yield _make_command("tripleguard", *arguments)
            with self._start(arguments) as running:
                while running.poll() is None and self._count_copies() < _COPIES_BEFORE_INTERRUPT:
                    time.sleep(0.002)
                if running.poll() is None:
                    _interrupt(running)
                output = self._wait(running)
            yield from _split_output(output)
            if running.returncode != 0 and self._count_copies() < sum(
                1 for _ in tours.iter_camera_files(self.tour.card_1)
            ):
                if running.returncode == 130 or _WINDOWS:
                    return
                raise _build_step_error(arguments, f"it ended with {running.returncode}, not 130")
            yield Narration(
                "This machine was through before the key was pressed. More frames on the card, and again."
            )
            tours.fill_card(self.tour.card_1, HALL, range(frames, frames * 3))
            frames *= 3
        raise _build_step_error(arguments, "it could not be interrupted in the middle")

    def verify_checklist(self, folder: Path) -> Iterator[DemoEvent]:
        """Check the checklist of a shoot with b3sum if it is installed, else in Python."""
        program = shutil.which("b3sum")
        words = ["b3sum", "--check", "--quiet", "checksums.b3"]
        where = self.tour.root / folder
        if program is not None:
            yield ShellCommand(f"cd {shlex.quote(folder.as_posix())} && {' '.join(words)}")
            checked = subprocess.run(
                [program, *words[1:]],
                cwd=where,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                encoding="utf-8",
                errors="replace",
                timeout=_TIMEOUT_S,
                check=False,
            )
            yield from _split_output(checked.stdout)
            if checked.returncode != 0:
                raise _build_step_error(tuple(words), "it found a copy that is not as its list says")
            return
        listed = list(checklist.parse_b3sum((where / "checksums.b3").read_bytes()))
        if not listed or any(compute_digest((where / name).read_bytes()) != digest for name, digest in listed):
            raise _build_step_error(tuple(words), "a copy is not as its list says")
        yield Narration(
            f"(b3sum is not installed here, so the demo read the list by itself: {len(listed)} files, all well.)"
        )

    def compare_with_drives(self) -> int:
        """Return how many files are on the cards. Raises TripleguardError if one is not on both drives."""
        on_cards = [
            path for card in (self.tour.card_1, self.tour.card_2) for path in tours.iter_camera_files(card)
        ]
        for drive in (self.tour.drive_a, self.tour.drive_b_later):
            held = {_sha256(path) for path in tours.iter_camera_files(drive)}
            lacking = [path for path in on_cards if _sha256(path) not in held]
            if lacking:
                raise _build_step_error(("offload",), f"{lacking[0]} is not on {drive}")
        return len(on_cards)

    def _count_copies(self) -> int:
        return sum(1 for _ in tours.iter_camera_files(self.tour.drive_a))

    def _start(self, arguments: tuple[str, ...]) -> subprocess.Popen[str]:
        # -P: don't import anything from the tour's folder.
        return subprocess.Popen(
            [sys.executable, "-P", "-m", "tripleguard", "--home", "home", *arguments],
            cwd=self.tour.root,
            env=self._environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            encoding="utf-8",
            errors="replace",
        )

    def _wait(self, process: subprocess.Popen[str]) -> str:
        try:
            return process.communicate(timeout=_TIMEOUT_S)[0]
        except subprocess.TimeoutExpired:
            process.kill()
            raise TripleguardError(
                f"A step of the demo did not end within {_TIMEOUT_S:.0f} seconds.",
                safe=f"Nothing outside {self.tour.root} was touched.",
                do="Look at the folder; try again on a faster disk: `tripleguard demo FOLDER`.",
            ) from None


def _make_step(line: str) -> Narration:
    return Narration(line, is_step=True)


def _make_command(*words: str) -> ShellCommand:
    return ShellCommand(" ".join(f'"{word}"' if " " in word else word for word in words))


def _split_output(output: str) -> Iterator[DemoEvent]:
    return (OutputLine(line) for line in output.strip("\n").splitlines())


def _interrupt(process: subprocess.Popen[str]) -> None:
    # Windows can send Ctrl-C only to a whole console, so the run is killed there, as by a power cut.
    if _WINDOWS:
        process.terminate()
    else:
        process.send_signal(signal.SIGINT)


def _sha256(path: Path) -> bytes:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").digest()


def _build_step_error(arguments: tuple[str, ...], why: str) -> TripleguardError:
    return TripleguardError(
        f"This step of the demo did not come out as it should: {' '.join(arguments)}: {why}.",
        safe="Everything lies in the demo's own folder; nothing of yours was touched.",
        do="Keep the folder and report what was printed: this is a fault of the tool or of this machine.",
    )
