"""An evening of an invented tour, played through with the real commands.

Two bodies, two cards, two drives. An offload is interrupted and resumed, a drive is unplugged, a copy rots, and
the same question about a card is asked again and again. Each step says in a line what it shows, and checks that it
came out as it should.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

from tripleguard.demo.pictures import picture_file, raw_file
from tripleguard.errors import TripleguardError
from tripleguard.model import Medium
from tripleguard.places.media import depth_of

_SHOW = datetime(2026, 6, 13, 21, 30)
_RAW = 2 << 20
_FRAMES = 60
_CHUNKS_BEFORE_STOP = 6

Echo = Callable[[str], object]


def play(folder: Path | None, echo: Echo) -> int:
    """Play the evening in folder (a fresh scratch folder without one); 0 if every step came out as it should.

    Raises TripleguardError if the folder is not empty.
    """
    root = folder.absolute() if folder else Path(tempfile.mkdtemp(prefix="tripleguard-demo-"))
    root.mkdir(parents=True, exist_ok=True)
    if any(root.iterdir()):
        raise TripleguardError(
            f"{root} is not empty.",
            safe="Nothing was changed.",
            do="Give a folder that is empty or not there yet.",
        )
    evening = _Evening(root, echo)
    evening.play()
    echo("")
    if evening.wrong:
        echo(f"{evening.wrong} steps did not come out as they should.")
    else:
        echo("Every step came out as it should.")
    echo(f"Look around in {root}; remove it when you have seen enough.")
    return 1 if evening.wrong else 0


class _Evening:
    """The steps, in order."""

    def __init__(self, root: Path, echo: Echo) -> None:
        self.wrong = 0
        self._root = root
        self._echo = echo
        self._card1, self._card2 = root / "card-1", root / "card-2"
        self._a, self._b = root / "drive-a", root / "drive-b"

    def play(self) -> None:
        self._say("Two cards from the harbour stage, one of each body, and two empty drives.")
        _card(self._card1, "4100217", 1)
        _card(self._card2, "4100388", 2)
        self._a.mkdir()
        self._b.mkdir()
        self._say("Once: tell which drives there are. Each gets a small marker, by which it is known anywhere.")
        self._run(0, "setup", "--drive", f"A={self._a}", "--drive", f"B={self._b}")
        self._on_real_disk_or_say_so()

        self._say("One in the morning. The first card is being copied, and the laptop's lid is closed half-way.")
        self._interrupted("offload", str(self._card1), "--shoot", "harbour stage")
        self._say("Run again: what was finished is recognised and not read again. It ends with the answer.")
        self._run(0, "offload", str(self._card1), "--shoot", "harbour stage")

        self._say("Drive B is not plugged in for the second card. Drive A is served, and the answer is no.")
        self._b.rename(self._root / "in-the-bag")
        self._run(1, "offload", str(self._card2))
        self._say("B is back, at another place. Its marker says who it is; what it is owed is copied now.")
        self._b = self._root / "plugged-in-again"
        (self._root / "in-the-bag").rename(self._b)
        self._run(0, "drives", "add", "B", str(self._b))
        self._run(0, "topup")
        self._say("May the second card be reformatted? It is read again, and every copy is looked at.")
        self._run(0, "clearance", "card", str(self._card2))

        self._say("One more frame is shot on it. The same question, and the answer is no.")
        _frame(self._card2, "4100388", 2, _FRAMES + 1)
        self._run(1, "clearance", "card", str(self._card2))

        self._say("A copy on drive A rots: one bit, same size, same time. Only reading it again can tell.")
        _rot(self._a)
        self._run(1, "rescan", "--all")
        self._say("It is put right from the good copy; the bad one is moved aside, never deleted.")
        self._run(0, "mend")
        self._say("The morning: is everything as the rule asks?")
        self._run(0, "report")

    def _say(self, line: str) -> None:
        self._echo(f"\n# {line}")

    def _run(self, expected: int, *arguments: str) -> None:
        self._echo(f"$ tripleguard {self._short(arguments)}")
        ended = subprocess.run(
            self._command(*arguments), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, check=False
        )
        for line in ended.stdout.splitlines():
            self._echo(f"  {line.replace(str(self._root), '...')}")
        self._check(ended.returncode, expected)

    def _interrupted(self, *arguments: str) -> None:
        """Run a command and stop it as Ctrl-C would once a few copies are named."""
        self._echo(f"$ tripleguard {self._short(arguments)}")
        running = subprocess.Popen(self._command(*arguments), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        while running.poll() is None and _copies(self._a) < _CHUNKS_BEFORE_STOP:
            time.sleep(0.002)
        running.send_signal(signal.SIGINT)
        running.wait()
        self._echo(f"  (stopped after {_copies(self._a)} of {_FRAMES} frames were on drive A)")
        if running.returncode != 0:  # a very fast machine may have been through already
            self._check(running.returncode, 130)

    def _check(self, status: int, expected: int) -> None:
        if status != expected:
            self.wrong += 1
            self._echo(f"  (exit status {status}, expected {expected})")

    def _command(self, *arguments: str) -> list[str]:
        return [sys.executable, "-m", "tripleguard", "--home", str(self._root / "home"), *arguments]

    def _short(self, arguments: tuple[str, ...]) -> str:
        words = [word.replace(str(self._root), "...") for word in arguments]
        return " ".join(f"'{word}'" if " " in word else word for word in words)

    def _on_real_disk_or_say_so(self) -> None:
        """In memory no read-back can reach a device: the demo says so and lets it count, here only."""
        if depth_of(self._root).medium is not Medium.CACHED:
            return
        self._say("This folder lies in memory, so nothing can be read back from a device. For the demo it counts.")
        settings = self._root / "home" / "settings.toml"
        text = settings.read_text(encoding="utf-8")
        settings.write_text(text.replace("accept_cached = false", "accept_cached = true"), encoding="utf-8")


def _card(root: Path, serial: str, number: int) -> None:
    for frame in range(1, _FRAMES + 1):
        _frame(root, serial, number, frame)
    (root / ".DS_Store").write_bytes(b"left by a laptop")


def _frame(root: Path, serial: str, number: int, frame: int) -> None:
    taken = _SHOW + timedelta(seconds=41 * frame + number)
    folder = root / "DCIM" / f"10{number}ORREY"
    folder.mkdir(parents=True, exist_ok=True)
    raw = raw_file(
        1000 * number + frame,
        taken=taken,
        subsec=frame % 100,
        offset="+02:00",
        serial=serial,
        model="Orrery R7",
        size=_RAW + 512 * frame,
    )
    _write(folder / f"ORR_{frame:04d}.DNG", raw, taken)
    if frame % 20 == 0:
        small = picture_file(
            frame, taken=taken, subsec=frame % 100, offset="+02:00", serial=serial, width=320, height=208
        )
        _write(folder / f"ORR_{frame:04d}.JPG", small, taken)


def _write(path: Path, content: bytes, taken: datetime) -> None:
    path.write_bytes(content)
    os.utime(path, (taken.timestamp(), taken.timestamp()))


def _copies(drive: Path) -> int:
    return sum(1 for path in drive.rglob("*.DNG") if ".tripleguard" not in path.parts)


def _rot(drive: Path) -> None:
    """Flip one bit of a copy and leave its size and time as they were."""
    victim = min(path for path in drive.rglob("*.DNG") if ".tripleguard" not in path.parts)
    status = victim.stat()
    with victim.open("r+b") as file:
        file.seek(500_000)
        byte = file.read(1)[0]
        file.seek(500_000)
        file.write(bytes([byte ^ 1]))
    os.utime(victim, ns=(status.st_atime_ns, status.st_mtime_ns))
