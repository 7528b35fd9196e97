"""The invented tour: two bodies, a show that runs past midnight, two cards, and a scratch folder for all of it.

Every byte follows from the numbers below, so the tour is the same on every machine. This is the only module of the
demo that writes, and only below the scratch folder: cards as cameras fill them, a picture that the camera changes
later, a copy that rots, a drive that is unplugged and comes back. Nothing is ever removed: that is left to the
person who ran it.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tripleguard.demo.camera_files import make_camera_jpeg, make_raw
from tripleguard.errors import TripleguardError, UsageError
from tripleguard.names import escape_text
from tripleguard.places.cache_bypass import detect_cache_bypass

SHOOT = "Merrowick harbour theatre"
DAY = "2026-06-13"
REQUIRED_BYTES = 600 * 1000 * 1000
"""Free bytes required: a tour takes about 400 MB, and a very fast machine gets a larger card."""

CARD_1_FRAMES = 60
CARD_2_FRAMES = 40
RATED_FRAME = 17
"""The frame of card 2 that is rated later."""

_RESERVE_BYTES = 2 << 30
_UTC_OFFSET = "+02:00"
_MIN_RAW_BYTES = 1_050_000
_RAW_SIZE_SPREAD = 250_000


@dataclass(frozen=True, slots=True)
class DemoBody:
    """One camera: its serial, and its frame number when the show begins."""

    serial: str
    first_frame: int
    starts_at: datetime
    interval: timedelta


HALL = DemoBody("4410023", 412, datetime(2026, 6, 13, 21, 4, 9), timedelta(minutes=3, seconds=41))
"""The body with the wide lens; the show starts at nine, and its last frames are shot after midnight."""

WINGS = DemoBody("4410871", 398, datetime(2026, 6, 13, 21, 11, 30), timedelta(minutes=4, seconds=2))
"""The body with the long lens."""


@dataclass(frozen=True, slots=True)
class Tour:
    """The paths in the scratch folder."""

    root: Path

    @property
    def home(self) -> Path:
        return self.root / "home"

    @property
    def card_1(self) -> Path:
        return self.root / "card-1"

    @property
    def card_2(self) -> Path:
        return self.root / "card-2"

    @property
    def drive_a(self) -> Path:
        return self.root / "drive-a"

    @property
    def drive_b(self) -> Path:
        return self.root / "drive-b"

    @property
    def drive_b_later(self) -> Path:
        """The path of drive B after it was away."""
        return self.root / "other-port" / "drive-b"

    @property
    def bag(self) -> Path:
        """The path of drive B while it is away."""
        return self.root / "in-the-bag"


def make_scratch_folder(target: Path | None) -> Path:
    """Return the folder to play in: `target`, which must be new or empty, or a fresh one.

    A fresh one is on a disk if possible, because files on a memory file system can't be read back from a medium.

    Raises:
        UsageError: the folder is not empty.
        TripleguardError: no folder can be made, or it has too little space.
    """
    if target is not None:
        return _prepare_folder(target.expanduser().absolute())
    from platformdirs import user_cache_path

    usual = [user_cache_path("tripleguard", appauthor=False), Path(tempfile.gettempdir())]
    on_disk = [folder for folder in usual if detect_cache_bypass(folder).medium.is_from_device]
    for folder in (*on_disk, *usual):
        try:
            folder.mkdir(parents=True, exist_ok=True)
            made = Path(
                tempfile.mkdtemp(prefix="demo-" if folder == usual[0] else "tripleguard-demo-", dir=folder)
            )
        except OSError:
            continue
        return _require_space(made)
    raise TripleguardError(
        f"No scratch folder can be made in {' or '.join(map(str, usual))}.",
        safe="Nothing was changed.",
        do="Name one that may be written to: `tripleguard demo FOLDER`.",
    )


def set_up_tour(root: Path, *, accept_cached: bool) -> Tour:
    """Create the tour in the scratch folder `root`. Raises TripleguardError.

    accept_cached writes that setting into the tour's settings, for a folder on a memory file system.
    """
    tour = Tour(root)
    try:
        for folder in (tour.home, tour.drive_a, tour.drive_b, tour.bag, tour.drive_b_later.parent):
            folder.mkdir()
        fill_card(tour.card_1, HALL, range(CARD_1_FRAMES))
        fill_card(tour.card_2, WINGS, range(CARD_2_FRAMES))
        (tour.card_1 / "DCIM" / ".DS_Store").write_bytes(b"\0\0\0\1Bud1" + bytes(6140))
        if accept_cached:
            (tour.home / "settings.toml").write_text("[rule]\naccept_cached = true\n", encoding="utf-8")
    except OSError as error:
        raise _build_setup_error(root, error) from error
    return tour


def fill_card(card: Path, body: DemoBody, frames: range) -> None:
    """Shoot these frames of a body onto a card: raws, and a camera JPEG for every sixth one. Raises OSError."""
    folder = card / "DCIM" / "100ORREY"
    folder.mkdir(parents=True, exist_ok=True)
    for frame in frames:
        taken = _get_capture_time(body, frame)
        raw = _make_frame_raw(body, frame, rating=None)
        _write_file(folder / f"{_get_frame_stem(body, frame)}.DNG", raw, taken)
        if frame % 6 == 0:
            picture = make_camera_jpeg(
                _get_seed(body, frame),
                taken_at=taken,
                subsec=frame * 7 % 100,
                offset=_UTC_OFFSET,
                serial=body.serial,
                width=600,
                height=400,
            )
            _write_file(folder / f"{_get_frame_stem(body, frame)}.JPG", picture, taken)


def rate_in_camera(tour: Tour) -> str:
    """Give a picture of card 2 five stars in the camera, which rewrites the raw; return its name."""
    path = tour.card_2 / "DCIM" / "100ORREY" / f"{_get_frame_stem(WINGS, RATED_FRAME)}.DNG"
    _write_file(path, _make_frame_raw(WINGS, RATED_FRAME, rating=5), WINGS.starts_at + timedelta(hours=9))
    return path.name


def corrupt_one_copy(tour: Tour) -> Path:
    """Flip one bit of a copy on drive A, keeping its size and time; return its path on the drive."""
    copy = next(iter(iter_camera_files(tour.drive_a)))
    before = copy.stat()
    with copy.open("r+b") as file:
        file.seek(before.st_size // 2)
        byte = file.read(1)[0]
        file.seek(before.st_size // 2)
        file.write(bytes([byte ^ 0x10]))
    os.utime(copy, ns=(before.st_atime_ns, before.st_mtime_ns))
    return copy.relative_to(tour.drive_a)


def unplug_drive_b(tour: Tour) -> None:
    """Unplug drive B: nothing is left at its path."""
    os.rename(tour.drive_b, tour.bag / "drive-b")


def plug_in_drive_b(tour: Tour) -> None:
    """Plug drive B in again, at another path than before."""
    os.rename(tour.bag / "drive-b", tour.drive_b_later)


def iter_camera_files(folder: Path) -> Iterator[Path]:
    """Yield every camera file below a card or a drive, without the tool's own files."""
    return (path for path in sorted(folder.rglob("ORR_*")) if ".tripleguard" not in path.parts)


def _prepare_folder(folder: Path) -> Path:
    try:
        folder.mkdir(parents=True, exist_ok=True)
        empty = next(folder.iterdir(), None) is None
    except (FileExistsError, NotADirectoryError):
        empty = False
    except OSError as error:
        raise _build_setup_error(folder, error) from error
    if not empty:
        raise UsageError(
            f"{escape_text(str(folder))} is not an empty folder.",
            safe="Nothing was changed.",
            do="Give a folder that is empty or not there yet.",
        )
    return _require_space(folder)


def _require_space(folder: Path) -> Path:
    usage = shutil.disk_usage(folder)
    if usage.free - min(_RESERVE_BYTES, usage.total // 20) < REQUIRED_BYTES:
        raise TripleguardError(
            f"There is too little room at {escape_text(str(folder))}: the demo "
            f"needs {REQUIRED_BYTES // 1_000_000} MB, and the "
            "tool keeps some room free on every drive.",
            safe="Nothing was changed.",
            do="Give a folder with more room: `tripleguard demo FOLDER`.",
        )
    return folder


def _build_setup_error(root: Path, error: OSError) -> TripleguardError:
    return TripleguardError(
        f"The tour can't be made in {escape_text(str(root))} ({error.strerror}).",
        safe="Nothing outside that folder was touched.",
        do="Give another folder: `tripleguard demo FOLDER`.",
    )


def _get_frame_stem(body: DemoBody, frame: int) -> str:
    return f"ORR_{body.first_frame + frame:04d}"


def _get_capture_time(body: DemoBody, frame: int) -> datetime:
    """Return when a frame was shot.

    Frames beyond the evening's fall between the others, so that it stays one night.
    """
    return body.starts_at + frame % CARD_1_FRAMES * body.interval + timedelta(seconds=frame // CARD_1_FRAMES)


def _get_seed(body: DemoBody, frame: int) -> int:
    return int(body.serial) * 10_000 + frame


def _make_frame_raw(body: DemoBody, frame: int, rating: int | None) -> bytes:
    seed = _get_seed(body, frame)
    return make_raw(
        seed,
        taken_at=_get_capture_time(body, frame),
        subsec=frame * 7 % 100,
        offset=_UTC_OFFSET,
        serial=body.serial,
        size=_MIN_RAW_BYTES + seed * 7919 % _RAW_SIZE_SPREAD,
        rating=rating,
    )


def _write_file(path: Path, content: bytes, local_time: datetime) -> None:
    path.write_bytes(content)
    # A camera keeps local time; the tour is two hours east of Greenwich.
    utc = int((local_time - timedelta(hours=2)).replace(tzinfo=UTC).timestamp())
    os.utime(path, (utc, utc))
