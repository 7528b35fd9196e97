"""The catalog keeps its counts, its history and its promises, whoever writes and in whatever order."""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import textwrap
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from world import World

from tripleguard.catalog import file_queries, folder_queries, schema, shoots
from tripleguard.catalog.event_log import (
    add_clearance,
    add_event,
    begin_job,
    end_job,
    get_last_card_clearance,
    list_events,
)
from tripleguard.catalog.file_updates import (
    FileOrigin,
    add_card_file,
    apply_drive_copies_rule,
    ensure_body,
    ensure_file,
    ensure_shoot,
    move_copy,
    record_copy,
    record_copy_listed,
    record_copy_quarantined,
    record_copy_verified,
    set_copy_content,
    set_copy_mtime,
    set_copy_state,
    set_meta,
)
from tripleguard.catalog.places import (
    add_place,
    get_place,
    list_places,
    mark_place_evidence_inherited,
    record_place_connected,
    set_place_leaving,
    set_place_state,
)
from tripleguard.catalog.rows import from_db, join_path, split_path, to_db
from tripleguard.catalog.store import BUSY_TIMEOUT_SECONDS, Catalog, create_catalog, open_catalog
from tripleguard.clearance_answer import Clearance
from tripleguard.digest import compute_digest
from tripleguard.errors import CatalogError, NotSetUpError, UsageError
from tripleguard.model import (
    CopyState,
    DriveRole,
    Entry,
    EventOutcome,
    EventType,
    File,
    FileKind,
    Medium,
    PlaceKind,
    PlaceRecord,
    PlaceState,
)

PATHS = [f"2026/2026-06-13 quay/R7/ORR_000{n}.DNG" for n in range(4)] + ["2026/2026-06-14 hall/a.xmp"]
DAYS = ["2026-06-13", "2026-06-14", "2026-06-15"]


@pytest.fixture
def catalog(tmp_path: Path) -> Iterator[Catalog]:
    opened = create_catalog(tmp_path / "catalog.db")
    yield opened
    opened.close()


def drive_in(catalog: Catalog, name: str, kind: PlaceKind = PlaceKind.DRIVE) -> PlaceRecord:
    with catalog.transaction():
        return add_place(
            catalog, f"uid-{name}", name, kind=kind, role=DriveRole.ROAD, at=1, path=Path(f"/media/{name}")
        )


def file_in(
    catalog: Catalog, content: bytes, *, day: str = DAYS[0], name: str = "ORR_0001.DNG", wants: int = 2
) -> int:
    with catalog.transaction():
        shoot = ensure_shoot(catalog, day, "quay", 1)
        return ensure_file(
            catalog,
            File(compute_digest(content), len(content)),
            FileOrigin(name, FileKind.RAW, shoot),
            None,
            wants,
            1,
        )


class CountsFollow(RuleBasedStateMachine):
    """Whatever happens to files, copies and places, the kept-up counts are those of a full recount."""

    @initialize()
    def begin(self) -> None:
        self.folder = tempfile.mkdtemp(prefix="catalog")
        self.catalog = create_catalog(Path(self.folder) / "catalog.db")
        self.at = 100
        self.files: list[int] = []
        self.places = [drive_in(self.catalog, name).id for name in "ABC"]
        self.places.append(drive_in(self.catalog, "away", PlaceKind.OFFSITE).id)
        self.wants = 2
        apply_drive_copies_rule(self.catalog, 2)

    def teardown(self) -> None:
        if hasattr(self, "catalog"):
            self.catalog.close()
            shutil.rmtree(self.folder)

    def copies(self) -> list[int]:
        return [row[0] for row in self.catalog.fetch_all("SELECT id FROM copies ORDER BY id")]

    @rule(size=st.integers(0, 5), day=st.sampled_from(DAYS))
    def enter_a_file(self, size: int, day: str) -> None:
        content = bytes([len(self.files) % 256]) * size
        number = file_in(self.catalog, content, day=day, wants=self.wants)
        if number not in self.files:
            self.files.append(number)

    @precondition(lambda self: self.files)
    @rule(data=st.data(), by_us=st.booleans(), path=st.sampled_from(PATHS), day=st.sampled_from(DAYS))
    def write_a_copy(self, data: st.DataObject, by_us: bool, path: str, day: str) -> None:
        self.at += 1
        with self.catalog.transaction():
            record_copy(
                self.catalog,
                data.draw(st.sampled_from(self.files)),
                data.draw(st.sampled_from(self.places)),
                ensure_shoot(self.catalog, day, "quay", 1),
                Entry(path, 1, 5),
                self.at,
                is_ours=by_us,
            )

    @precondition(lambda self: self.copies())
    @rule(data=st.data(), medium=st.sampled_from(Medium), insertion=st.sampled_from([None, "one", "two"]))
    def verify_a_copy(self, data: st.DataObject, medium: Medium, insertion: str | None) -> None:
        self.at += 1
        with self.catalog.transaction():
            record_copy_verified(
                self.catalog, data.draw(st.sampled_from(self.copies())), medium, self.at, insertion
            )

    @precondition(lambda self: self.copies())
    @rule(data=st.data(), state=st.sampled_from(CopyState))
    def find_a_copy_in_a_state(self, data: st.DataObject, state: CopyState) -> None:
        self.at += 1
        with self.catalog.transaction():
            set_copy_state(self.catalog, data.draw(st.sampled_from(self.copies())), state, self.at)

    @precondition(lambda self: self.copies())
    @rule(data=st.data())
    def move_a_copy_quarantine(self, data: st.DataObject) -> None:
        self.at += 1
        copy = file_queries.get_copy(self.catalog, data.draw(st.sampled_from(self.copies())))
        with self.catalog.transaction():
            record_copy_quarantined(
                self.catalog, copy.id, copy.place_id, f".tripleguard/quarantine/{self.at}/x", self.at
            )

    @precondition(lambda self: self.copies() and self.files)
    @rule(data=st.data())
    def put_another_file_at_a_path(self, data: st.DataObject) -> None:
        copy = file_queries.get_copy(self.catalog, data.draw(st.sampled_from(self.copies())))
        with self.catalog.transaction():
            set_copy_content(
                self.catalog, copy.id, data.draw(st.sampled_from(self.files)), Entry(copy.path, 1, 9), self.at
            )

    @precondition(lambda self: self.copies())
    @rule(data=st.data())
    def touch_list_and_move_a_copy(self, data: st.DataObject) -> None:
        self.at += 1
        copy = file_queries.get_copy(self.catalog, data.draw(st.sampled_from(self.copies())))
        with self.catalog.transaction():
            set_copy_mtime(self.catalog, copy.id, self.at)
            record_copy_listed(self.catalog, copy.id, self.at)
            move_copy(self.catalog, copy.id, copy.place_id, Entry(f"moved/{self.at}", 1, self.at))

    @precondition(lambda self: self.copies())
    @rule(data=st.data())
    def forget_a_copy(self, data: st.DataObject) -> None:
        with self.catalog.transaction():
            self.catalog.execute("DELETE FROM copies WHERE id = ?", data.draw(st.sampled_from(self.copies())))

    @rule(data=st.data(), state=st.sampled_from(PlaceState))
    def change_a_place(self, data: st.DataObject, state: PlaceState) -> None:
        place = data.draw(st.sampled_from(self.places))
        with self.catalog.transaction():
            if state is PlaceState.RETIRING:
                set_place_leaving(self.catalog, place, self.at)
            else:
                set_place_state(self.catalog, place, state, DriveRole.ROAD)

    @precondition(lambda self: self.files)
    @rule(data=st.data(), day=st.sampled_from(DAYS))
    def put_a_file_into_another_shoot(self, data: st.DataObject, day: str) -> None:
        with self.catalog.transaction():
            shoot = ensure_shoot(self.catalog, day, "quay", 1)
            number = data.draw(st.sampled_from(self.files))
            self.catalog.execute("UPDATE files SET shoot_id = ? WHERE id = ?", shoot, number)

    @rule(copies=st.integers(1, 3))
    def change_the_rule(self, copies: int) -> None:
        self.wants = copies
        apply_drive_copies_rule(self.catalog, copies)

    @rule(day=st.sampled_from(DAYS))
    def fail_in_the_middle(self, day: str) -> None:
        before = recount(self.catalog)

        with contextlib.suppress(KeyboardInterrupt), self.catalog.transaction():
            self.catalog.execute("DELETE FROM copies")
            ensure_shoot(self.catalog, day, "never", 1)
            raise KeyboardInterrupt
        assert recount(self.catalog) == before

    @invariant()
    def counts_are_those_of_a_recount(self) -> None:
        if hasattr(self, "catalog"):
            assert kept_up(self.catalog) == recount(self.catalog)


def kept_up(catalog: Catalog) -> tuple[object, ...]:
    """What the triggers keep."""
    return (
        catalog.fetch_all("SELECT id, drive_copies, offsite_copies FROM files ORDER BY id"),
        catalog.fetch_all("SELECT id, files, bytes, under_replicated FROM shoots ORDER BY id"),
        catalog.fetch_all(
            "SELECT shoot_id, place_id, copies, bytes, good, good_bytes FROM coverage"
            " WHERE copies <> 0 OR bytes <> 0 OR good <> 0 OR good_bytes <> 0 ORDER BY shoot_id, place_id"
        ),
    )


def recount(catalog: Catalog) -> tuple[object, ...]:
    """The same from the rows themselves, counted in Python."""
    places = {place.id: place for place in list_places(catalog)}
    files = {
        row[0]: row[1:]
        for row in catalog.fetch_all("SELECT id, shoot_id, size, required_copies FROM files ORDER BY id")
    }
    on: dict[tuple[int, str], set[int]] = {}
    held: dict[tuple[int, int], list[int]] = {}
    for file, place, shoot, state, verified in catalog.fetch_all(
        "SELECT file_id, place_id, shoot_id, state, verified_at FROM copies"
    ):
        size = files[file][1]
        if state != "present":
            continue
        counts = held.setdefault((shoot, place), [0, 0, 0, 0])
        counts[0] += 1
        counts[1] += size
        if verified is not None:
            counts[2] += 1
            counts[3] += size
            if places[place].state in (PlaceState.ACTIVE, PlaceState.SHELVED):
                on.setdefault((file, str(places[place].kind)), set()).add(place)
    copies = {file: len(on.get((file, "drive"), ())) for file in files}
    shoots = {row[0]: [0, 0, 0] for row in catalog.fetch_all("SELECT id FROM shoots ORDER BY id")}
    for file, (shoot, size, wants) in files.items():
        shoots[shoot][0] += 1
        shoots[shoot][1] += size
        shoots[shoot][2] += copies[file] < wants
    return (
        [(file, copies[file], len(on.get((file, "offsite"), ()))) for file in files],
        [(shoot, *counts) for shoot, counts in shoots.items()],
        [(*key, *counts) for key, counts in sorted(held.items())],
    )


CountsFollow.TestCase.settings = settings(
    max_examples=12, stateful_step_count=30, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)
TestCountsFollow = CountsFollow.TestCase


def test_events_and_clearances_are_append_only(catalog: Catalog) -> None:
    with catalog.transaction():
        job = begin_job(catalog, "offload", "/media/card", "ph@laptop", 1)
        add_event(catalog, EventType.INGESTION, EventOutcome.SUCCESS, "12 files read", 2, job_id=job)
        add_clearance(catalog, Clearance(True, "/media/card", 3, 1, 1, 1, bytes(32), ()), "card", "ph@laptop")
        end_job(catalog, job, EventOutcome.SUCCESS, {}, 4)
    for statement in (
        "UPDATE events SET message = 'nothing happened'",
        "DELETE FROM events",
        "UPDATE clearances SET answer = 0",
        "DELETE FROM clearances",
        "INSERT OR REPLACE INTO events (id, at, type, outcome, message) VALUES (1, 1, 'x', 'success', 'y')",
    ):
        for one in (catalog, catalog.reopen()):
            with pytest.raises(sqlite3.IntegrityError, match="append-only"), one.transaction():
                one.execute(statement)
    assert [event.message for event in list_events(catalog, None, 10)] == ["12 files read"]
    assert get_last_card_clearance(catalog) == (3, "/media/card", True)


def test_a_change_outside_a_transaction_is_a_mistake(catalog: Catalog) -> None:
    with pytest.raises(AssertionError):
        catalog.execute("INSERT INTO meta (key, value) VALUES ('a', 'b')")


READINGS = [
    # what happens, in order: (medium of a reading, insertion), "missing", "saved" or "away"; then the evidence
    ([("cached", "one")], ("cached", 1)),
    ([("cached", "two")], ("remounted", 1)),
    ([("cached", None)], ("cached", 1)),
    ([("cached", "one"), ("cached", "two")], ("remounted", 2)),
    ([("cached", "two"), ("cached", "two")], ("remounted", 1)),
    ([("cached", "two"), ("cached", None)], ("remounted", 1)),
    ([("cached", "two"), ("cached", "three")], ("remounted", 2)),
    ([("dropped", "one"), ("cached", "one")], ("dropped", 1)),
    ([("dropped", "two"), ("cached", "two")], ("dropped", 1)),
    ([("direct", "two"), ("cached", "three")], ("remounted", 2)),
    ([("cached", "two"), ("direct", "two")], ("direct", 2)),
    ([("cached", "one"), ("cached", "one")], ("cached", 2)),
    (["missing", ("cached", "two")], ("cached", 1)),
    (["missing", ("cached", "two"), ("cached", "three")], ("remounted", 2)),
    ([("direct", "one"), "missing", ("cached", "two")], ("cached", 2)),
    (["saved", ("cached", "two")], ("cached", 1)),
    (["away", ("cached", "two")], ("cached", 1)),
    (["away", ("cached", "two"), ("cached", "three")], ("remounted", 2)),
    ([("cached", "two"), "away"], None),
]


@pytest.mark.parametrize(("happens", "evidence"), READINGS, ids=str)
def test_what_a_reading_through_the_cache_is_worth(
    catalog: Catalog, happens: list[object], evidence: tuple[str, int] | None
) -> None:
    """The copy was written in insertion one. The evidence: how far down it reached, and which reading said so."""
    place, file = drive_in(catalog, "A"), file_in(catalog, b"one")
    readings = 0
    with catalog.transaction():
        number = record_copy(catalog, file, place.id, 1, Entry(PATHS[0], 3, 5), 10, insertion="one")
        for what in happens:
            if isinstance(what, tuple):
                readings += 1
                record_copy_verified(catalog, number, Medium(what[0]), 100 * readings, what[1])
            elif what == "missing":
                set_copy_state(catalog, number, CopyState.MISSING, 50)
            elif what == "saved":
                set_copy_mtime(catalog, number, 77_000_000_007)
            else:
                mark_place_evidence_inherited(catalog, place.id)
    found = file_queries.get_copy(catalog, number).evidence
    told = None if found.medium is None else (str(found.medium), (found.verified_at or 0) // 100)
    assert told == evidence
    assert (found.inherited_at is not None) == (evidence is None)


def test_one_copy_one_row_and_a_new_one_wants_proof_again(catalog: Catalog) -> None:
    """A path that is written anew loses what was known of what lay there."""
    place, first, second = drive_in(catalog, "A"), file_in(catalog, b"one"), file_in(catalog, b"two")
    with catalog.transaction():
        number = record_copy(catalog, first, place.id, 1, Entry(PATHS[0], 3, 5), 10)
        record_copy_verified(catalog, number, Medium.DIRECT, 11)
        assert record_copy(catalog, second, place.id, 1, Entry(PATHS[0], 3, 6), 12) == number
    copy = file_queries.get_copy(catalog, number)
    assert (copy.file_id, copy.mtime_ns, copy.state) == (second, 6, CopyState.PRESENT)
    assert (copy.evidence.written_at, copy.evidence.verified_at, copy.evidence.medium) == (12, None, None)
    assert file_queries.list_copies(catalog, first) == []


def test_evidence_is_whole_or_none(catalog: Catalog) -> None:
    place, file = drive_in(catalog, "A"), file_in(catalog, b"one")
    with catalog.transaction():
        number = record_copy(catalog, file, place.id, 1, Entry(PATHS[0], 3, 5), 10)
    with pytest.raises(sqlite3.IntegrityError), catalog.transaction():
        catalog.execute("UPDATE copies SET verified_at = 5 WHERE id = ?", number)


def test_opening_again_changes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "catalog.db"
    create_catalog(path).close()

    def whole() -> list[tuple[str, ...]]:
        with sqlite3.connect(path) as connection:
            found = connection.execute("SELECT name, sql FROM sqlite_master ORDER BY name").fetchall()
            found += connection.execute("SELECT * FROM _sqlite_migrations").fetchall()
        connection.close()
        return found

    before = whole()
    for _ in range(2):
        open_catalog(path).close()
        create_catalog(path).close()
    assert whole() == before
    connection = sqlite3.connect(path)
    schema.migrate(connection)
    connection.close()
    assert whole() == before


def test_a_later_migration_is_applied_once_and_keeps_what_is_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "catalog.db"
    catalog = create_catalog(path)
    with catalog.transaction():
        set_meta(catalog, "catalog_id", "abc")
    catalog.close()
    later = ("0002_later", "CREATE TABLE later (id INTEGER PRIMARY KEY) STRICT;\nINSERT INTO later VALUES (7);\n")
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, later))
    for _ in range(2):
        catalog = open_catalog(path)
        assert file_queries.get_meta(catalog, "catalog_id") == "abc"
        assert catalog.fetch_all("SELECT id FROM later") == [(7,)]
        catalog.close()


def test_a_later_migration_that_fails_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "catalog.db"
    create_catalog(path).close()
    with sqlite3.connect(path) as connection:
        before = schema.list_schema_objects(connection), schema.list_applied_migrations(connection)
    broken = (
        "0002_broken",
        "CREATE TABLE later (id INTEGER PRIMARY KEY) STRICT;\nINSERT INTO nowhere VALUES (7);\n",
    )
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, broken))
    with pytest.raises(CatalogError, match="nowhere"):
        open_catalog(path)
    assert (schema.list_schema_objects(connection), schema.list_applied_migrations(connection)) == before
    connection.close()


@pytest.mark.parametrize("name", ["0002_of_a_newer_one", "0001_first"])
@pytest.mark.parametrize("is_added", [True, False], ids=["beside ours", "in place of ours"])
def test_a_catalog_of_an_unknown_version_is_refused_and_left_alone(
    tmp_path: Path, name: str, is_added: bool
) -> None:
    path = tmp_path / "catalog.db"
    create_catalog(path).close()
    with sqlite3.connect(path) as connection:
        if not is_added:
            connection.execute("DELETE FROM _sqlite_migrations")
        connection.execute(
            "INSERT INTO _sqlite_migrations (migration_set, name, applied_at) VALUES ('catalog', ?, '2026')",
            (name,),
        )
    connection.close()
    before = path.read_bytes()
    with pytest.raises(CatalogError, match="another version of tripleguard") as caught:
        open_catalog(path)
    assert name in caught.value.what
    assert path.read_bytes() == before
    assert "not changed" in caught.value.safe
    assert "newer" in caught.value.do


def test_what_is_no_catalog_is_told(tmp_path: Path) -> None:
    with pytest.raises(NotSetUpError, match="no catalog"):
        open_catalog(tmp_path / "none.db")
    path = tmp_path / "catalog.db"
    path.write_bytes(b"this is a letter and no database " * 100)
    with pytest.raises(CatalogError, match="can't be used") as caught:
        open_catalog(path)
    assert "snapshot" in caught.value.safe
    assert path.read_bytes().startswith(b"this is a letter")


def test_a_damaged_catalog_is_told_and_nothing_is_cleared(world: World) -> None:
    card = world.card()
    card.frames(2)
    assert world.run("offload", card.root).status == 0
    path = world.home / "catalog.db"
    content = bytearray(path.read_bytes())
    content[4096 : len(content)] = b"\xa5" * (len(content) - 4096)
    path.write_bytes(content)
    answer = world.run("clearance", "card", card.root)
    assert answer.status == 3
    assert "YES" not in answer.out
    for part in ("What happened:", "What is safe:", "What to do:"):
        assert part in answer.err


def test_a_commit_is_on_the_disk(catalog: Catalog) -> None:
    """SQLite's documentation: WAL with synchronous=FULL syncs at each commit (FULL is 2)."""
    assert catalog.fetch_one("PRAGMA journal_mode") == ("wal",)
    assert catalog.fetch_one("PRAGMA synchronous") == (2,)
    assert catalog.fetch_one("PRAGMA foreign_keys") == (1,)
    other = catalog.reopen()
    assert other.fetch_one("PRAGMA synchronous") == (2,)
    other.close()


WRITER = """
    import sys
    from pathlib import Path
    from tripleguard.catalog.store import open_catalog
    from tripleguard.catalog.file_updates import set_meta
    catalog = open_catalog(Path(sys.argv[1]))
    for number in range(200):
        with catalog.transaction():
            row = catalog.fetch_one("SELECT value FROM meta WHERE key = 'sum'")
            set_meta(catalog, "sum", str(int(row[0]) + 1))
            set_meta(catalog, f"{sys.argv[2]} {number}", "x")
"""


def test_two_processes_write_at_once_and_nothing_is_lost(tmp_path: Path) -> None:
    path = tmp_path / "catalog.db"
    catalog = create_catalog(path)
    with catalog.transaction():
        set_meta(catalog, "sum", "0")
    running = [
        subprocess.Popen([sys.executable, "-c", textwrap.dedent(WRITER), str(path), name])
        for name in ("one", "two")
    ]
    assert [process.wait(60) for process in running] == [0, 0]
    assert file_queries.get_meta(catalog, "sum") == "400"
    assert catalog.fetch_one("SELECT count(*) FROM meta") == (401,)
    catalog.close()


def test_two_first_setups_at_once_make_one_catalog(bare: World) -> None:
    """Two windows, two times `setup`: both end well, and both drives are there."""
    for name in ("A", "B"):
        bare.drives[name] = bare.folder(name)
    running = [
        subprocess.Popen(
            bare.command_line("setup", "--allow-same-disk", "--drive", f"{name}={path}"),
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        for name, path in bare.drives.items()
    ]
    for process in running:
        _, err = process.communicate(timeout=240)
        assert process.returncode == 0, err.decode()
    assert {one["name"] for one in bare.run("drives", "--json").json["places"]} == {"A", "B"}


def test_many_threads_make_one_catalog(tmp_path: Path) -> None:
    path, troubles = tmp_path / "catalog.db", []
    start = threading.Barrier(4)

    def make() -> None:
        start.wait()
        try:
            create_catalog(path).close()
        except CatalogError as error:
            troubles.append(str(error))

    threads = [threading.Thread(target=make) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert troubles == []
    catalog = open_catalog(path)
    assert catalog.fetch_one("PRAGMA integrity_check") == ("ok",)
    catalog.close()


def test_a_catalog_that_stays_busy_says_so(tmp_path: Path) -> None:
    path = tmp_path / "catalog.db"
    holder = create_catalog(path)
    # A connection as the catalog opens it, but of little patience.
    waiting = Catalog(path, sqlite3.connect(path, timeout=0.1, isolation_level=None))
    with holder.transaction():
        assert waiting.fetch_all("SELECT * FROM meta") == [], "readers never wait"
        with pytest.raises(CatalogError) as caught, waiting.transaction():
            raise AssertionError("it must not come here")
    assert "in use by another tripleguard" in caught.value.what
    assert f"{BUSY_TIMEOUT_SECONDS:.0f} s" in caught.value.what
    assert caught.value.safe
    assert caught.value.do
    with waiting.transaction():
        set_meta(waiting, "a", "b")
    waiting.close()
    holder.close()


def test_a_transaction_is_kept_whole_or_not_at_all(catalog: Catalog) -> None:
    with contextlib.suppress(KeyboardInterrupt), catalog.transaction():
        set_meta(catalog, "a", "1")
        raise KeyboardInterrupt
    assert file_queries.get_meta(catalog, "a") is None


def test_a_full_disk_under_the_catalog_is_told_and_the_next_try_works(catalog: Catalog) -> None:
    pages = catalog.fetch_one("PRAGMA page_count")
    assert pages is not None
    catalog.fetch_one(f"PRAGMA max_page_count = {pages[0] + 2}")
    with pytest.raises(CatalogError, match="full"), catalog.transaction():
        set_meta(catalog, "key", "x" * 1_000_000)
    assert catalog.fetch_all("SELECT * FROM meta") == []
    catalog.fetch_one("PRAGMA max_page_count = 1000000")
    with catalog.transaction():
        set_meta(catalog, "a", "1")
    assert file_queries.get_meta(catalog, "a") == "1"


BROKEN = os.fsdecode(b"caf\xe9 \xff")
"""A name in no UTF-8: it must come back as the bytes that came."""


@pytest.mark.parametrize(
    "name", [BROKEN, "写真.jpg", "a\nb", "a'b\"c", "%", "x" * 255, " ", os.fsdecode(b"\xed\xa0\x80")]
)
def test_any_name_comes_back_as_it_was(catalog: Catalog, name: str) -> None:
    assert from_db(to_db(name)) == name
    assert join_path(*split_path(f"{name}/{name}/{name}")) == f"{name}/{name}/{name}"
    place, file = drive_in(catalog, "A"), file_in(catalog, b"one", name=name)
    path = f"2026/{name}/{name}"
    with catalog.transaction():
        job = begin_job(catalog, "offload", name, "ph", 1)
        number = record_copy(catalog, file, place.id, 1, Entry(path, 3, 5), 10)
        add_card_file(catalog, job, Entry(f"DCIM/{name}/{name}", 3, 5), file, 9)
        record_place_connected(catalog, place.id, Path("/media") / name, 5)
        add_clearance(catalog, Clearance(False, name, 3, 1, 1, 0, bytes(32), ()), "card", "ph")
    assert file_queries.get_file(catalog, file).name == name
    assert file_queries.get_copy(catalog, number).path == path
    found = file_queries.find_copy_at(catalog, place.id, path)
    assert found is not None
    assert found.id == number
    assert file_queries.find_card_file(catalog, job, f"DCIM/{name}/{name}") == (file, 3, 5, 9)
    assert folder_queries.list_names_in_folder(catalog, place.id, f"2026/{name}") == [name]
    assert [path for path, _ in folder_queries.list_digests_below_folder(catalog, place.id, f"2026/{name}")] == [
        path
    ]
    assert [known.id for known in file_queries.list_files_like(catalog, name, 3)] == [file]
    assert list_places(catalog)[0].last_path == str(Path("/media") / name)
    assert get_last_card_clearance(catalog) == (3, name, False)


def test_a_folder_is_not_taken_for_its_neighbour(catalog: Catalog) -> None:
    place, file = drive_in(catalog, "A"), file_in(catalog, b"one")
    paths = ["x/a", "x/y/b", "x y/c", "x%/d", "X/e", "x_/f", "xx/g"]
    with catalog.transaction():
        for path in paths:
            record_copy(catalog, file, place.id, 1, Entry(path, 3, 5), 10)
    assert [path for path, _ in folder_queries.list_digests_below_folder(catalog, place.id, "x")] == [
        "x/a",
        "x/y/b",
    ]


def test_names_of_drives_are_told_apart_without_regard_to_case(catalog: Catalog) -> None:
    drive_in(catalog, "North")
    assert get_place(catalog, "north").name == "North"
    with pytest.raises(UsageError, match="no drive called South") as caught:
        get_place(catalog, "South")
    assert "North" in caught.value.do
    with pytest.raises(sqlite3.IntegrityError), catalog.transaction():
        add_place(catalog, "other", "NORTH", kind=PlaceKind.DRIVE, role=DriveRole.ROAD, at=1, path=Path("/x"))


def test_a_body_and_a_shoot_are_entered_once(catalog: Catalog) -> None:
    with catalog.transaction():
        one = ensure_body(catalog, "Orrery R7 7731", "Orrery", "Orrery R7", "40017731")
        assert ensure_body(catalog, "another label", "Orrery", "Orrery R7", "40017731") == one
        assert ensure_shoot(catalog, DAYS[0], "quay", 1) == ensure_shoot(catalog, DAYS[0], "QUAY", 2)
        assert ensure_shoot(catalog, DAYS[1], "quay", 1) != ensure_shoot(catalog, DAYS[0], "quay", 2)
    assert shoots.list_bodies(catalog)["Orrery", "Orrery R7", "40017731"] == (one, "Orrery R7 7731")


def test_one_content_is_one_file(catalog: Catalog) -> None:
    """And what was known of it first stays: where it was first seen, when, and what it was called."""
    first = file_in(catalog, b"same", name="ORR_0001.DNG")
    assert file_in(catalog, b"same", name="ORR_0002.DNG", day=DAYS[1]) == first
    assert file_queries.get_file(catalog, first).name == "ORR_0001.DNG"
    assert shoots.count_totals(catalog) == (1, 4, 1)


def test_an_emptied_catalog_is_no_fresh_one(world: World) -> None:
    card = world.card()
    card.frames(2)
    assert world.run("offload", card.root).status == 0
    for path in world.home.glob("catalog.db*"):
        path.write_bytes(b"")
    for command in (["report"], ["drives"], ["clearance", "card", card.root], ["offload", card.root]):
        answer = world.run(*command)
        assert answer.status == 3, (command, answer)
        assert "rebuild --anew" in " ".join(answer.err.split())
    rebuilt = world.run("rebuild", "--anew", *world.drives.values())
    assert "2 files" in rebuilt.out, rebuilt
    assert world.run("report").out.count("2 copies") == 2
