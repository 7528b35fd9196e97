"""Which pictures a companion belongs to: those beside it, under its own name, on the very drive it lies on.

A path alone says nothing: two drives can hold two pictures under one path, each with settings of its own. So a
companion is known by the content of its pictures. A numbered one (`IMG_1-2.xmp`) belongs to the picture of that
number; where there is none, it is a further version beside the picture without it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from tripleguard.catalog import questions
from tripleguard.catalog.rows import COPY, COPY_FROM, copy_of
from tripleguard.catalog.store import Catalog
from tripleguard.catalog.text import to_db
from tripleguard.model import Copy
from tripleguard.names import folded, may_be_cut, split_suffix, unnumbered

_ORIGINALS = "f.kind IN ('raw', 'picture', 'video', 'sound') AND f.size > 0"
_KEPT_WHOLE = 60
"""Characters of a name that no drive cuts away: the shortest limit is 255 bytes, four for each character."""


def pictures_beside(catalog: Catalog, place_id: int, path: str) -> frozenset[bytes]:
    """The digests of the originals that a companion at this path of a place belongs to; empty: of none.

    A copy that is missing or bad there still says what belongs there; one that was moved aside does not.
    """
    folder, _, name = path.rpartition("/")
    for stem in _stems(name):
        found = frozenset(
            digest
            for other, digest in _originals_in(catalog, place_id, folder, stem, cut=may_be_cut(name))
            if _is_one_stem(folded(other.rpartition(".")[0]), folded(stem), cut=may_be_cut(name))
        )
        if found:
            return found
    return frozenset()


def companions_of(catalog: Catalog, file_id: int, pictures: Iterable[bytes]) -> list[Copy]:
    """The copies of a companion, whatever their state, that lie beside one of these pictures (digests).

    What it costs does not depend on how many other pictures have companions with the same bytes.
    """
    wanted, found = frozenset(pictures), dict[int, Copy]()
    for digest in sorted(wanted):
        picture = questions.file_with_digest(catalog, digest)
        for lying in questions.copies_of(catalog, picture.id) if picture is not None else ():
            folder, _, name = lying.path.rpartition("/")
            stem = name.rpartition(".")[0]
            for copy in _copies_named(catalog, lying.place_id, folder, stem, file_id):
                if copy.id not in found and pictures_beside(catalog, copy.place_id, copy.path) & wanted:
                    found[copy.id] = copy
    return list(found.values())


def name_beside(picture: str, name: str) -> str:
    """What a companion of this name is called beside a picture of that name, so that the two stay a pair."""
    return picture.rpartition(".")[0] + split_suffix(name)[1]


def _stems(name: str) -> Iterator[str]:
    """The stems that a companion's picture can have, the closest first."""
    yield from dict.fromkeys(
        one for stem in (name.rpartition(".")[0], split_suffix(name)[0]) for one in (stem, unnumbered(stem)) if one
    )


def _is_one_stem(one: str, other: str, *, cut: bool) -> bool:
    return one == other or (cut and (one.startswith(other) or other.startswith(one)))


def _originals_in(
    catalog: Catalog, place_id: int, folder: str, stem: str, *, cut: bool
) -> Iterator[tuple[str, bytes]]:
    for low, high in _ranges(stem[:_KEPT_WHOLE] if cut else f"{stem}.", cut=cut):
        for row in catalog.rows(
            f"SELECT {COPY}, f.digest {COPY_FROM} WHERE d.place_id = ? AND d.path = ? AND c.name >= ?"
            f" AND c.name < ? AND c.state <> 'aside' AND {_ORIGINALS}",
            place_id,
            to_db(folder),
            to_db(low),
            to_db(high),
        ):
            yield copy_of(row[:-1]).path.rpartition("/")[2], row[-1]


def _copies_named(catalog: Catalog, place_id: int, folder: str, stem: str, file_id: int) -> Iterator[Copy]:
    """The copies of one file in a folder whose name begins with a picture's stem."""
    for low, high in _ranges(stem[:_KEPT_WHOLE], cut=True):
        for row in catalog.rows(
            f"SELECT {COPY} {COPY_FROM} WHERE d.place_id = ? AND d.path = ? AND c.name >= ? AND c.name < ?"
            " AND c.file_id = ? AND c.state <> 'aside'",
            place_id,
            to_db(folder),
            to_db(low),
            to_db(high),
            file_id,
        ):
            yield copy_of(row)


def _ranges(begin: str, *, cut: bool) -> Iterator[tuple[str, str]]:
    """From and to which names a name that begins so lies, as written and all in one case."""
    for one in dict.fromkeys((begin, begin.upper(), begin.lower())):
        # `/` follows `.`, and is in no name.
        yield one, (f"{one}\U0010ffff" if cut else f"{one[:-1]}/")
