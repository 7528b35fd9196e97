"""The invented tour: two bodies, a show that runs past midnight, two cards, and a scratch folder for it all.

Nobody was there and nothing happened; every byte follows from the numbers below, so the tour is the same on
every machine. This is the only room of the demo that writes, and it writes only below the scratch folder: cards
as cameras fill them, one picture that the camera changes later, a drive that is carried away and comes back.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from tripleguard.demo.pictures import picture_file, raw_file
from tripleguard.errors import TripleguardError

SHOOT = "Merrowick harbour theatre"
DAY = "2026-06-13"
BYTES = 300 * 1000 * 1000
"""Room that a tour takes at most, with its copies on two drives."""

_OFFSET = "+02:00"
_RAW_LEAST = 1_050_000
_RAW_SPREAD = 250_000


@dataclass(frozen=True, slots=True)
class Body:
    """One camera: its serial, and where its count stood when the show began."""

    serial: str
    first_frame: int
    begins: datetime
    every: timedelta


HALL = Body("4410023", 412, datetime(2026, 6, 13, 21, 4, 9), timedelta(minutes=3, seconds=41))
"""The body with the wide lens; the show starts at nine and its last frames are shot after midnight."""

WINGS = Body("4410871", 398, datetime(2026, 6, 13, 21, 11, 30), timedelta(minutes=4, seconds=2))
"""The body with the long lens."""


@dataclass(frozen=True, slots=True)
class Tour:
    """The scratch folder and what lies in it."""

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
        """Where drive B appears after it was away."""
        return self.root / "other-port" / "drive-b"

    @property
    def bag(self) -> Path:
        """Where drive B is while it is away."""
        return self.root / "in-the-bag"


def lay_out(root: Path, *, accept_cached: bool) -> Tour:
    """Make the tour in root, which must be new or empty.

    accept_cached: write that setting into the tour's own settings, for a scratch folder that lives in memory.
    Raises TripleguardError.
    """
    tour = Tour(root)
    try:
        for folder in (tour.home, tour.drive_a, tour.drive_b, tour.bag, tour.drive_b_later.parent):
            folder.mkdir(parents=True)
        fill_card(tour.card_1, HALL, range(60))
        fill_card(tour.card_2, WINGS, range(40))
        (tour.card_1 / "DCIM" / ".DS_Store").write_bytes(b"\0\0\0\1Bud1" + bytes(6140))
        if accept_cached:
            (tour.home / "settings.toml").write_text("[rule]\naccept_cached = true\n", encoding="utf-8")
    except OSError as error:
        raise TripleguardError(
            f"The tour can't be made in {root} ({error.strerror}).",
            safe="Nothing outside that folder was touched.",
            do="Give another folder: `tripleguard demo FOLDER`.",
        ) from error
    return tour


def fill_card(card: Path, body: Body, frames: range) -> None:
    """Shoot these frames of a body onto a card: raws, and to every sixth one a camera JPEG. Raises OSError."""
    folder = card / "DCIM" / "100ORREY"
    folder.mkdir(parents=True, exist_ok=True)
    for frame in frames:
        taken = body.begins + frame * body.every
        raw = _raw(body, frame, rating=None)
        _written(folder / f"{_stem(body, frame)}.DNG", raw, taken)
        if frame % 6 == 0:
            picture = picture_file(
                _seed(body, frame),
                taken=taken,
                subsec=frame * 7 % 100,
                offset=_OFFSET,
                serial=body.serial,
                width=600,
                height=400,
            )
            _written(folder / f"{_stem(body, frame)}.JPG", picture, taken)


def rate_in_camera(tour: Tour) -> str:
    """Somebody gives a picture five stars in the camera, which writes the raw anew. Its path on the card."""
    frame = 17
    path = tour.card_2 / "DCIM" / "100ORREY" / f"{_stem(WINGS, frame)}.DNG"
    _written(path, _raw(WINGS, frame, rating=5), WINGS.begins + timedelta(hours=9))
    return path.relative_to(tour.card_2).as_posix()


def pull_drive_b(tour: Tour) -> None:
    """Drive B is carried away in the middle of the night: nothing is left where it was."""
    os.rename(tour.drive_b, tour.bag / "drive-b")


def bring_drive_b(tour: Tour) -> None:
    """Drive B is back, and the computer calls it by another path than before."""
    os.rename(tour.bag / "drive-b", tour.drive_b_later)


def card_files(card: Path) -> Iterator[Path]:
    """Every file of a card that a camera wrote."""
    return (path for path in sorted(card.rglob("ORR_*")) if path.is_file())


def shot(body: Body, frame: int) -> str:
    """The name without extension that a body gives to a frame of this tour."""
    return _stem(body, frame)


def _stem(body: Body, frame: int) -> str:
    return f"ORR_{body.first_frame + frame:04d}"


def _seed(body: Body, frame: int) -> int:
    return int(body.serial) * 10_000 + frame


def _raw(body: Body, frame: int, rating: int | None) -> bytes:
    seed = _seed(body, frame)
    return raw_file(
        seed,
        taken=body.begins + frame * body.every,
        subsec=frame * 7 % 100,
        offset=_OFFSET,
        serial=body.serial,
        size=_RAW_LEAST + seed * 7919 % _RAW_SPREAD,
        rating=rating,
    )


def _written(path: Path, content: bytes, at: datetime) -> None:
    path.write_bytes(content)
    # A camera keeps local time; the tour plays at two hours east of Greenwich.
    utc = int((at - timedelta(hours=2)).replace(tzinfo=UTC).timestamp())
    os.utime(path, (utc, utc))
