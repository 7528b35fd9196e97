"""The door for what another catalog says: where its copies lie, and what things are called.

A snapshot on a drive may be anybody's. What it says is acted upon: `mend` puts copies where it says that they lie.
So no path of it may leave its place or lead into the tool's own folder, and no name of it may be a path.
"""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.catalog.inheriting import nonsense_in
from tripleguard.catalog.store import Catalog
from tripleguard.catalog.text import from_db, joined_path
from tripleguard.errors import CatalogTrouble
from tripleguard.model import CopyState
from tripleguard.names import folded, is_safe_path
from tripleguard.places.own import ASIDE, is_own, reaches_own

_ASIDE = f"{ASIDE}/"
_MAY_LIE_ASIDE = (CopyState.ASIDE, CopyState.MISSING)


def why_not_admitted(other: Catalog) -> str | None:
    """Why nothing may be taken over from another catalog, in plain words; None if it may. It is only read."""
    try:
        return nonsense_in(other) or next(_faults(other), None)
    except CatalogTrouble as error:
        return error.what
    except (TypeError, ValueError) as error:
        return str(error).splitlines()[0]


def _faults(other: Catalog) -> Iterator[str]:
    for (path,) in other.each("SELECT path FROM folders WHERE path <> ''"):
        folder = from_db(path)
        if not is_safe_path(folder):
            yield "a folder outside its place"
        if reaches_own(folder) and not folder.startswith(_ASIDE):
            yield "a folder that tripleguard keeps for itself"
    for path, name, state in other.each(
        "SELECT d.path, c.name, c.state FROM folders d JOIN copies c ON c.folder_id = d.id"
        " WHERE d.path = '' OR d.path LIKE '.%'"
    ):
        if reaches_own(joined_path(path, name)) and CopyState(state) not in _MAY_LIE_ASIDE:
            yield "a copy in a folder that tripleguard keeps for itself"
    # A check list and a record of a clearance begin with a c, however they are spelt.
    for path, name in other.each(
        "SELECT d.path, c.name FROM copies c JOIN folders d ON d.id = c.folder_id"
        " WHERE c.name LIKE 'c%' AND d.path NOT LIKE '.%'"
    ):
        if is_own(folded(joined_path(path, name))):
            yield "a copy under a name that tripleguard keeps for itself"
    for (name,) in other.each("SELECT name FROM copies WHERE name IN ('', '.', '..') OR instr(name, char(0))"):
        yield f"a copy that is called {from_db(name)!r}"
    for table in ("versions", "findings", "wanted_offsite"):
        for (path,) in other.each(f"SELECT path FROM {table} WHERE path <> ''"):
            at = from_db(path)
            if not is_safe_path(at) or (reaches_own(at) and not at.startswith(_ASIDE)):
                yield f"{table} in a folder that tripleguard keeps for itself"
    for table, column in (("shoots", "name"), ("bodies", "label"), ("files", "name"), ("places", "name")):
        for (name,) in other.each(
            f"SELECT {column} FROM {table} WHERE {column} IN ('.', '..') OR instr({column}, '/')"
            f" OR instr({column}, char(0))"
        ):
            yield f"{table} with a name that is a path: {from_db(name)!r}"
    for (name,) in other.each("SELECT name FROM shoots WHERE instr(name, '\\') OR name LIKE '.%'"):
        yield f"shoots with a name that is a path: {name!r}"
