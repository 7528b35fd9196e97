"""An archive of many years, entered into a catalog without a drive or a picture: for questions at full size.

Shoots of 4,500 frames, six bodies that count to 9999 and begin anew, sixty drives of which each shoot lies on two;
one frame in fifty is rated. Run by `scripts/campaign-where` it says how long each question takes.
"""

from __future__ import annotations

import argparse
import hashlib
import shutil
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tripleguard.catalog.search import SearchQuery, parse_time_span, search_files
from tripleguard.catalog.store import Catalog, create_catalog, open_catalog

PER_SHOOT = 4_500
BODIES = ("Orrery R7 0023", "Orrery R7 0024", "Orrery R5 1180", "Velum M2 77", "Velum M2 78", "Carrack X 4")
PREFIXES = ("ORR_", "ORR_", "_OR5", "VEL_", "VEL_", "CRK_")
DRIVES = 60
FIRST = datetime(2016, 1, 3, 20, 30, tzinfo=UTC)
DAY_NS = 86_400_000_000_000


@dataclass(frozen=True, slots=True)
class Asked:
    """One question and the most files that may answer it."""

    name: str
    sought: SearchQuery


def fill(path: Path, files: int, *, own_names: bool = False) -> None:
    """A catalog of so many files at path. own_names: no two of them are called alike."""
    create_catalog(path).close()
    raw = sqlite3.connect(path, isolation_level=None)
    for pragma in ("journal_mode = OFF", "synchronous = OFF", "cache_size = -400000"):
        raw.execute(f"PRAGMA {pragma}")
    raw.execute("BEGIN")
    # Row by row the triggers would count every file anew; what they keep is put there at the end.
    triggers = raw.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    for name, _ in triggers:
        raw.execute(f"DROP TRIGGER {name}")
    _fill(raw, files, own_names)
    for statement in COUNTS:
        raw.execute(statement)
    for _, sql in triggers:
        raw.execute(sql)
    raw.execute("COMMIT")
    raw.close()


COUNTS = (
    "INSERT INTO coverage (shoot_id, place_id, copies, bytes, good, good_bytes) SELECT c.shoot_id, c.place_id,"
    " count(*), sum(f.size), count(*), sum(f.size) FROM copies c JOIN files f ON f.id = c.file_id GROUP BY 1, 2",
    "UPDATE shoots SET (files, bytes) = (SELECT count(*), coalesce(sum(size), 0) FROM files f"
    " WHERE f.shoot_id = shoots.id)",
    "INSERT INTO names (name) SELECT DISTINCT name FROM files",
    "INSERT INTO name_parts (name_parts) VALUES ('rebuild')",
)


def _fill(raw: sqlite3.Connection, files: int, own_names: bool) -> None:
    raw.executemany(
        "INSERT INTO bodies (id, label, make, model, serial) VALUES (?, ?, 'm', 'm', ?)",
        [(number, label, label) for number, label in enumerate(BODIES, start=1)],
    )
    raw.executemany(
        "INSERT INTO places (id, uid, name, kind, role, state, added_at, note)"
        " VALUES (?, ?, ?, 'drive', ?, ?, 0, ?)",
        [
            (
                number,
                f"uid{number}",
                f"K{number:02d}",
                *_standing(number),
                f"shelf {number // 10}, box {number % 10}",
            )
            for number in range(1, DRIVES + 1)
        ],
    )
    for shoot in range((files + PER_SHOOT - 1) // PER_SHOOT):
        begins = FIRST + timedelta(days=shoot * 3)
        day = begins.date().isoformat()
        raw.execute(
            "INSERT INTO shoots (id, day, name, created_at) VALUES (?, ?, ?, 0)",
            (shoot + 1, day, f"{('harbour', 'foundry', 'meadow')[shoot % 3]} night {shoot}"),
        )
        pair = (shoot // 20 % (DRIVES // 2) * 2 + 1, shoot // 20 % (DRIVES // 2) * 2 + 2)
        body = shoot % len(BODIES)
        folders = [
            (shoot * 2 + n + 1, place, f"2016/{day} s{shoot}/{BODIES[body]}") for n, place in enumerate(pair)
        ]
        raw.executemany("INSERT INTO folders (id, place_id, path) VALUES (?, ?, ?)", folders)
        many = range(shoot * PER_SHOOT, min(files, (shoot + 1) * PER_SHOOT))
        wall = int(begins.timestamp()) * 1_000_000_000
        raw.executemany(
            "INSERT INTO files (id, digest, size, name, kind, shoot_id, body_id, captured_wall_ns, first_seen_at,"
            " required_copies, drive_copies) VALUES (?, ?, 22000000, ?, 'raw', ?, ?, ?, 0, 2, 2)",
            (
                (
                    n + 1,
                    digest_of_number(n),
                    name_of(n, body, own_names),
                    shoot + 1,
                    body + 1,
                    wall + (n % PER_SHOOT) * 2_300_000_000,
                )
                for n in many
            ),
        )
        raw.executemany(
            "INSERT INTO copies (file_id, place_id, folder_id, name, shoot_id, mtime_ns, state, state_since,"
            " written_at, verified_at, medium, listed_at)"
            " VALUES (?, ?, ?, ?, ?, ?, 'present', 0, 0, ?, 'direct', 0)",
            (
                (n + 1, place, folder, name_of(n, body, own_names), shoot + 1, wall, wall + DAY_NS + place)
                for folder, place, _ in folders
                for n in many
            ),
        )
        raw.executemany(
            "INSERT INTO ratings (file_id, rating, stated_at) VALUES (?, ?, 0)",
            ((n + 1, 100 * (1 + n // 50 % 5)) for n in many if n % 50 == 0),
        )


def name_of(number: int, body: int, own: bool) -> str:
    """As cameras count, or with more than they can count to in front."""
    return f"{f'{number // 9999:05d}' if own else ''}{PREFIXES[body]}{number % 9999 + 1:04d}.DNG"


def digest_of_number(number: int) -> bytes:
    return hashlib.sha256(number.to_bytes(8, "big")).digest()


def _standing(number: int) -> tuple[str, str]:
    """Role and state of the n-th drive: one lost, the last two on the road, the others on the shelf."""
    if number == 7:
        return "shelf", "lost"
    return ("road", "active") if number > DRIVES - 2 else ("shelf", "shelved")


QUESTIONS = (
    Asked("a whole name", SearchQuery(words=("ORR_0412.DNG",))),
    Asked("a part of a name", SearchQuery(words=("0412",))),
    Asked("three letters that every file has", SearchQuery(words=("DNG",))),
    Asked("two letters", SearchQuery(name="41")),
    Asked("a name that nobody has", SearchQuery(words=("ORR_X412",))),
    Asked("a day", SearchQuery(words=("2016-02-11",))),
    Asked("a month", SearchQuery(span=parse_time_span("2016-02"))),
    Asked("a minute", SearchQuery(words=("2016-02-11 21:07",))),
    Asked("a shoot", SearchQuery(shoot="foundry night 40")),
    Asked("a word of many shoots", SearchQuery(words=("harbour",))),
    Asked("a body", SearchQuery(body="Carrack")),
    Asked("a name and a body", SearchQuery(words=("0412", "Velum M2 77"))),
    Asked("a name, a shoot and a body", SearchQuery(words=("0412", "foundry", "Orrery R7"))),
    Asked("five stars", SearchQuery(rating=5)),
    Asked("five stars of one shoot", SearchQuery(rating=5, shoot="foundry night 40")),
    Asked("a digest", SearchQuery(words=(digest_of_number(123_456 % 100_000).hex()[:16],))),
)


def timed(catalog: Catalog, asked: Asked, times: int) -> tuple[float, int]:
    """Median seconds, and how many files."""
    spent = []
    found = 0
    for _ in range(times):
        began = time.perf_counter()
        found = len(search_files(catalog, asked.sought, 201))
        spent.append(time.perf_counter() - began)
    return statistics.median(spent), found


def slow_scan(catalog: Catalog, part: str) -> Iterator[int]:
    """What a question cost before there was an index of names: every file is looked at."""
    rows = catalog.iter_rows(
        "SELECT f.id FROM files f JOIN shoots s ON s.id = f.shoot_id WHERE instr(lower(f.name), lower(?))"
        " ORDER BY f.captured_wall_ns, f.id LIMIT 201",
        part,
    )
    return (row[0] for row in rows)


def main() -> int:
    """Make the archive, ask every question, print what it took; 1 if one took too long."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("files", nargs="?", type=int, default=2_000_000)
    words.add_argument("--above", type=Path, default=Path("/var/tmp"))
    words.add_argument("--own-names", action="store_true", help="no two files are called alike")
    words.add_argument("--most", type=float, default=0.25, help="seconds that no question may take")
    asked = words.parse_args()
    root = Path(tempfile.mkdtemp(prefix="where-", dir=asked.above))
    try:
        began = time.monotonic()
        fill(root / "catalog.db", asked.files, own_names=asked.own_names)
        size = (root / "catalog.db").stat().st_size
        print(f"{asked.files:,} files, {size / 1e9:.1f} GB, made in {time.monotonic() - began:.0f} s", flush=True)
        catalog = open_catalog(root / "catalog.db")
        names = catalog.fetch_all("SELECT count(*) FROM names")[0][0]
        kept = catalog.fetch_all("SELECT sum(length(block)) FROM name_parts_data")[0][0]
        print(f"{names:,} names, {kept / 1e6:.1f} MB of parts")
        worst = 0.0
        for one in QUESTIONS:
            seconds, found = timed(catalog, one, 5)
            worst = max(worst, seconds)
            print(
                f"| {one.name} | {seconds * 1000:.1f} ms | {found if found < 201 else 'more than 200'} |",
                flush=True,
            )
        began = time.monotonic()
        list(slow_scan(catalog, "0412"))
        print(f"| every file looked at, for comparison | {(time.monotonic() - began) * 1000:.0f} ms | |")
        catalog.close()
        return 0 if worst <= asked.most else 1
    finally:
        shutil.rmtree(root)


if __name__ == "__main__":
    sys.exit(main())
