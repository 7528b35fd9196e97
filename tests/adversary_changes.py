"""What can happen to a card, to drives, to the catalog and to the clock while a question is being answered.

Each change is one thing that a person, an editor, a cable or another process can do at any moment. It is made with
plain calls, all at once. A change answers whether it could be made now: what another process holds is tried again.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from adversary_syscalls import Tap
from world import World

from tripleguard.clock import DAY, SECOND

FRAME = "DCIM/100ORREY/ORR_0002.DNG"
LONG = "DCIM/100ORREY/ORR_0004.DNG"
FAR_FUTURE = 4_328_000_000 * SECOND  # early in 2107, the last year that FAT can write (from memory)


@dataclass
class Scene:
    """A card, drives and a home, and what lies ready to take their places.

    spare: `other-card` with the card's names, sizes, times and both ends, `older-home`, and `frame`: another
    picture of the same size. away: where things go that are taken away.
    """

    world: World
    spare: Path
    tap: Tap
    children: list[subprocess.Popen[bytes]] = field(default_factory=list)

    @property
    def card(self) -> Path:
        return self.world.root / "card"

    @property
    def away(self) -> Path:
        made = self.world.root / "away"
        made.mkdir(exist_ok=True)
        return made

    def drive(self, name: str) -> Path:
        return self.world.drives[name]

    def pictures(self, name: str) -> Iterator[Path]:
        """The photographer's files on a drive."""
        for folder in sorted(self.drive(name).glob("[12]*")):
            yield from (
                path
                for path in sorted(folder.rglob("*"))
                if path.is_file() and path.name != "checksums.b3" and not path.name.startswith("clearance-")
            )


Make = Callable[[Scene], bool]


@dataclass(frozen=True)
class Change:
    """One kind of change. of: card, drives, catalog or clock.

    unseen: size and time stay as they were and the catalog does not know, so that only content, inode or the time
    of the last change (ctime) can tell. On a drive such rot counts apart while it happens at rest, before a
    question has looked at any copy there: evidence of the last hours stands for the copy then. slow: it starts a
    process.
    """

    name: str
    of: str
    make: Make
    unseen: bool = False
    slow: bool = False


def rewritten(path: Path, content: bytes, *, time_kept: bool) -> None:
    """Other bytes under the same name and inode."""
    status = path.stat()
    path.write_bytes(content)
    if time_kept:
        os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


def zeroed(path: Path) -> None:
    """Nothing but zeros, with size and time kept."""
    rewritten(path, bytes(path.stat().st_size), time_kept=True)


def taken_away(scene: Scene, path: Path) -> None:
    """Move a whole folder to where nobody looks for it."""
    path.rename(scene.away / f"{path.name}-{len(list(scene.away.iterdir()))}")


def _on_card(make: Callable[[Path], object]) -> Make:
    def change(scene: Scene) -> bool:
        # A card that went away with an earlier change can't be changed; nor can a name that is gone.
        if scene.card.exists():
            make(scene.card)
        return True

    return change


def _append(card: Path) -> None:
    with (card / FRAME).open("ab") as file:
        file.write(b"more")


def _frame(scene: Scene, *, time_kept: bool) -> bool:
    rewritten(scene.card / FRAME, (scene.spare / "frame").read_bytes(), time_kept=time_kept)
    return True


def _middle(card: Path) -> None:
    path = card / LONG
    content = bytearray(path.read_bytes())
    content[len(content) // 2 : len(content) // 2 + 512] = b"other" * 103
    rewritten(path, bytes(content[: path.stat().st_size]), time_kept=True)


def _new(path: str, content: bytes) -> Callable[[Path], object]:
    def make(card: Path) -> None:
        (card / path).parent.mkdir(exist_ok=True, parents=True)
        (card / path).write_bytes(content)

    return make


def _new_frame(scene: Scene) -> bool:
    shutil.copyfile(scene.spare / "frame", scene.card / "DCIM/100ORREY/ORR_0005.DNG")
    return True


def _case_twin(scene: Scene) -> bool:
    shutil.copyfile(scene.spare / "frame", scene.card / "DCIM/100ORREY/orr_0002.dng")
    return True


def _new_folder(scene: Scene) -> bool:
    folder = scene.card / "DCIM/101ORREY"
    folder.mkdir()
    shutil.copyfile(scene.spare / "frame", folder / "ORR_0005.DNG")
    return True


def _other_card(scene: Scene) -> bool:
    taken_away(scene, scene.card)
    shutil.copytree(scene.spare / "other-card", scene.card)
    return True


def _other_bytes_in_place(scene: Scene) -> bool:
    _middle(scene.card)
    return True


def _card_gone(scene: Scene) -> bool:
    taken_away(scene, scene.card)
    return True


CARD = (
    Change("card: append", "card", _on_card(_append)),
    Change("card: rewritten", "card", lambda scene: _frame(scene, time_kept=False)),
    Change("card: rewritten, time kept", "card", lambda scene: _frame(scene, time_kept=True), unseen=True),
    Change("card: middle rewritten, time kept", "card", _other_bytes_in_place, unseen=True),
    Change("card: new frame", "card", _new_frame),
    Change("card: new sidecar", "card", _on_card(_new("DCIM/100ORREY/ORR_0002.xmp", b"<rated/>"))),
    Change("card: sidecar edited", "card", _on_card(_new("DCIM/100ORREY/ORR_0001.xmp", b"<y/>"))),
    Change("card: case twin", "card", _case_twin),
    Change("card: new folder", "card", _new_folder),
    Change("card: time 2107", "card", _on_card(lambda card: os.utime(card / FRAME, ns=(FAR_FUTURE, FAR_FUTURE)))),
    Change("card: file deleted", "card", _on_card(lambda card: (card / FRAME).unlink())),
    Change("card: file renamed", "card", _on_card(lambda card: (card / FRAME).rename(card / "DCIM/moved.DNG"))),
    Change("card: file truncated", "card", _on_card(lambda card: os.truncate(card / FRAME, 20_000))),
    Change("card: another card", "card", _other_card),
    Change("card: gone", "card", _card_gone),
)


def on_drive(name: str, make: Callable[[Path], object], only: int | None = None) -> Make:
    """A change of the pictures on a drive: of all, or of one."""

    def change(scene: Scene) -> bool:
        for path in list(scene.pictures(name))[slice(only, None if only is None else only + 1)]:
            make(path)
        return True

    return change


def detached(name: str) -> Make:
    """A drive that is pulled out: where it was mounted there is nothing."""

    def change(scene: Scene) -> bool:
        taken_away(scene, scene.drive(name))
        return True

    return change


def copied_and_zeroed(name: str) -> Make:
    """A copy of a drive takes its place, marker and all; then its files rot, with size and time kept."""

    def change(scene: Scene) -> bool:
        place = scene.drive(name)
        taken_away(scene, place)
        shutil.copytree(next(scene.away.glob(f"{place.name}-*")), place)
        for path in scene.pictures(name):
            zeroed(path)
        return True

    return change


def hard_linked(name: str, of: str) -> Make:
    """One drive's copies become names of the other's files."""

    def change(scene: Scene) -> bool:
        for path in list(scene.pictures(name)):
            other = scene.drive(of) / path.relative_to(scene.drive(name))
            if other.exists():
                path.unlink()
                os.link(other, path)
        return True

    return change


def _read_only(scene: Scene) -> bool:
    scene.tap.read_only.add(scene.drive("B").name)
    return True


def truncated(path: Path) -> None:
    """A third of the file is left, with its time kept."""
    status = path.stat()
    os.truncate(path, status.st_size // 3)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))


def _both(make: Callable[[Path], object]) -> Make:
    def change(scene: Scene) -> bool:
        return on_drive("A", make)(scene) and on_drive("B", make)(scene)

    return change


DRIVES = (
    Change("B: copies deleted", "drives", on_drive("B", Path.unlink)),
    Change("B: one copy deleted", "drives", on_drive("B", Path.unlink, 1)),
    Change("B: copies zeroed, time kept", "drives", on_drive("B", zeroed), unseen=True),
    Change("B: one copy zeroed, time kept", "drives", on_drive("B", zeroed, 1), unseen=True),
    Change("B: copies truncated", "drives", on_drive("B", truncated)),
    Change("B: detached", "drives", detached("B")),
    Change("B: a zeroed copy of the drive", "drives", copied_and_zeroed("B"), unseen=True),
    Change("B: hard links to A's copies", "drives", hard_linked("B", "A")),
    Change("B: read-only", "drives", _read_only),
    Change("A: copies deleted", "drives", on_drive("A", Path.unlink)),
    Change("A: one copy zeroed, time kept", "drives", on_drive("A", zeroed, 0), unseen=True),
    Change("A: detached", "drives", detached("A")),
    Change("A: a zeroed copy of the drive", "drives", copied_and_zeroed("A"), unseen=True),
    Change("A and B: copies deleted", "drives", _both(Path.unlink)),
    Change("A and B: copies zeroed, time kept", "drives", _both(zeroed), unseen=True),
)


def older_home(scene: Scene) -> bool:
    """The home is restored from an older copy."""
    taken_away(scene, scene.world.home)
    shutil.copytree(scene.spare / "older-home", scene.world.home)
    return True


def by_another_process(scene: Scene, *statements: str) -> bool:
    """Change the catalog as another process does; False while it is locked."""
    with closing(sqlite3.connect(scene.world.home / "catalog.db", timeout=0, isolation_level=None)) as catalog:
        try:
            for statement in statements:
                catalog.execute(statement)
        except sqlite3.OperationalError as error:
            if "locked" in str(error):
                return False
            raise
    return True


_ON_B = "place_id = (SELECT id FROM places WHERE name = 'B')"


def _rot_found(scene: Scene) -> bool:
    if not by_another_process(scene, f"UPDATE copies SET state = 'corrupt' WHERE {_ON_B}"):
        return False
    return on_drive("B", zeroed)(scene)


def second_command(*words: str) -> Make:
    """Another command of the same home begins, in a process of its own, and goes on while this one does."""

    def change(scene: Scene) -> bool:
        line = [sys.executable, "-m", "tripleguard", "--home", str(scene.world.home), *words]
        scene.children.append(
            subprocess.Popen(line, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        )
        return True

    return change


CATALOG = (
    Change("home: an older copy", "catalog", older_home),
    Change("home: rot on B found by another process", "catalog", _rot_found),
    Change("home: a rescan begins", "catalog", second_command("rescan", "--place", "B", "--all"), slow=True),
    Change("home: B is called lost", "catalog", second_command("drives", "lost", "B"), slow=True),
)


def jump(by: int) -> Make:
    """The clock is set: by so many ns."""

    def change(scene: Scene) -> bool:
        scene.tap.clock += by
        return True

    return change


CLOCK = (
    Change("clock: two days on", "clock", jump(2 * DAY)),
    Change("clock: two days back", "clock", jump(-2 * DAY)),
)

ALL = (*CARD, *DRIVES, *CATALOG, *CLOCK)
