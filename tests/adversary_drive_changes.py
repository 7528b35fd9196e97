"""What can happen to drives while one of them is let go, or while what lies in quarantine is removed."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

from adversary_changes import (
    CLOCK,
    Change,
    Scene,
    by_another_process,
    copied_and_zeroed,
    detached,
    hard_linked,
    older_home,
    on_drive,
    rewritten,
    truncated,
    zeroed,
)

from tripleguard.places.reserved import QUARANTINE_DIR, RESERVED_DIR


def _new_on_a(path: str) -> Callable[[Scene], bool]:
    """Somebody's picture appears on A."""

    def change(scene: Scene) -> bool:
        where = scene.drive("A") / path
        where.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(scene.spare / "frame", where)
        return True

    return change


def _sidecar(scene: Scene) -> Path | None:
    return next((path for path in scene.pictures("A") if path.suffix == ".xmp"), None)


def _sidecar_edited(scene: Scene, *, time_kept: bool) -> bool:
    path = _sidecar(scene)
    if path is not None:
        rewritten(path, b"<y/>", time_kept=time_kept)
    return True


def _remark(scene: Scene) -> bool:
    for path in scene.drive("A").glob("[12]*/*/checksums.b3"):
        with path.open("ab") as file:
            file.write(b"# the second night was the good one\n")
    return True


def _overwritten(path: Path) -> None:
    rewritten(path, path.read_bytes()[::-1], time_kept=False)


def _overwritten_in_silence(path: Path) -> None:
    rewritten(path, path.read_bytes()[::-1], time_kept=True)


def _gone_everywhere_else(scene: Scene) -> bool:
    return on_drive("B", Path.unlink)(scene) and on_drive("C", Path.unlink)(scene)


def _rotten_everywhere(scene: Scene) -> bool:
    return all(on_drive(name, zeroed)(scene) for name in "ABC")


def _rot_found(scene: Scene) -> bool:
    found = "UPDATE copies SET state = 'corrupt' WHERE place_id = (SELECT id FROM places WHERE name = 'B')"
    return by_another_process(scene, found) and on_drive("B", zeroed)(scene)


def _in_quarantine(make: Callable[[Path], object]) -> Callable[[Scene], bool]:
    """Something happens to what lies in quarantine on A."""

    def change(scene: Scene) -> bool:
        for path in sorted((scene.drive("A") / QUARANTINE_DIR).rglob("*.DNG")):
            make(path)
        return True

    return change


OTHERS = (
    Change("B: copies deleted", "others", on_drive("B", Path.unlink)),
    Change("B: one copy deleted", "others", on_drive("B", Path.unlink, 1)),
    Change("B: copies zeroed, time kept", "others", on_drive("B", zeroed), unseen=True),
    Change("B: one copy zeroed, time kept", "others", on_drive("B", zeroed, 1), unseen=True),
    Change("B: copies truncated", "others", on_drive("B", truncated)),
    Change("B: detached", "others", detached("B")),
    Change("B: a zeroed copy of the drive", "others", copied_and_zeroed("B"), unseen=True),
    Change("B: hard links to A's copies", "others", hard_linked("B", "A")),
    Change("B: hard links to C's copies", "others", hard_linked("B", "C")),
    Change("B and C: copies deleted", "others", _gone_everywhere_else),
    Change("home: an older copy", "catalog", older_home),
    Change("home: rot on B found by another process", "others", _rot_found),
    *CLOCK,
)
ON_A = (
    Change("A: a new frame", "leaving", _new_on_a("2026/2026-06-13 untitled/new.DNG")),
    Change("A: a frame outside the shoots", "leaving", _new_on_a("mine/new.DNG")),
    Change("A: a frame in the program's folder", "leaving", _new_on_a(f"{RESERVED_DIR}/new.DNG")),
    Change("A: a frame in incoming", "leaving", _new_on_a(f"{RESERVED_DIR}/incoming/new.DNG")),
    Change("A: a frame named as unfinished", "leaving", _new_on_a(f"{RESERVED_DIR}/incoming/0a1b2c3d.part")),
    Change("A: a frame among the lists", "leaving", _new_on_a(f"{RESERVED_DIR}/lists/new.DNG")),
    Change("A: a frame among the records", "leaving", _new_on_a(f"{RESERVED_DIR}/records/new.DNG")),
    Change("A: a frame in quarantine", "leaving", _new_on_a(f"{QUARANTINE_DIR}/new.DNG")),
    Change("A: a remark in a check list", "leaving", _remark),
    Change("A: the sidecar edited", "leaving", lambda scene: _sidecar_edited(scene, time_kept=False)),
    Change("A: the sidecar edited, time kept", "leaving", lambda scene: _sidecar_edited(scene, time_kept=True)),
    Change("A: a frame overwritten", "leaving", on_drive("A", _overwritten, 1)),
    Change("A: a frame overwritten, time kept", "leaving", on_drive("A", _overwritten_in_silence, 1), unseen=True),
    Change("A: detached", "leaving", detached("A")),
)
IN_QUARANTINE = (
    Change("A, B and C: copies zeroed, time kept", "others", _rotten_everywhere, unseen=True),
    Change("A: copies deleted", "others", on_drive("A", Path.unlink)),
    Change("quarantine: overwritten", "leaving", _in_quarantine(_overwritten)),
    Change("quarantine: overwritten, time kept", "leaving", _in_quarantine(_overwritten_in_silence), unseen=True),
    Change(
        "quarantine: appended",
        "leaving",
        _in_quarantine(lambda path: path.write_bytes(path.read_bytes() + b"more")),
    ),
)
