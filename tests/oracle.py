"""What must be true of cards, drives and catalog whatever happened: after a kill, a fault, a cut, a pulled cable.

Nothing here asks the program. Drives and card are read with plain calls and hashed; the catalog is read as the
SQLite file it is. `audit` raises AssertionError naming what is not so.
"""

from __future__ import annotations

import re
import sqlite3
from collections import Counter
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from world import World, contents, is_own_beside

from tripleguard import checklist

OWN = ".tripleguard/"
INCOMING = f"{OWN}incoming/"
ASIDE = f"{OWN}quarantine/"
_NUMBER = re.compile(r"-\d+(?=\.|$)")


@dataclass
class Oracle:
    """Remembers the card as it was before anything began, and every whole copy that was ever seen.

    wanted: card path to digest, without litter. losing: a power cut may take back names that were not durable.
    """

    world: World
    card: Path
    wanted: dict[str, bytes] = field(default_factory=dict)
    losing: bool = False
    _times: dict[str, int] = field(default_factory=dict)
    _seen: dict[str, Counter[bytes]] = field(default_factory=dict)
    _earlier: int = 0

    def __post_init__(self) -> None:
        self.wanted = contents(self.card)
        self._times = _times(self.card)
        self._earlier = self._answers()

    def audit(self, *, card_here: bool = True) -> None:
        """Hold everything against what must be true."""
        if card_here:
            assert contents(self.card) == self.wanted, "the card was changed"
            assert _times(self.card) == self._times, "times on the card were changed"
        on = {name: contents(root) for name, root in self.world.drives.items() if _is_drive(root)}
        for name, files in on.items():
            self._names_mean_whole_files(name, files)
            self._nothing_is_lost(name, files)
            self._lists_are_true(self.world.drives[name], files)
        with closing(self._catalog()) as catalog:
            self._claims_are_true(catalog, on)
            self._counts_add_up(catalog)
        self._a_yes_is_true(on)

    def finished(self) -> None:
        """Everything is where it belongs: each content of the card once on every drive."""
        self.audit()
        wanted = Counter(self.wanted.values())
        for name in self.world.drives:
            found = self.on(name)
            assert not set(wanted) - set(found), f"{name} lacks {len(set(wanted) - set(found))} files"
            twice = found - wanted
            assert not twice, f"{name}: {twice.total()} copies were made twice"

    def on(self, name: str) -> Counter[bytes]:
        """The contents under final names on a drive, and how often each."""
        return Counter(self.world.on(name).values())

    def unfinished(self, name: str) -> list[int]:
        """Sizes of the unfinished copies on a drive."""
        folder = self.world.drives[name] / INCOMING
        return [path.stat().st_size for path in folder.glob("*.part")] if folder.is_dir() else []

    # What each of these means

    def _names_mean_whole_files(self, drive: str, files: Mapping[str, bytes]) -> None:
        stems: dict[bytes, set[str]] = {}
        for path, digest in self.wanted.items():
            stems.setdefault(digest, set()).add(Path(path).name.casefold())
        for path, digest in files.items():
            if path.startswith(OWN) or is_own_beside(path):
                continue
            assert digest in stems, f"{drive}: {path} holds what no card file holds"
            plain = _NUMBER.sub("", Path(path).name.casefold())
            same = any(plain == _NUMBER.sub("", name) for name in stems[digest])
            assert same or not Path(path).name.isascii() or "_" in plain, f"{drive}: {path} has a strange name"

    def _nothing_is_lost(self, drive: str, files: Mapping[str, bytes]) -> None:
        now = Counter(
            digest
            for path, digest in files.items()
            if not is_own_beside(path) and (path.startswith(ASIDE) or not path.startswith(OWN))
        )
        if not self.losing:
            lost = self._seen.get(drive, Counter()) - now
            assert not lost, f"{drive}: {lost.total()} copies that were there are gone"
        final = Counter(
            digest for path, digest in files.items() if not path.startswith(OWN) and not is_own_beside(path)
        )
        self._seen[drive] = final

    @staticmethod
    def _lists_are_true(root: Path, files: Mapping[str, bytes]) -> None:
        for path in files:
            if not path.endswith("/checksums.b3") or path.startswith(OWN):
                continue
            folder = path.rpartition("/")[0]
            content = (root / path).read_bytes()
            assert not content or content.endswith(b"\n"), f"{path} is half a list"
            for name, digest in checklist.parse_b3sum(content):
                assert files.get(f"{folder}/{name}") == digest, f"{path} says {name} is what it is not"

    @staticmethod
    def _claims_are_true(catalog: sqlite3.Connection, on: Mapping[str, Mapping[str, bytes]]) -> None:
        rows = catalog.execute(
            "SELECT p.name, d.path, c.name, f.digest, c.verified_at IS NOT NULL FROM copies c"
            " JOIN folders d ON d.id = c.folder_id JOIN files f ON f.id = c.file_id"
            " JOIN places p ON p.id = c.place_id WHERE c.state = 'present'"
        )
        for place, folder, name, digest, verified in rows:
            if place in on:
                path = _joined(folder, name)
                word = "verified" if verified else "written"
                assert on[place].get(path) == digest, f"the catalog says {path} is {word} on {place}: it is not"

    @staticmethod
    def _counts_add_up(catalog: sqlite3.Connection) -> None:
        assert catalog.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert catalog.execute("PRAGMA foreign_key_check").fetchall() == []
        wrong = catalog.execute(
            "SELECT f.id FROM files f WHERE drive_copies <> (SELECT count(DISTINCT c.place_id) FROM copies c"
            " JOIN places p ON p.id = c.place_id WHERE c.file_id = f.id AND c.state = 'present'"
            " AND c.verified_at IS NOT NULL AND p.kind = 'drive' AND p.state IN ('active', 'shelved')"
            " AND p.retiring_since IS NULL)"
        ).fetchall()
        assert wrong == [], "counts of verified copies do not add up"
        wrong = catalog.execute(
            "SELECT s.id FROM shoots s WHERE s.under_replicated <> (SELECT count(*) FROM files f WHERE"
            " f.shoot_id = s.id"
            " AND f.drive_copies < f.required_copies) OR s.files <> (SELECT count(*) FROM files f WHERE"
            " f.shoot_id = s.id)"
        ).fetchall()
        assert wrong == [], "counts of shoots do not add up"

    def _a_yes_is_true(self, on: Mapping[str, Mapping[str, bytes]]) -> None:
        if self._answers() == self._earlier:
            return
        for name, files in on.items():
            lacking = set(self.wanted.values()) - set(files.values())
            assert not lacking, f"a yes was given, and {name} lacks {len(lacking)} files"

    def _answers(self) -> int:
        """How often a yes was given, in the catalog and as records on the drives."""
        records = [path for root in self.world.drives.values() for path in root.glob("*/*/clearance-*.txt")]
        if not (self.world.home / "catalog.db").exists():
            return len(records)
        with closing(self._catalog()) as catalog:
            yes: int = catalog.execute("SELECT count(*) FROM clearances WHERE answer = 1").fetchone()[0]
        return yes + len(records)

    def _catalog(self) -> sqlite3.Connection:
        return sqlite3.connect(self.world.home / "catalog.db")


def checked_lists(world: World) -> Iterator[Path]:
    """Every check list on every drive, for a tool from outside to read."""
    for root in world.drives.values():
        yield from sorted(root.glob("*/*/checksums.b3"))


def _is_drive(root: Path) -> bool:
    try:
        return (root / OWN / "place.json").is_file()
    except OSError:
        return False


def _times(root: Path) -> dict[str, int]:
    return {str(path.relative_to(root)): path.stat().st_mtime_ns for path in root.rglob("*") if path.is_file()}


def _joined(folder: str | bytes, name: str | bytes) -> str:
    parts = [part if isinstance(part, str) else part.decode("utf-8", "surrogateescape") for part in (folder, name)]
    return f"{parts[0]}/{parts[1]}" if parts[0] else parts[1]
