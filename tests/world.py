"""One small world for the scenario tests: a home, two drives, cards with what cameras write, and the command line.

Everything is set up through the public surface. Commands run in this process, with their arguments, output and
exit status as a shell sees them; `ArchiveModel.process` starts a real one where a process matters. A job can also
be run by the clock of a test, which is how evidence grows old overnight.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import shutil
import subprocess
import sys
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from typing import Any

from tripleguard.catalog.store import open_catalog
from tripleguard.cli import main
from tripleguard.clock import SECOND, SystemClock
from tripleguard.config import WatchSettings, read_settings
from tripleguard.demo.camera_files import make_camera_jpeg, make_raw
from tripleguard.digest import compute_digest
from tripleguard.home import resolve_home
from tripleguard.jobs.cards.offload import OffloadResult, offload
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.drives import locate_drives, open_drives, select_writable_drives
from tripleguard.jobs.progress import Job, Result
from tripleguard.places.base import PlaceAccess
from tripleguard.places.card import Card, open_card
from tripleguard.places.dir_handle import DirHandle
from tripleguard.places.local import LocalPlaces
from tripleguard.places.reserved import SUPERSEDED_SUFFIX

EVENING = datetime(2026, 6, 13, 21, 30)
"""Camera time of the show that most scenarios play in."""

SERIAL = "40017731"
SMALL = 64 << 10
CARD_FOLDERS = WatchSettings().card_folders


@dataclass(frozen=True)
class Answer:
    """What a command left behind: exit status, standard output, standard error."""

    status: int
    out: str
    err: str

    @property
    def json(self) -> dict[str, Any]:
        """The one JSON object on standard output."""
        found: dict[str, Any] = json.loads(self.out)
        return found


@dataclass
class CardFolder:
    """A folder that stands for a card, filled by hand as cameras fill one."""

    root: Path
    made: int = 0

    def put(self, path: str | bytes, content: bytes = b"", *, at: datetime = EVENING) -> Path:
        """A file with these bytes and this modification time (UTC); its folders are made."""
        where = self.root / os.fsdecode(path)
        where.parent.mkdir(parents=True, exist_ok=True)
        where.write_bytes(content)
        ns = int(at.replace(tzinfo=at.tzinfo or UTC).timestamp()) * SECOND
        os.utime(where, ns=(ns, ns))
        return where

    def raw(
        self,
        path: str,
        *,
        taken: datetime = EVENING,
        serial: str = SERIAL,
        model: str = "Orrery R7",
        seed: int | None = None,
        size: int = SMALL,
    ) -> Path:
        """A raw as the invented maker's camera writes it; every one another picture unless seed says."""
        self.made += 1
        number = seed if seed is not None else zlib.crc32(f"{self.root.name} {path} {serial}".encode())
        content = make_raw(
            number, taken_at=taken, subsec=self.made % 100, offset="+02:00", serial=serial, model=model, size=size
        )
        return self.put(path, content, at=taken)

    def picture(
        self, path: str, *, taken: datetime = EVENING, serial: str = SERIAL, seed: int | None = None
    ) -> Path:
        """A camera JPEG, small."""
        self.made += 1
        number = seed if seed is not None else zlib.crc32(f"{self.root.name} {path} {serial}".encode())
        content = make_camera_jpeg(
            number, taken_at=taken, subsec=self.made % 100, offset="+02:00", serial=serial, width=96, height=64
        )
        return self.put(path, content, at=taken)

    def frames(self, count: int, *, first: int = 1, folder: str = "DCIM/100ORREY", **how: Any) -> list[Path]:
        """Raws in a row, numbered as DCF numbers them."""
        return [self.raw(f"{folder}/ORR_{number:04d}.DNG", **how) for number in range(first, first + count)]

    def digests(self) -> dict[str, bytes]:
        """What is on it now: relative path to BLAKE3."""
        return contents(self.root)


@dataclass
class TestClock:
    """A clock that a test sets."""

    __test__ = False

    at: int = field(default_factory=lambda: SystemClock().now())
    where: tzinfo | None = UTC

    def now(self) -> int:
        return self.at

    def zone(self) -> tzinfo | None:
        return self.where


class World:
    """A home and drives below root. Nothing is set up until `setup` or a command does it."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.home = root / "home"
        self.drives: dict[str, Path] = {}
        self.places: PlaceAccess | None = None

    def setup(self, *names: str) -> World:
        """Folders for the drives (A and B unless named) and `tripleguard setup` for them."""
        for name in names or ("A", "B"):
            self.drives[name] = self.folder(f"drive-{name.lower()}")
        given = [part for name, path in self.drives.items() for part in ("--drive", f"{name}={path}")]
        # The folders of a test lie on one disk; what that means is tested by itself.
        answer = self.run("setup", "--allow-same-disk", *given)
        assert answer.status == 0, answer.err
        return self

    def folder(self, name: str) -> Path:
        path = self.root / name
        path.mkdir(exist_ok=True)
        return path

    def card(self, name: str = "card") -> CardFolder:
        return CardFolder(self.folder(name))

    def run(self, *arguments: object) -> Answer:
        """Run one command in this process, as `tripleguard --home HOME ARGUMENTS`."""
        if arguments and arguments[0] == "rebuild" and not (self.home / "settings.toml").exists():
            # Settings are not rebuilt, and the folders of a test lie on one disk.
            self.home.mkdir(exist_ok=True)
            self.settings("")
        out, err = _Stream(), _Stream()
        status, before = 0, sys.argv
        sys.argv = ["tripleguard", "--home", str(self.home), *map(str, arguments)]
        try:
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
                main()
        except SystemExit as end:
            status = end.code if isinstance(end.code, int) else 1
        finally:
            sys.argv = before
        return Answer(status, out.text(), err.text())

    def process(
        self, *arguments: object, env: Mapping[str, str] | None = None, **how: Any
    ) -> subprocess.CompletedProcess[bytes]:
        """Run one command in a process of its own and wait for it, at most a minute."""
        return subprocess.run(
            self.command_line(*arguments),
            capture_output=True,
            timeout=60,
            check=False,
            env={**os.environ, **(env or {})},
            **how,
        )

    def command_line(self, *arguments: object) -> list[str]:
        return [sys.executable, "-m", "tripleguard", "--home", str(self.home), *map(str, arguments)]

    def unplug(self, name: str) -> Path:
        """Take a drive away: its folder is somewhere else now; where."""
        away = self.root / "away" / self.drives[name].name
        away.parent.mkdir(exist_ok=True)
        self.drives[name].rename(away)
        return away

    def plug(self, name: str) -> None:
        """Bring an unplugged drive back to where it was."""
        (self.root / "away" / self.drives[name].name).rename(self.drives[name])

    def forget_generations(self) -> None:
        """The drives as they were left before they kept what state of a catalog they saw and what was decided."""
        for root in self.drives.values():
            for name in ("generations", "decisions"):
                shutil.rmtree(root / ".tripleguard" / name, ignore_errors=True)

    def on(self, name: str) -> dict[str, bytes]:
        """What a drive holds of the photographer's files: relative path to BLAKE3; the tool's own left out."""
        return {
            path: digest
            for path, digest in contents(self.drives[name]).items()
            if not path.startswith(".tripleguard/") and not is_own_beside(path)
        }

    def settings(self, text: str) -> None:
        """Replace the settings file; the folders of a test lie on one disk, which stays allowed."""
        if "allow_same_disk" not in text:
            before, section, after = text.partition("[rule]\n")
            rule, rest, others = after.partition("\n[")
            text = f"{before}{section or '[rule]' + chr(10)}{rule}\nallow_same_disk = true\n{rest}{others}"
        (self.home / "settings.toml").write_text(text, encoding="utf-8")

    @contextlib.contextmanager
    def ctx(self, clock: TestClock | None = None) -> Iterator[JobContext]:
        """What a job is given, by the clock of a test."""
        home = resolve_home(str(self.home))
        catalog = open_catalog(home.catalog)
        try:
            yield JobContext(
                home, catalog, read_settings(home.settings), clock or TestClock(), self.places or LocalPlaces()
            )
        finally:
            catalog.close()

    def offload_job(
        self,
        card: Path,
        kind: type[Card] = Card,
        *,
        clock: TestClock | None = None,
        shoot: str | None = None,
        read_twice: bool | None = None,
    ) -> OffloadResult:
        """The offload itself, with a card of another kind or another clock."""
        with self.ctx(clock) as ctx:
            open_card(card, [path for _, path in locate_drives(ctx) if path], CARD_FOLDERS).close()
            held = kind(DirHandle(card, no_atime=True))
            try:
                with open_drives(ctx, select_writable_drives(ctx, ()), "a test") as ready:
                    return finished(
                        offload(ctx, held, ready.writable, shoot, ready.unavailable, read_twice=read_twice)
                    )
            finally:
                held.close()


def finished(job: Job[Result]) -> Result:
    """Run a job to its end; its result."""
    while True:
        try:
            next(job)
        except StopIteration as end:
            result: Result = end.value
            return result


def contents(root: Path) -> dict[str, bytes]:
    """Every plain file below root: relative path to BLAKE3. Links are not followed."""
    found: dict[str, bytes] = {}
    for folder, _, names in os.walk(root):
        for name in names:
            path = Path(folder) / name
            # A running job makes and removes files of its own while the test looks.
            with contextlib.suppress(FileNotFoundError):
                if path.is_file() and not path.is_symlink():
                    found[str(path.relative_to(root))] = compute_digest(path.read_bytes())
    return found


def is_own_beside(path: str) -> bool:
    """Whether a path on a drive is a check list or the record of a clearance, right in the folder of a shoot.

    So is one that a kill caught while a newer one took its name; the next job puts that right.
    """
    folder, _, name = path.removesuffix(SUPERSEDED_SUFFIX).rpartition("/")
    return folder.count("/") == 1 and (
        name == "checksums.b3" or (name.startswith("clearance-") and name.endswith("Z.txt"))
    )


class _Stream(io.TextIOWrapper):
    """A standard stream that is kept, as strict about text as a real one."""

    def __init__(self) -> None:
        self._kept = io.BytesIO()
        super().__init__(self._kept, encoding="utf-8", errors="strict", write_through=True)

    def text(self) -> str:
        self.flush()
        return self._kept.getvalue().decode("utf-8")
