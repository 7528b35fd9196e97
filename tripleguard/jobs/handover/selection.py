"""Select which files of a shoot are handed over, under which names, and from which copies.

These are all files of the shoot, with companions in their newest version. A file has the same path in the handover
folder as in the shoot's folder on the drives. A bag's manifest can't contain names that are not UTF-8, so their
bytes are encoded; two names that some systems treat as equal are numbered, because the recipient may copy them to
such a system.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from tripleguard.catalog.companions import find_newest_version
from tripleguard.catalog.rows import KnownFile
from tripleguard.catalog.selects import list_selects
from tripleguard.catalog.shared_sidecars import iter_required_files, list_shared_file_ids
from tripleguard.catalog.store import Catalog
from tripleguard.config import LayoutSettings
from tripleguard.jobs.frame_files import files_of_frame
from tripleguard.layout import build_shoot_folder
from tripleguard.model import Copy, CopyState, FsLimits, Shoot
from tripleguard.names import add_number, escape_text, fit_to_limits, fold_name, is_valid_utf8
from tripleguard.rules import is_good_copy


@dataclass(frozen=True, slots=True)
class HandoverItem:
    """One file to hand over.

    Attributes:
        path: Relative to the payload.
        path_on_drives: Its path on the drives, if it differs.
        copies: Its sources, verified ones first.
    """

    known_file: KnownFile
    path: str
    path_on_drives: str | None
    copies: tuple[Copy, ...]


SelectedFile = tuple[KnownFile, str, tuple[Copy, ...]]
"""A file, its path in the shoot's folder, and its copies."""


def list_shoot_files(catalog: Catalog, shoot: Shoot, layout: LayoutSettings) -> list[SelectedFile]:
    """Return every file of a shoot with its path in the shoot's folder and its copies, in path order."""
    folder = build_shoot_folder(layout, shoot.day, shoot.name) + "/"
    found: list[SelectedFile] = []
    for known, copies, by_name in iter_required_files(catalog, shoot.id):
        if not by_name:
            found.append((known, _get_path_in_shoot(folder, known, copies), copies))
            continue
        names: dict[str, list[Copy]] = {}
        for copy in copies:
            names.setdefault(fold_name(_get_path_in_shoot(folder, known, [copy])), []).append(copy)
        for some in names.values():
            if not _is_superseded(catalog, known.id, some):
                found.append((known, _get_path_in_shoot(folder, known, some), tuple(some)))
    return sorted(found, key=lambda one: (one[1], one[0].id))


def keep_selects(catalog: Catalog, shoot: Shoot, files: Iterable[SelectedFile]) -> list[SelectedFile]:
    """Return the files whose frame is selected: the raw, its camera picture, its sidecars."""
    chosen: dict[int, set[str]] = {}
    for select in list_selects(catalog):
        if select.known_file.shoot_id == shoot.id:
            for member in files_of_frame(catalog, select.known_file.id):
                chosen.setdefault(member.file_id, set()).add(member.path)
    twins = list_shared_file_ids(catalog)
    return [
        one
        for one in files
        if one[0].id in chosen
        and (one[0].id not in twins or any(copy.path in chosen[one[0].id] for copy in one[2]))
    ]


def assign_paths(
    files: Iterable[SelectedFile], limits: FsLimits, *, text_only: bool, reserved: Sequence[str]
) -> list[HandoverItem]:
    """Return the files with paths that the folder supports, all distinct; earlier files keep their names.

    text_only: names must be UTF-8. reserved: paths that are used otherwise.
    """
    taken = {fold_name(path) for path in reserved}
    items: list[HandoverItem] = []
    for known, stored, copies in files:
        wanted = stored
        if text_only and not is_valid_utf8(stored):
            wanted = "/".join(map(_encode_name, stored.split("/")))
        path = next(path for path in _iter_candidate_paths(wanted, limits) if fold_name(path) not in taken)
        taken.add(fold_name(path))
        items.append(HandoverItem(known, path, stored if path != stored else None, _sort_best_first(copies)))
    return items


def _get_path_in_shoot(folder: str, known_file: KnownFile, copies: Sequence[Copy]) -> str:
    """Return a file's path in the shoot's folder, from its first copy there; else its whole path."""
    inside = next((copy.path for copy in copies if copy.path.startswith(folder)), None)
    if inside is not None:
        return inside.removeprefix(folder)
    return copies[0].path if copies else known_file.name


def _is_superseded(catalog: Catalog, file_id: int, copies: Sequence[Copy]) -> bool:
    return any(find_newest_version(catalog, copy.path, copy.place_id) not in (None, file_id) for copy in copies)


def _encode_name(name: str) -> str:
    return name if is_valid_utf8(name) else escape_text(name).replace("\\", "_")


def _iter_candidate_paths(path: str, limits: FsLimits) -> Iterable[str]:
    folder, slash, name = path.rpartition("/")
    number = 1
    while True:
        yield fit_to_limits(f"{folder}{slash}{add_number(name, number)}", limits)
        number += 1


def _sort_best_first(copies: Sequence[Copy]) -> tuple[Copy, ...]:
    """Return the good copies, verified ones first, then by drive so that one drive is read in order."""
    usable = [copy for copy in copies if copy.state is CopyState.PRESENT]
    return tuple(sorted(usable, key=lambda copy: (not is_good_copy(copy), copy.place_id, copy.id)))
