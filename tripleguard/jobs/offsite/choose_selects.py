"""Choose selects by hand: by name, by path, from a list, or from a folder with copies of the chosen ones.

An ambiguous name chooses nothing: its frames are listed, and a shoot narrows it. A given file is recognized by its
content, wherever it is; a finished JPEG, whose content is unknown, by its name and capture time together.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from tripleguard.cameras.capture import read_capture
from tripleguard.cameras.kinds import get_frame_key, kind_of
from tripleguard.catalog import file_queries, selects, shoots
from tripleguard.catalog.event_log import add_event
from tripleguard.catalog.folder_queries import list_copies_at_path
from tripleguard.catalog.selects import SelectMethod, ShootSelects
from tripleguard.clock import SECOND
from tripleguard.digest import Hasher
from tripleguard.errors import UsageError
from tripleguard.jobs.context import JobContext
from tripleguard.jobs.copying.buffers import CHUNK_BYTES
from tripleguard.jobs.frame_files import FrameFile, files_of_frame, update_wanted_offsite
from tripleguard.jobs.offsite.import_ratings import find_frames_by_name
from tripleguard.jobs.progress import Job, ProgressUpdate
from tripleguard.model import Entry, EventOutcome, EventType, File
from tripleguard.names import escape_text, fold_name
from tripleguard.places.base import SourceFolder
from tripleguard.places.cache_bypass import allocate_aligned

_HEAD_BYTES = 256 * 1024
_MAX_LIST_BYTES = 16 * 1024 * 1024
_EPOCH = datetime(1970, 1, 1)


@dataclass(slots=True)
class SelectsChange:
    """What changed: frames chosen or dropped now, those unchanged, and names not found, with the reason."""

    frames: int = 0
    unchanged: int = 0
    total_selects: int = 0
    not_found: list[tuple[str, str]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class SelectsOverview:
    """The selects by shoot, and their number by the way they were chosen."""

    selects: int
    count_by_method: dict[str, int]
    shoots: tuple[ShootSelects, ...]


@dataclass(frozen=True, slots=True)
class SelectsInput:
    """The person's input. names: names or paths; lists: files with one per line; shoot narrows names."""

    names: tuple[str, ...] = ()
    lists: tuple[Path, ...] = ()
    shoot: str | None = None


def summarize_selects(ctx: JobContext) -> SelectsOverview:
    """Return the selects, by shoot."""
    chosen = selects.list_selects(ctx.catalog)
    return SelectsOverview(
        len(chosen), dict(Counter(one.method for one in chosen)), tuple(selects.list_shoot_selects(ctx.catalog))
    )


def update_selects(ctx: JobContext, selects_input: SelectsInput, *, is_chosen: bool = True) -> Job[SelectsChange]:
    """Choose, or with `is_chosen` false drop, every given frame. Changes nothing offsite. Yields progress.

    Raises UsageError for a list that can't be read, CatalogError.
    """
    result = SelectsChange()
    resolver = _FrameResolver(ctx, selects_input.shoot)
    for how, name, found in _resolve_all(resolver, selects_input):
        if ctx.stop.is_set():
            break
        if isinstance(found, str):
            result.not_found.append((name, found))
            continue
        with ctx.catalog.transaction():
            changed = selects.set_select(ctx.catalog, found[0].file_id, how, ctx.clock.now(), is_chosen=is_chosen)
        result.frames += changed
        result.unchanged += not changed
        yield ProgressUpdate("choosing", result.frames + result.unchanged, 0, 0, 0, 0.0, None)
    with ctx.catalog.transaction():
        update_wanted_offsite(ctx.catalog)
        if result.frames:
            add_event(
                ctx.catalog,
                EventType.METADATA_MODIFICATION,
                EventOutcome.SUCCESS,
                f"{result.frames:,} frames {'chosen' if is_chosen else 'dropped'} by hand",
                ctx.clock.now(),
            )
    result.total_selects = len(selects.list_selects(ctx.catalog))
    return result


def _resolve_all(
    resolver: _FrameResolver, selects_input: SelectsInput
) -> Iterator[tuple[SelectMethod, str, list[FrameFile] | str]]:
    for name in selects_input.names:
        path = Path(name)
        if path.is_dir():
            for inside, found in resolver.resolve_folder(path):
                yield "folder", inside, found
        else:
            yield "hand", name, resolver.resolve(name)
    for listed in selects_input.lists:
        for name in _read_list(listed):
            yield "list", name, resolver.resolve(name)


def _read_list(path: Path) -> Iterable[str]:
    """Return the names in a list: one per line, without empty lines and comments (#). Raises UsageError."""
    try:
        with path.open("rb") as file:
            content = file.read(_MAX_LIST_BYTES + 1)
    except OSError as error:
        raise UsageError(
            f"The list {escape_text(str(path))} can't be read ({error.strerror}).",
            safe="Nothing was changed.",
            do="Give a text file with one name or path a line.",
        ) from error
    if len(content) > _MAX_LIST_BYTES or b"\0" in content:
        raise UsageError(
            f"{escape_text(str(path))} is no list of names.",
            safe="Nothing was changed.",
            do="Give a text file with one name or path a line.",
        )
    lines = (line.strip().strip('"') for line in content.decode("utf-8-sig", "surrogateescape").splitlines())
    return [line for line in lines if line and not line.startswith("#")]


class _FrameResolver:
    """Finds the frame that an input means."""

    def __init__(self, ctx: JobContext, shoot: str | None) -> None:
        self._catalog = ctx.catalog
        self._places = ctx.places
        self._shoot = fold_name(shoot) if shoot else None
        self._titles = {one.id: fold_name(one.title) for one in shoots.list_shoots(ctx.catalog)}

    def resolve(self, name_or_path: str) -> list[FrameFile] | str:
        """Return the frame of a name, a path on a drive or any file; else why there is none."""
        path = Path(name_or_path)
        if path.is_file():
            return self._resolve_file(path)
        if "/" in name_or_path:
            below = [copy.file_id for copy in list_copies_at_path(self._catalog, name_or_path.strip("/"))]
            frames = [frame for file_id in dict.fromkeys(below) if (frame := self._get_frame(file_id))]
            if frames:
                return frames[0]
            return "nothing of that path is in the catalog"
        frames = [frame for frame in find_frames_by_name(self._catalog, name_or_path) if self._is_in_shoot(frame)]
        if len(frames) == 1:
            return frames[0]
        if not frames:
            return "no picture in the catalog has that name"
        where = ", ".join(sorted({escape_text(frame[0].path) for frame in frames})[:3])
        return f"{len(frames)} frames have that name ({where}): give a path, or narrow it with --shoot"

    def resolve_folder(self, root: Path) -> Iterator[tuple[str, list[FrameFile] | str]]:
        """Yield each picture below a folder with its frame, or why none. Raises PlaceError, CardGoneError."""
        card = self._places.open_source(root)
        try:
            for item in card.entries():
                if isinstance(item, Entry) and kind_of(item.name).is_original:
                    yield str(root / item.path), self._resolve_entry(card, item)
        finally:
            card.close()

    def _resolve_file(self, path: Path) -> list[FrameFile] | str:
        card = self._places.open_source(path.parent)
        try:
            entry = card.stat(path.name)
            if entry is None:
                return "it can't be read"
            if not kind_of(entry.name).is_original:
                return "it is no picture"
            return self._resolve_entry(card, entry)
        finally:
            card.close()

    def _resolve_entry(self, card: SourceFolder, entry: Entry) -> list[FrameFile] | str:
        try:
            known = self._find_by_content(card, entry)
            if known is not None:
                return self._get_frame(known) or "no copy of it is recorded"
            head = card.read_at(entry.path, 0, _HEAD_BYTES)
        except OSError as error:
            return f"it can't be read ({error.strerror or error})"
        return self._find_by_name_and_time(entry, head)

    def _find_by_content(self, card: SourceFolder, entry: Entry) -> int | None:
        """Return the original with these bytes, whatever its name. Raises OSError."""
        known = file_queries.find_file_by_digest(self._catalog, _hash_file(card, entry).digest)
        return known.id if known is not None and known.kind.is_original else None

    def _find_by_name_and_time(self, entry: Entry, head: bytes) -> list[FrameFile] | str:
        """Return the frame whose name begins the finished picture's name, captured in the same second."""
        capture = read_capture(head, entry.name)
        local = capture.local
        if local is None or not capture.is_zone_known:
            return "its content is not in the catalog, and it does not say when it was taken"
        at = int((datetime.fromisoformat(local) - _EPOCH) / timedelta(seconds=1)) * SECOND
        stem = fold_name(get_frame_key(entry.path)[1])
        frames = {
            frame[0].file_id: frame
            for known in selects.list_files_by_time(self._catalog, at)
            if (frame := self._get_frame(known.id)) and stem.startswith(fold_name(get_frame_key(known.name)[1]))
        }
        if len(frames) == 1:
            return next(iter(frames.values()))
        return (
            "no picture in the catalog has its name and its time"
            if not frames
            else (f"{len(frames)} frames have its name and its time")
        )

    def _get_frame(self, file_id: int) -> list[FrameFile] | None:
        frame = files_of_frame(self._catalog, file_id)
        return frame if frame and self._is_in_shoot(frame) else None

    def _is_in_shoot(self, frame: Sequence[FrameFile]) -> bool:
        if self._shoot is None:
            return True
        known = file_queries.get_file(self._catalog, frame[0].file_id)
        return self._shoot in self._titles[known.shoot_id]


def _hash_file(card: SourceFolder, entry: Entry) -> File:
    """Hash a file outside the drives. Raises OSError."""
    hasher, buffer = Hasher(), allocate_aligned(CHUNK_BYTES)
    reading = card.open_reader(entry.path)
    try:
        while count := reading.readinto(buffer):
            hasher.update(buffer[:count])
    finally:
        reading.close()
    return hasher.as_file()
