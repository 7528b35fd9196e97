"""What a good copy is, is said once in Python (`rules`) and once in SQL (views of the catalog): they agree."""

from __future__ import annotations

import ast
import sqlite3
from collections import Counter
from pathlib import Path

from hypothesis import example, given, settings
from hypothesis import strategies as st

import tripleguard
from tripleguard.catalog import file_queries, schema, shoots
from tripleguard.catalog.places import list_places
from tripleguard.catalog.store import Catalog
from tripleguard.model import Copy, CopyState, Medium, PlaceKind, PlaceState
from tripleguard.rules import is_counted_drive, is_good_copy, is_verified

FILES, PLACES = 3, 4
EVIDENCE = st.one_of(
    st.just((None, None)),
    st.tuples(st.integers(0, 9), st.sampled_from([one for one in Medium if one is not Medium.REMOUNTED])),
)
CONTENTS = st.tuples(st.integers(1, FILES), st.sampled_from([CopyState.PRESENT, *CopyState]), EVIDENCE)
COPIES = st.lists(st.tuples(st.integers(1, PLACES), CONTENTS, CONTENTS, st.booleans()), max_size=14)
"""The place of each copy, its file, state and evidence at first and later, and whether a remount came before."""
STORED_STATES = [one for one in PlaceState if one is not PlaceState.RETIRING]
"""A place that is about to be retired is stored as one in service that has a time when that began."""
PLACE_ROWS = st.lists(
    st.tuples(st.sampled_from(PlaceKind), st.sampled_from(STORED_STATES), st.sampled_from([False, False, True])),
    min_size=PLACES,
    max_size=PLACES,
)


def build_catalog(places: list[tuple[PlaceKind, PlaceState, bool]]) -> Catalog:
    """Return a catalog in memory with these places, a shoot and files without copies."""
    connection = sqlite3.connect(":memory:", isolation_level=None)
    schema.migrate(connection)
    catalog = Catalog(Path("catalog.db"), connection)
    with catalog.transaction():
        for number, (kind, state, is_retiring) in enumerate(places, start=1):
            catalog.execute(
                "INSERT INTO places (id, uid, name, kind, role, state, added_at, retiring_since)"
                " VALUES (?1, ?1, ?1, ?2, 'road', ?3, 0, ?4)",
                number,
                kind,
                state,
                5 if is_retiring else None,
            )
            catalog.execute("INSERT INTO folders (id, place_id, path) VALUES (?1, ?1, 'f')", number)
        catalog.execute("INSERT INTO shoots (id, day, name, created_at) VALUES (1, '2026-06-13', 'quay', 0)")
        for number in range(1, FILES + 1):
            catalog.execute(
                "INSERT INTO files (id, digest, size, name, kind, shoot_id, required_copies, first_seen_at)"
                " VALUES (?, ?, 4, 'a.DNG', 'raw', 1, 2, 0)",
                number,
                bytes([number]) * 32,
            )
    return catalog


def list_all_copies(catalog: Catalog) -> list[Copy]:
    return [copy for file_id in range(1, FILES + 1) for copy in file_queries.list_copies(catalog, file_id)]


def count_copies(catalog: Catalog) -> dict[tuple[int, bool], int]:
    """Return how many counted places of each kind have a good copy of each file, by the rule in Python."""
    places = {place.id: place for place in list_places(catalog)}
    good = {(copy.file_id, copy.place_id) for copy in list_all_copies(catalog) if is_good_copy(copy)}
    return Counter(
        (file_id, is_counted_drive(places[place_id]))
        for file_id, place_id in good
        if places[place_id].state.is_in_service
    )


Contents = tuple[int, CopyState, tuple[int | None, Medium | None]]
_READ, _NOT_READ = (1, CopyState.PRESENT, (1, Medium.CACHED)), (1, CopyState.PRESENT, (None, None))
_IN_SERVICE = [(PlaceKind.DRIVE, PlaceState.ACTIVE, False)] * PLACES


@settings(deadline=None)
@given(places=PLACE_ROWS, copies=COPIES)
@example(places=_IN_SERVICE, copies=[(1, _NOT_READ, _READ, False)])
@example(places=_IN_SERVICE, copies=[(1, _READ, _NOT_READ, False)])
def test_the_views_and_the_counts_say_of_every_copy_what_the_rules_say(
    places: list[tuple[PlaceKind, PlaceState, bool]], copies: list[tuple[int, Contents, Contents, bool]]
) -> None:
    catalog = build_catalog(places)
    with catalog.transaction():
        for number, (place_id, (file_id, state, evidence), _, is_remounted) in enumerate(copies, start=1):
            catalog.execute(
                "INSERT INTO copies (id, file_id, place_id, folder_id, name, shoot_id, mtime_ns, state,"
                " state_since, remounted_at, verified_at, medium)"
                " VALUES (?1, ?2, ?3, ?3, ?1, 1, 0, ?4, 0, ?5, ?6, ?7)",
                number,
                file_id,
                place_id,
                state,
                evidence[0] if is_remounted else None,
                *evidence,
            )
        # Each column that matters is changed by itself, because the triggers name the columns they follow.
        for number, (_, _, (file_id, state, evidence), _) in enumerate(copies, start=1):
            catalog.execute("UPDATE copies SET file_id = ? WHERE id = ?", file_id, number)
            catalog.execute("UPDATE copies SET state = ? WHERE id = ?", state, number)
            catalog.execute("UPDATE copies SET verified_at = ?, medium = ? WHERE id = ?", *evidence, number)
    everything = list_all_copies(catalog)
    assert len(everything) == len(copies)
    present = {copy for copy in everything if copy.state is CopyState.PRESENT}
    expected = {
        "good_copies": {copy.id for copy in everything if is_good_copy(copy)},
        "unverified_copies": {copy.id for copy in present if not is_verified(copy.evidence)},
        "places_in_service": {place.id for place in list_places(catalog) if place.state.is_in_service},
    }
    for view, ids in expected.items():
        assert {row[0] for row in catalog.fetch_all(f"SELECT id FROM {view}")} == ids, view
    counts, drives_in_service = (
        count_copies(catalog),
        {one.id for one in list_places(catalog) if is_counted_drive(one)},
    )
    for file_id, drives, offsite in catalog.fetch_all("SELECT id, drive_copies, offsite_copies FROM files"):
        assert (drives, offsite) == (counts.get((file_id, True), 0), counts.get((file_id, False), 0))
        counted = {copy.id for copy in file_queries.list_counted_drive_copies(catalog, file_id)}
        assert counted == {
            copy.id
            for copy in everything
            if copy.file_id == file_id and is_good_copy(copy) and copy.place_id in drives_in_service
        }
    covered = {one.place: one.verified for one in shoots.list_coverage(catalog) if one.verified}
    assert covered == Counter(str(copy.place_id) for copy in everything if is_good_copy(copy))
    catalog.close()


def test_no_other_statement_says_in_its_own_words_what_a_good_copy_is() -> None:
    """Beside the view, one statement takes evidence away, and one query orders copies by whether they have any."""
    package = Path(tripleguard.__file__).parent
    found = set()
    for path in package.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                words = " ".join(node.value.split())
                if "verified_at IS NOT NULL" in words and "CREATE" not in words:
                    found.add(path.relative_to(package).as_posix())
    assert found == {"catalog/schema_archive.py", "catalog/rows.py", "catalog/offsite.py"}
