"""Ratios of one run: the tool against plain tools and against what the disks can do at most.

Every figure is a quotient of two times taken in the same run, or a peak of memory, so that a slow or busy machine
changes both sides.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

from benching.rig import CannotMeasureError, Rig, clear_left_behind, drop_caches, leaving_in_order, ran, shell
from tripleguard.cameras.capture import read_capture
from tripleguard.cameras.image_info import read_image_info
from tripleguard.cameras.integrity.checker import IntegrityChecker
from tripleguard.cameras.integrity.stream_window import HEAD_BYTES
from tripleguard.demo.camera_files import make_camera_jpeg, make_raw
from tripleguard.model import Integrity

MB = 1_000_000
TOOL = [sys.executable, "-m", "tripleguard"]


def main() -> None:
    """Run the measurements and print a table."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--quick", action="store_true", help="smaller cards, one run each")
    words.add_argument("--runs", type=int, default=3)
    words.add_argument(
        "--above", type=Path, default=Path(tempfile.gettempdir()), help="where the scratch disks lie"
    )
    asked = words.parse_args()
    runs = 1 if asked.quick else asked.runs
    scale = 1 if asked.quick else 3
    clear_left_behind(asked.above)
    with leaving_in_order():
        for name, bound, measure in (
            ("two throttled drives / slowest device", "<= 1.15", lambda: throttled(asked.above, 700 * MB * scale)),
            ("one disk / cp, cp, sync, b3sum x3", "<= 0.50", lambda: one_disk(asked.above, 900 * MB * scale)),
            ("rescan / b3sum, cold disk (rates)", ">= 0.90", lambda: rescan(asked.above, 900 * MB * scale)),
            ("two throttled rescans / one", "<= 1.10", lambda: two_rescans(asked.above, 500 * MB * scale)),
            ("peak memory, large files, MB", "< 150", lambda: memory(asked.above, 60 * scale, 24 * MB)),
            ("peak memory, many small files, MB", "< 150", lambda: memory(asked.above, 5000 * scale, 10_000)),
            ("looking into originals / offload", "< 0.05", lambda: looking(asked.above, 20 * scale)),
            ("last read-back to answer / offload", "< 0.02", lambda: second_look(asked.above, 1500 * scale)),
            ("equal sidecars / different ones", "<= 1.20", lambda: equal_sidecars(asked.above, 400 * scale)),
            ("--help, ms", "< 100", start_up),
        ):
            report(name, bound, runs, measure)


def report(name: str, bound: str, runs: int, measure: Callable[[], float]) -> None:
    """One line: the median, the spread, and the bound."""
    try:
        found = sorted(measure() for _ in range(runs))
    except CannotMeasureError as error:
        print(f"{name:40} not measured: {error}", flush=True)
        return
    middle = statistics.median(found)
    print(f"{name:40} {middle:8.2f}   min {found[0]:.2f} max {found[-1]:.2f}   bound {bound}", flush=True)


def throttled(above: Path, size: int) -> float:
    """An offload to two drives at 150 MB/s from a card at 300 MB/s, against the slowest of them."""
    with Rig(above) as rig:
        room = size * 5 // 4 + 300 * MB
        card = rig.disk("card", room)
        drives = [rig.disk(name, room) for name in ("a", "b")]
        total = fill(card.root, size // (24 * MB), 24 * MB)
        home = set_up(rig, [drive.root for drive in drives])
        drop_caches()
        rig.limit(card, 300 * MB)
        for drive in drives:
            rig.limit(drive, 150 * MB)
        took = ran([*TOOL, "--home", str(home), "offload", str(card.root), "--json"])
        assert json.loads(took.output)["clearance"]["answer"] == "yes"
        return took.seconds / (total / (150 * MB))


def looking(above: Path, frames: int) -> float:
    """Time of a processor for metadata and structure of raws and camera JPEGs, against the offload of the same."""
    with Rig(above) as rig:
        card = rig.free_folder("card")
        fill(card, frames, 24 * MB)
        taken = datetime(2026, 6, 13, 21, 30)
        for number in range(frames):
            jpeg = make_camera_jpeg(
                number, taken=taken, subsec=1, offset="+02:00", serial="4100217", width=4800, height=3200
            )
            (card / f"DCIM/100ORREY/ORR_{number + 1:04d}.JPG").write_bytes(jpeg)
        home = set_up(rig, [rig.free_folder("a"), rig.free_folder("b")])
        drop_caches()
        took = ran([*TOOL, "--home", str(home), "offload", str(card)])
        spent = sum(_looked_at(path.name, path.read_bytes()) for path in sorted(card.rglob("ORR_*")))
        return spent / took.seconds


def _looked_at(name: str, content: bytes) -> float:
    """Seconds of a processor to look into one file as it passes in buffers of 4 MiB."""
    view, began = memoryview(content), time.process_time()
    checker = IntegrityChecker(name, len(view))
    for at in range(0, len(view), 4 << 20):
        checker.feed(view[at : at + (4 << 20)])
    head = content[:HEAD_BYTES]
    read_capture(head, name)
    read_image_info(head, name)
    assert checker.get_verdict().integrity is Integrity.CLEAN
    return time.process_time() - began


def one_disk(above: Path, size: int) -> float:
    """Card and both drives on one disk, against copying twice and checking all three by hand."""
    with Rig(above) as rig:
        card = rig.free_folder("card")
        fill(card, size // (24 * MB), 24 * MB)
        home = set_up(rig, [rig.free_folder("a"), rig.free_folder("b")])
        drop_caches()
        took = ran([*TOOL, "--home", str(home), "offload", str(card)])
        c, d = rig.free_folder("c"), rig.free_folder("d")
        drop_caches()
        check = "find {} -type f -print0 | xargs -0 b3sum >/dev/null"
        plain = shell(
            f"cp -r {card} {c}; cp -r {card} {d}; sync; echo 3 >/proc/sys/vm/drop_caches; "
            + "; ".join(check.format(folder) for folder in (card, c, d))
        )
        return took.seconds / plain.seconds


def rescan(above: Path, size: int) -> float:
    """The reading rate of a full rescan of one drive against b3sum over the same cold files, both as gentle.

    The drive gives 1,000 MB/s at most, what a fast portable one gives: a disk that is shared with strangers gives
    one half of what it gave a second ago. In turns, so that what is left of that falls on both.
    """
    with Rig(above) as rig:
        card = rig.free_folder("card")
        fill(card, size // (24 * MB), 24 * MB)
        drive = rig.disk("a", size * 5 // 4 + 300 * MB)
        home = set_up(rig, [drive.root])
        ran([*TOOL, "--home", str(home), "offload", str(card)], ok=(1,))
        rig.limit(drive, 1000 * MB)

        def plain() -> float:
            drop_caches()
            files = f"find {drive.root}/2026 -name '*.DNG' -print0"
            return shell(f"{files} | xargs -0 nice -n 10 ionice -c 3 b3sum >/dev/null").seconds

        def tool() -> float:
            drop_caches()
            took = ran([*TOOL, "--home", str(home), "rescan", "--all", "--json"])
            return float(json.loads(took.output)["seconds"])

        first, ours, ours_again, last = plain(), tool(), tool(), plain()
        return (first + last) / (ours + ours_again)


def two_rescans(above: Path, size: int) -> float:
    """Rescanning two throttled drives at once against what one of them needs."""
    with Rig(above) as rig:
        card = rig.free_folder("card")
        total = fill(card, size // (24 * MB), 24 * MB)
        drives = [rig.disk(name, size * 5 // 4 + 300 * MB) for name in ("a", "b")]
        home = set_up(rig, [drive.root for drive in drives])
        ran([*TOOL, "--home", str(home), "offload", str(card)])
        drop_caches()
        for drive in drives:
            rig.limit(drive, 150 * MB)
        took = ran([*TOOL, "--home", str(home), "rescan", "--all", "--json"])
        return float(json.loads(took.output)["seconds"]) / (total / (150 * MB))


def memory(above: Path, files: int, size: int) -> float:
    """The peak of an offload in MB."""
    with Rig(above) as rig:
        card = rig.free_folder("card")
        fill(card, files, size)
        home = set_up(rig, [rig.free_folder("a"), rig.free_folder("b")])
        # Small ones are noise and no raws, so that the card is not cleared.
        return ran([*TOOL, "--home", str(home), "offload", str(card)], ok=(0, 1)).peak / MB


def equal_sidecars(above: Path, frames: int) -> float:
    """An offload of pictures that all have the same settings beside them, against one where each has its own."""

    def took(settings: Callable[[int], bytes]) -> float:
        with Rig(above) as rig:
            card = rig.free_folder("card")
            fill(card, frames, 1 << 16)
            for number in range(1, frames + 1):
                (card / f"DCIM/100ORREY/ORR_{number:04d}.xmp").write_bytes(settings(number))
            home = set_up(rig, [rig.free_folder("a"), rig.free_folder("b")])
            drop_caches()
            # Both lie on one disk here, which may not clear the card.
            return ran([*TOOL, "--home", str(home), "offload", str(card)], ok=(0, 1)).seconds

    return took(lambda _: b"<x/>") / took(lambda number: f"<x>{number}</x>".encode())


def second_look(above: Path, frames: int) -> float:
    """What an offload does between its last read-back and its answer, against all of it.

    That is the second look at the card and at every copy, and what is left on the drives before it. A card of
    small frames on a fast disk is the worst case: a look costs the same for each file, whatever its size.
    """
    with Rig(above) as rig:
        card = rig.free_folder("card")
        fill(card, frames, 400_000)
        home = set_up(rig, [rig.free_folder("a"), rig.free_folder("b")], "--allow-same-disk")
        drop_caches()
        took = ran([*TOOL, "--home", str(home), "offload", str(card)])
        answered = time.time_ns()
        with contextlib.closing(sqlite3.connect(home / "catalog.db")) as catalog:
            (read_back,) = catalog.execute("SELECT max(verified_at) FROM copies").fetchone()
            (last_look,) = catalog.execute("SELECT max(at) FROM clearances").fetchone()
        seconds, last = (answered - read_back) / 1e9, (answered - last_look) / 1e9
        print(
            f"    {frames:,} frames: {took.seconds:.1f} s; after the last read-back {seconds:.2f} s, "
            f"of these from the last look on {last:.2f} s"
        )
        return float(seconds / took.seconds)


def start_up() -> float:
    """The median of 20 starts in milliseconds."""
    took = [ran([*TOOL, "--help"]).seconds * 1000 for _ in range(20)]
    return statistics.median(took)


def set_up(rig: Rig, drives: list[Path], *more: str) -> Path:
    home = rig.root / "home"
    given = [word for name, root in zip("AB", drives, strict=False) for word in ("--drive", f"{name}={root}")]
    ran([*TOOL, "--home", str(home), "setup", *given, *more])
    return home


def fill(root: Path, files: int, size: int) -> int:
    """Put so many raw-like files on a card; the bytes in all. Small ones are plain noise."""
    folder = root / "DCIM" / "100ORREY"
    folder.mkdir(parents=True)
    taken = datetime(2026, 6, 13, 21, 30)
    for number in range(files):
        at = taken + timedelta(seconds=number)
        if size >= 1 << 16:
            content = make_raw(
                number, taken=at, subsec=1, offset="+02:00", serial="4100217", model="Orrery R7", size=size
            )
        else:
            content = os.urandom(size)
        (folder / f"ORR_{number % 9999 + 1:04d}{'' if number < 9999 else number}.DNG").write_bytes(content)
    os.sync()
    return files * size


if __name__ == "__main__":
    main()
