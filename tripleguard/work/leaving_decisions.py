"""What people decided, left on every drive that is here before a command returns.

A laptop that dies then takes none of it along. The file on a drive holds all decisions of one catalog, and is
written anew when one was made; `work.decisions` takes them over.
"""

from __future__ import annotations

import contextlib
import os
import platform
import zlib
from collections.abc import Iterator, Sequence
from pathlib import Path

import msgspec

from tripleguard.catalog import generations, questions
from tripleguard.catalog.decisions import Decisions, decided, state_of_decisions
from tripleguard.catalog.journal import drives_given_yes
from tripleguard.catalog.store import Catalog
from tripleguard.catalog.writing import set_meta
from tripleguard.clock import iso_utc
from tripleguard.digest import digest_of
from tripleguard.errors import CatalogTrouble, TripleguardError
from tripleguard.model import PlaceRecord, PlaceState
from tripleguard.names import shown
from tripleguard.places.drive import open_drive
from tripleguard.places.locks import Holder
from tripleguard.places.own import DECISIONS
from tripleguard.work.generations import catch_up, leave_notes
from tripleguard.work.kit import Kit, hold, where_drives_are


@contextlib.contextmanager
def decisions_left(kit: Kit) -> Iterator[None]:
    """While this lasts something may be decided; at its end every drive that is here has it, however it ended."""
    before = kit.catalog.changes
    try:
        yield
    finally:
        # What went wrong before is what the person must hear of.
        with contextlib.suppress(CatalogTrouble):
            if kit.catalog.changes != before:
                leave_decisions(kit)


def leave_decisions(kit: Kit) -> None:
    """Put what people decided onto every drive in service that is here and does not have it yet.

    What can't be put there is told, and fails nothing. Raises CatalogTrouble.
    """
    try:
        lagging = _lagging(kit)
        if not lagging:
            return
        for record, path in lagging:
            _leave_on(kit, record, path)
    except TripleguardError as error:
        if isinstance(error, CatalogTrouble):
            raise
        kit.tell(f"What was decided could not be left on the drives: {error.what}")


def _lagging(kit: Kit) -> list[tuple[PlaceRecord, Path]]:
    """The drives that are here and were not left what was decided last."""
    if generations.catalog_id(kit.catalog) is None:
        return []
    state, gone = _state(kit.catalog), drives_given_yes(kit.catalog) | kit.untouched
    return [
        (record, path)
        for record, path in where_drives_are(kit)
        if path is not None
        and record.state in (PlaceState.ACTIVE, PlaceState.SHELVED)
        and record.id not in gone
        and questions.meta(kit.catalog, _left(record)) != state
    ]


def _leave_on(kit: Kit, record: PlaceRecord, path: Path) -> None:
    now = kit.clock.now()
    holder = Holder(os.getpid(), platform.node(), "keeping what was decided", iso_utc(now))
    with contextlib.ExitStack() as stack:
        try:
            drive = stack.enter_context(contextlib.closing(open_drive(path)))
            if drive.uid != record.uid or drive.read_only:
                return
            hold(stack, kit, record.name, drive, holder)
            for line in catch_up(kit.home, kit.catalog, [drive], now):
                kit.tell(line)
            # Else an older copy of the home could forget a yes that was given, and nobody would tell it.
            leave_notes(kit.catalog, [drive], now, kit.tell)
            state = _state(kit.catalog)
            said = decided(kit.catalog, now)
            drive.write_own(f"{DECISIONS}/{said.catalog}.json.gz", _packed(said))
        except TripleguardError as error:
            if isinstance(error, CatalogTrouble):
                raise
            kit.tell(f"What was decided is not on drive {shown(record.name)} yet: {error.what}")
            return
        with kit.catalog.writing():
            set_meta(kit.catalog, _left(record), state)


def _left(record: PlaceRecord) -> str:
    return f"decisions on {record.uid}"


def _state(catalog: Catalog) -> str:
    return digest_of(state_of_decisions(catalog).encode()).hex()[:32]


def _packed(said: Decisions) -> Sequence[bytes]:
    squeeze = zlib.compressobj(level=6, wbits=31)
    return [squeeze.compress(msgspec.json.encode(said)), squeeze.flush()]
