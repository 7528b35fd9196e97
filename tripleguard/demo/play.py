"""The evening played through with the real commands, for somebody who has never seen them.

Before each command stands one plain line that says what it is about; then the command as a person would type
it, and its real answer. Each answer is checked, and the first that is not what it should be ends the play with
an error. At the end every picture on the cards is compared with both drives by other means than the tool's own.
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
from tripleguard.digest import digest_of
from tripleguard.errors import TripleguardError
from tripleguard.places.media import depth_of

_TIMEOUT = 120.0
_IN_THE_MIDDLE = 8
"""Copies on drive A at which the first offload is interrupted."""

_ATTEMPTS = 4
_WINDOWS = sys.platform == "win32"


@dataclass(frozen=True, slots=True)
class Told:
    """One line for the newcomer. is_step: it introduces a step of the evening."""

    line: str
    is_step: bool = False


@dataclass(frozen=True, slots=True)
class Typed:
    """A command as a person would type it."""

    command: str


@dataclass(frozen=True, slots=True)
class Printed:
    """One line of what a command answered."""

    line: str


Shown = Told | Typed | Printed


def play(folder: Path | None) -> Iterator[Shown]:
    """Play the evening in folder, which must be new or empty, or in a fresh scratch folder.

    Raises TripleguardError if a step did not answer as it should, WrongUse if the folder is not empty.
    """
    root = tours.scratch_folder(folder)
    in_memory = not depth_of(root).medium.reached_device
    yield from _welcome(root, in_memory)
    stage = _Stage(tours.lay_out(root, accept_cached=in_memory))
    yield from _first_card(stage)
    yield from _drive_away(stage)
    yield from _changed_card(stage)
    yield from _rotten_copy(stage)
    yield from _morning(stage)
    yield from _without_the_tool(stage)
    yield from _farewell(root)


def _welcome(root: Path, in_memory: bool) -> Iterator[Shown]:
    yield Told(
        "An invented evening, played through with the real commands. Two cameras, a memory card from each, and "
        f"two folders that stand for the drives A and B, all in {root}. Nothing outside that folder is touched."
    )
    yield Told("Lines with a $ are what you would type in that folder. What follows them is the real answer.")
    if in_memory:
        yield Told(
            "That folder lies in memory (or on a file system whose cache can't be bypassed), so no copy can be "
            "read back from a disk, and the tool would rightly say no every time. The demo's own settings accept "
            "it: accept_cached = true. Do not do that with pictures that matter."
        )


def _first_card(stage: _Stage) -> Iterator[Shown]:
    yield _step(
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
        says=["Drive A: connected"],
    )

    offload = ("offload", "card-1", "--shoot", SHOOT)
    yield _step("The show is over. The first card goes to both drives at once. Half-way, somebody presses Ctrl-C.")
    yield from stage.interrupted(*offload)
    yield _step(
        "The same command again: it goes on where it stopped, reads every copy back from its drive, and ends with "
        "the answer to the question that costs sleep: may this card be reformatted?"
    )
    yield from stage.run(*offload, says=[r"[1-9]\d* known from the interrupted run", r"^YES: "])
    yield _step("Was that card done already? Offload it once more: all of it is known, so nothing is copied.")
    yield from stage.run("offload", "card-1", says=[r"\b0 copied", r"^YES: "])


def _drive_away(stage: _Stage) -> Iterator[Shown]:
    yield _step(
        "The second camera's card, but drive B lies in another bag. Drive A gets its copies, and the answer is "
        "no: one drive is not two."
    )
    tours.pull_drive_b(stage.tour)
    yield from stage.run("offload", "card-2", status=1, says=[r"^NO: ", "are on one drive only"])
    yield _step("What is owed, and what should be done next?")
    yield from stage.run("report", status=1, says=["Connect drive B"])
    yield _step(
        "Drive B is back, under another path. Its marker says who it is, so it is no new drive. (A real disk is "
        "found by itself; a mere folder has to be shown.)"
    )
    tours.bring_drive_b(stage.tour)
    yield from stage.run("drives", "add", "B", "other-port/drive-b", says=[r"Drive B: connected .*other-port"])
    yield _step("Now the copies that drive B missed. They are made from drive A and read back.")
    yield from stage.run("topup", says=["Nothing is owed"])
    yield _step(
        "May the second card be reformatted? It is read once more, and each copy is looked for on its drive."
    )
    yield from stage.run("clearance", "card", "card-2", says=[r"^YES: "])


def _changed_card(stage: _Stage) -> Iterator[Shown]:
    name = tours.rate_in_camera(stage.tour)
    yield _step(
        f"Before the card is reformatted, somebody gives {name} five stars in the camera, which writes the file "
        "anew. The same question gets another answer: that yes was about another card."
    )
    yield from stage.run("clearance", "card", "card-2", status=1, says=[r"^NO: ", re.escape(name)])
    yield _step("Offload it again: the changed file is copied too, beside the older one. Nothing is overwritten.")
    yield from stage.run("offload", "card-2", says=[r"\b1 copied", r"^YES: "])


def _rotten_copy(stage: _Stage) -> Iterator[Shown]:
    rotten = tours.let_a_copy_rot(stage.tour)
    yield _step(
        "Weeks later a copy on drive A rots: one bit, same size, same date. Only reading it again can tell."
    )
    yield from stage.run("rescan", "--all", status=1, says=[f"corrupt: .*{re.escape(rotten.name)}"])
    yield _step(
        "The other drive has a good copy. The bad one is moved aside and kept, the good one takes its place."
    )
    yield from stage.run("mend", says=["Mended: drive A"])


def _morning(stage: _Stage) -> Iterator[Shown]:
    yield _step("The next morning: is anything wrong?")
    yield from stage.run("report", says=["All is as the rule asks"])
    both = f"ORR_{tours.WINGS.first_frame + tours.RATED:04d}"
    yield _step(
        f"Where is {both}? Both cameras had reached that number, and one of the two pictures has two versions."
    )
    yield from stage.run("where", both, says=[rf"drive A, .*{both}-2\.DNG", HALL.serial[-4:]])
    yield _step("What was done tonight?")
    yield from stage.run("log", "--last", "8", says=["fixity check"])


def _without_the_tool(stage: _Stage) -> Iterator[Shown]:
    yield _step(
        "Do you need this tool to trust a drive? No: each shoot has a plain list of checksums, which b3sum reads. "
        "It says nothing if all is well."
    )
    yield from stage.check_list(Path("drive-a", DAY[:4], f"{DAY} {SHOOT}"))
    pictures = stage.compare()
    yield Told(
        f"And beside the tool's own word, this demo has just compared all {pictures} files on the two cards with "
        "both drives, by SHA-256: every one is on both."
    )


def _farewell(root: Path) -> Iterator[Shown]:
    quoted = f'"{root}"' if _WINDOWS else shlex.quote(str(root))
    program = "tripleguard" if shutil.which("tripleguard") else f"{sys.executable} -m tripleguard"
    yield Told(
        "Every step came out as it should. You saw an offload that was stopped and went on, a card that was not "
        "cleared while a drive was away, a change on a card that took a yes back, and a copy that rotted and was "
        "put right."
    )
    yield Told(f"Look around: your pictures would lie on a drive as they lie in {root / 'drive-a'}.")
    yield Told(f"Try more: cd {quoted}, then: {program} --home home where ORR_0420")
    yield Told(f"Seen enough? Remove it: {'rmdir /s' if _WINDOWS else 'rm -r'} {quoted}")
    yield Told(
        "Before you rely on it: two drives in one bag are lost together. A yes is about this moment; mind what "
        "your contract, your insurer and the law ask before you erase. A drive or card that makes errors belongs "
        "to a recovery service. This program never formats anything."
    )


class _Stage:
    """Runs commands in the tour's folder and holds their answers against what they should be."""

    def __init__(self, tour: Tour) -> None:
        self.tour = tour
        self._environment = {name: value for name, value in os.environ.items() if name != "TRIPLEGUARD_HOME"}
        self._environment["PYTHONIOENCODING"] = "utf-8"

    def run(self, *arguments: str, status: int = 0, says: list[str]) -> Iterator[Shown]:
        """Run one command. says: patterns that its answer must hold; `^` is the beginning of a line."""
        yield _typed("tripleguard", *arguments)
        with self._started(arguments) as running:
            output = self._ended(running)
        yield from _printed(output)
        missing = [pattern for pattern in says if not re.search(pattern, output, re.MULTILINE)]
        if running.returncode != status:
            raise _not_as_it_should(arguments, f"it ended with {running.returncode}, not {status}")
        if missing:
            raise _not_as_it_should(arguments, f"its answer does not hold {missing[0]!r}")

    def interrupted(self, *arguments: str) -> Iterator[Shown]:
        """Run an offload and interrupt it as Ctrl-C does, once a few copies have their names.

        A machine that is through before that gets more frames on the card, and it is tried again.
        """
        frames = tours.CARD_1_FRAMES
        for _ in range(_ATTEMPTS):
            yield _typed("tripleguard", *arguments)
            with self._started(arguments) as running:
                while running.poll() is None and self._copied() < _IN_THE_MIDDLE:
                    time.sleep(0.002)
                if running.poll() is None:
                    _interrupt(running)
                output = self._ended(running)
            yield from _printed(output)
            if running.returncode != 0 and self._copied() < sum(1 for _ in tours.copies(self.tour.card_1)):
                if running.returncode == 130 or _WINDOWS:
                    return
                raise _not_as_it_should(arguments, f"it ended with {running.returncode}, not 130")
            yield Told("This machine was through before the key was pressed. More frames on the card, and again.")
            tours.fill_card(self.tour.card_1, HALL, range(frames, frames * 3))
            frames *= 3
        raise _not_as_it_should(arguments, "it could not be interrupted in the middle")

    def check_list(self, folder: Path) -> Iterator[Shown]:
        """Check the list of a shoot by b3sum where it is installed, else by reading it here."""
        program = shutil.which("b3sum")
        words = ["b3sum", "--check", "--quiet", "checksums.b3"]
        where = self.tour.root / folder
        if program is not None:
            yield Typed(f"cd {shlex.quote(folder.as_posix())} && {' '.join(words)}")
            checked = subprocess.run(
                [program, *words[1:]],
                cwd=where,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                encoding="utf-8",
                errors="replace",
                timeout=_TIMEOUT,
                check=False,
            )
            yield from _printed(checked.stdout)
            if checked.returncode != 0:
                raise _not_as_it_should(tuple(words), "it found a copy that is not as its list says")
            return
        listed = list(checklist.parsed((where / "checksums.b3").read_bytes()))
        if not listed or any(digest_of((where / name).read_bytes()) != digest for name, digest in listed):
            raise _not_as_it_should(tuple(words), "a copy is not as its list says")
        yield Told(
            f"(b3sum is not installed here, so the demo read the list by itself: {len(listed)} files, all well.)"
        )

    def compare(self) -> int:
        """How many files there are on the cards. Raises TripleguardError if one is not on both drives."""
        on_cards = [path for card in (self.tour.card_1, self.tour.card_2) for path in tours.copies(card)]
        for drive in (self.tour.drive_a, self.tour.drive_b_later):
            held = {_sha256(path) for path in tours.copies(drive)}
            lacking = [path for path in on_cards if _sha256(path) not in held]
            if lacking:
                raise _not_as_it_should(("offload",), f"{lacking[0]} is not on {drive}")
        return len(on_cards)

    def _copied(self) -> int:
        return sum(1 for _ in tours.copies(self.tour.drive_a))

    def _started(self, arguments: tuple[str, ...]) -> subprocess.Popen[str]:
        # -P: nothing in the tour's folder may be taken for a part of the program.
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

    def _ended(self, running: subprocess.Popen[str]) -> str:
        try:
            return running.communicate(timeout=_TIMEOUT)[0]
        except subprocess.TimeoutExpired:
            running.kill()
            raise TripleguardError(
                f"A step of the demo did not end within {_TIMEOUT:.0f} seconds.",
                safe=f"Nothing outside {self.tour.root} was touched.",
                do="Look at the folder; try again on a faster disk: `tripleguard demo FOLDER`.",
            ) from None


def _step(line: str) -> Told:
    return Told(line, is_step=True)


def _typed(*words: str) -> Typed:
    return Typed(" ".join(f'"{word}"' if " " in word else word for word in words))


def _printed(output: str) -> Iterator[Shown]:
    return (Printed(line) for line in output.strip("\n").splitlines())


def _interrupt(running: subprocess.Popen[str]) -> None:
    # Windows can send Ctrl-C only to a whole console; there the run is cut off hard, as by a power cut.
    if _WINDOWS:
        running.terminate()
    else:
        running.send_signal(signal.SIGINT)


def _sha256(path: Path) -> bytes:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").digest()


def _not_as_it_should(arguments: tuple[str, ...], why: str) -> TripleguardError:
    return TripleguardError(
        f"This step of the demo did not come out as it should: {' '.join(arguments)}: {why}.",
        safe="Everything lies in the demo's own folder; nothing of yours was touched.",
        do="Keep the folder and report what was printed: this is a fault of the tool or of this machine.",
    )
