"""Where a companion goes: beside its picture, wherever that lies on each drive, whatever a clock or a layout says.

The picture is known by its content. On one drive it may lie under another number, or where a person put it; its
companion takes the picture's own name there, so that an editor finds the two together.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from tripleguard.catalog import questions, shoots
from tripleguard.catalog.pairing import name_beside, pictures_beside
from tripleguard.catalog.store import Catalog
from tripleguard.model import CopyState, File, Shoot
from tripleguard.names import numbered
from tripleguard.work.cards.namegiving import Chosen, NameGiver, no_name_left
from tripleguard.work.cards.placing import MOST_NAMES
from tripleguard.work.kit import OpenDrive

_REMEMBERED = 4096
"""Names that a run gave are remembered until the catalog surely has them: far more than are ever on their way."""


@dataclass(frozen=True, slots=True)
class Companion:
    """A file that follows its pictures.

    Attributes:
        file: What it holds.
        name: What it is called.
        pictures: The digests of its frame's originals, the closest first.
        usual: The path it gets on a drive where none of them lies.
    """

    file: File
    name: str
    pictures: Sequence[bytes]
    usual: str


class Following:
    """Answers in one thread; catalog belongs to that thread."""

    def __init__(self, catalog: Catalog, drives: Sequence[OpenDrive]) -> None:
        self._catalog = catalog
        self._drives = drives
        self._given: dict[bytes, dict[int, str]] = {}

    def named(self, file: File, paths: Mapping[int, str]) -> None:
        """An original gets these paths, by lane; the catalog will know later."""
        if paths:
            self._given[file.digest] = {**self._given.pop(file.digest, {}), **paths}
            if len(self._given) > _REMEMBERED:
                del self._given[next(iter(self._given))]

    def shoot(self, pictures: Iterable[bytes]) -> Shoot | None:
        """The shoot that these pictures were entered in; None while none of them was."""
        for digest in pictures:
            known = questions.file_with_digest(self._catalog, digest)
            if known is not None and any(
                copy.state is not CopyState.ASIDE for copy in questions.copies_of(self._catalog, known.id)
            ):
                return shoots.shoot_with_id(self._catalog, known.shoot_id)
        return None

    def paths(self, companion: Companion, lanes: Iterable[int]) -> dict[int, str]:
        """The path beside its picture on each of these lanes, taken or not."""
        found = {lane: self._beside(companion, lane) for lane in lanes}
        elsewhere = next((path for path in found.values() if path is not None), companion.usual)
        return {lane: path if path is not None else elsewhere for lane, path in found.items()}

    def chosen(self, companion: Companion, names: NameGiver, paths: Mapping[int, str]) -> Chosen:
        """Free names for it at these paths, by lane, numbered where they are taken. Raises NameTaken."""
        together: dict[str, list[int]] = {}
        for lane, path in paths.items():
            together.setdefault(path, []).append(lane)
        merged = Chosen()
        for path, lanes in together.items():
            one = self._free(companion, names, path, lanes)
            merged.paths.update(one.paths)
            merged.found.update(one.found)
            merged.failed.update(one.failed)
        return merged

    def _beside(self, companion: Companion, lane: int) -> str | None:
        place_id = self._drives[lane].record.id
        for digest in companion.pictures:
            lies: list[tuple[bool, str]] = []
            if lane in (given := self._given.get(digest, {})):
                lies.append((False, given[lane]))
            known = questions.file_with_digest(self._catalog, digest)
            lies += (
                (copy.state is not CopyState.PRESENT, copy.path)
                for copy in (questions.copies_of(self._catalog, known.id) if known is not None else ())
                if copy.place_id == place_id and copy.state is not CopyState.ASIDE
            )
            if lies:
                folder, slash, picture = min(lies)[1].rpartition("/")
                return f"{folder}{slash}{name_beside(picture, companion.name)}"
        return None

    def _free(self, companion: Companion, names: NameGiver, path: str, lanes: Sequence[int]) -> Chosen:
        folder, slash, name = path.rpartition("/")
        wanted = frozenset(companion.pictures)
        for number in range(1, MOST_NAMES):
            option = f"{folder}{slash}{numbered(name, number)}"
            if number > 1 and any(self._is_anothers(lane, option, wanted) for lane in lanes):
                continue
            chosen = names.is_free(option, companion.file, lanes, pictures=wanted)
            if chosen is not None:
                return chosen
        raise no_name_left(path)

    def _is_anothers(self, lane: int, path: str, wanted: frozenset[bytes]) -> bool:
        """Whether what lies under this number would belong to another picture, which has that number."""
        beside = pictures_beside(self._catalog, self._drives[lane].record.id, path)
        return bool(beside) and not beside & wanted
