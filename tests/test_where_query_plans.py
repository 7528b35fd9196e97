"""Every question of `where` is answered from an index, and finds what a look at every file finds."""

from __future__ import annotations

import random
from collections.abc import Iterator
from pathlib import Path

import large_archive
import pytest
from large_archive import QUESTIONS, Asked, fill

from tripleguard.catalog.search import SearchQuery, build_statements, search_files
from tripleguard.catalog.store import Catalog, open_catalog

FILES = 30_000


@pytest.fixture(scope="module")
def catalog(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Catalog]:
    """Seven shoots of a long archive."""
    path = tmp_path_factory.mktemp("archive") / "catalog.db"
    fill(path, FILES)
    opened = open_catalog(path)
    yield opened
    opened.close()


def plan(catalog: Catalog, sql: str, values: tuple[object, ...]) -> list[str]:
    return [row[3] for row in catalog.fetch_all(f"EXPLAIN QUERY PLAN {sql}", *values)]


@pytest.mark.parametrize("asked", QUESTIONS, ids=lambda asked: asked.name)
@pytest.mark.parametrize("analysed", [False, True], ids=["as it grew", "analysed"])
def test_no_question_looks_at_every_file(catalog: Catalog, asked: Asked, analysed: bool) -> None:
    """A plan that fits a small catalog can be ruinous in a large one, so the plans are pinned, not the times."""
    if analysed:
        with catalog.transaction():
            catalog.execute("ANALYZE")
    for sql, values in build_statements(catalog, asked.sought, 201):
        steps = plan(catalog, sql, values)
        scans = [step for step in steps if step.startswith(("SCAN f", "SCAN r", "SCAN c", "SCAN a"))]
        # Names that are no text are few, and have indexes of their own.
        assert all("files_named_not_text" in step or "other_names_not_text" in step for step in scans), steps
        assert not [step for step in steps if "TEMP B-TREE" in step], steps


def test_a_question_without_an_index_would_be_noticed(catalog: Catalog) -> None:
    steps = plan(catalog, "SELECT f.id FROM files f WHERE instr(lower(f.name), 'x') LIMIT 5", ())
    assert any(step.startswith("SCAN f") for step in steps)


def by_looking_at_all(catalog: Catalog, sought: SearchQuery) -> set[int]:
    """The same by brute force: name, shoot, body and rating of every file."""
    rows = catalog.fetch_all(
        "SELECT f.id, lower(f.name), lower(s.day || ' ' || s.name), lower(b.label), coalesce(r.rating, -999),"
        " strftime('%Y-%m-%d %H:%M', f.captured_wall_ns / 1000000000, 'unixepoch'), s.day, lower(hex(f.digest))"
        " FROM files f JOIN shoots s ON s.id = f.shoot_id JOIN bodies b ON b.id = f.body_id"
        " LEFT JOIN ratings r ON r.file_id = f.id"
    )
    found = set()
    for number, name, shoot, body, rating, taken, day, digest in rows:
        meets = [
            any(
                (
                    word.lower() in name,
                    word.lower() in shoot,
                    word.lower() in body,
                    len(word) > 3 and taken.startswith(word),
                    len(word) > 3 and day.startswith(word),
                    len(word) > 7 and digest.startswith(word.lower()),
                )
            )
            for word in sought.words
        ]
        meets.append(sought.name is None or sought.name.lower() in name)
        meets.append(sought.shoot is None or sought.shoot.lower() in shoot)
        meets.append(sought.body is None or sought.body.lower() in body)
        meets.append(sought.rating is None or rating >= sought.rating * 100)
        if all(meets):
            found.add(number)
    return found


WORDS = (
    "0412",
    "ORR_0",
    "harbour",
    "night 3",
    "Orrery",
    "R7",
    "Velum M2 77",
    "2016-01-06",
    "2016-01",
    "dng",
    "41",
    "zz",
)


@pytest.mark.parametrize("seed", range(25))
def test_what_is_found_is_what_a_full_look_finds(catalog: Catalog, seed: int) -> None:
    lot = random.Random(seed)
    sought = SearchQuery(
        words=tuple(lot.sample(WORDS, lot.choice((0, 1, 1, 2)))),
        name=lot.choice((None, "0412", "9", "_OR5")),
        shoot=lot.choice((None, None, "foundry", "2016-01-03")),
        body=lot.choice((None, None, "Velum", "Orrery R5")),
        rating=lot.choice((None, None, 4.0, 1.0)),
    )
    if sought == SearchQuery():
        sought = SearchQuery(words=("0412",))
    wanted = by_looking_at_all(catalog, sought)
    found = [known.id for known in search_files(catalog, sought, FILES)]
    assert len(found) == len(set(found))
    assert set(found) == wanted
    some = [known.id for known in search_files(catalog, sought, 20)]
    assert len(some) == min(20, len(wanted))
    assert set(some) <= wanted


def test_names_follow_new_files_and_a_file_is_found_at_once(catalog: Catalog, tmp_path: Path) -> None:
    fill(tmp_path / "catalog.db", 200)
    fresh = open_catalog(tmp_path / "catalog.db")
    try:
        with fresh.transaction():
            fresh.execute(
                "INSERT INTO files (digest, size, name, kind, shoot_id, first_seen_at, required_copies)"
                " VALUES (?, 5, 'Zebra-final.tif', 'picture', 1, 0, 2)",
                large_archive.digest_of_number(10**9),
            )
        assert [known.name for known in search_files(fresh, SearchQuery(words=("bra-fin",)), 5)] == [
            "Zebra-final.tif"
        ]
        before = fresh.fetch_all("SELECT count(*) FROM names")
        with fresh.transaction():
            fresh.execute(
                "INSERT INTO files (digest, size, name, kind, shoot_id, first_seen_at, required_copies)"
                " VALUES (?, 5, 'Zebra-final.tif', 'picture', 1, 0, 2)",
                large_archive.digest_of_number(10**9 + 1),
            )
        assert fresh.fetch_all("SELECT count(*) FROM names") == before
        assert len(search_files(fresh, SearchQuery(words=("bra-fin",)), 5)) == 2
    finally:
        fresh.close()
