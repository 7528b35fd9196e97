"""The same adversary on real file systems: cards and drives in images that are pulled out and mounted again.

The card and drive B are exFAT by a user-space driver or ext4, A is ext4. One schedule takes about a second, so
that a campaign plays some hundreds. Needs root and loop devices.
"""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from adversary_cards import CLEARANCE, OFFLOAD, CardGround, Scenario, fill, offloaded
from adversary_changes import LONG, Change, Scene, rewritten, zeroed
from adversary_ground import Ground, set_up
from adversary_syscalls import Tap
from disk_images import Images
from world import CardFolder

from tripleguard.clock import HOUR

_MEGABYTES = 8
_UP = {"card": "card", "a": "drive-a", "b": "drive-b"}


@dataclass
class MountedScene(Scene):
    """A scene whose card and drives are images. kinds: the file system of each."""

    images: Images | None = None
    kind: str = "ext4"

    def swap(self, name: str, other: str | None) -> bool:
        """Pull one out, and mount another image in its place; None: nothing."""
        assert self.images is not None
        point = self.world.root / _UP[name]
        kind = self.images.up[point].kind
        self.images.yank(point)
        if other is not None:
            self.images.mount(other, kind, _MEGABYTES, at=point.name)
        return True


def _swapped(name: str, other: str | None) -> Change:
    def change(scene: Scene) -> bool:
        assert isinstance(scene, MountedScene)
        return scene.swap(name, other)

    who = "card" if name == "card" else name.upper()
    what = "pulled out" if other is None else "mounted again" if other == name else "another in its place"
    of = "card" if name == "card" else "drives"
    return Change(f"{who}: {what}", of, change, unseen=name == "b" and other not in (None, name))


MOUNTS = (
    _swapped("b", None),
    _swapped("b", "b"),
    _swapped("b", "b-zeroed"),
    _swapped("card", None),
    _swapped("card", "card"),
    _swapped("card", "card-other"),
)

SCENARIOS = tuple(
    (Scenario(f"{name}, on {kind}", prepare, ask), kind)
    for kind in ("ext4", "exfat")
    for name, prepare, ask in [
        ("clearance card", offloaded, CLEARANCE),
        ("offload", lambda scene, card: None, OFFLOAD),
    ]
)


class MountedGround(CardGround):
    """One scenario on images that are put back before every schedule."""

    def __init__(self, root: Path, scenario: Scenario, kind: str) -> None:
        Ground.__init__(self, root, scenario, scenario.hours * HOUR)
        live = self._live
        self._kind = kind
        self._images = Images(live)
        for name, at in _UP.items():
            self._images.mount(name, "ext4" if name == "a" else kind, _MEGABYTES, at=at)
        card = CardFolder(live / "card")
        fill(card, self._spare)
        set_up(self._world, "A", "B")
        shutil.copytree(self._world.home, self._spare / "older-home")
        scenario.prepare(MountedScene(self._world, self._spare, Tap(live), images=self._images), card)
        self._images.close()
        self._other("card", "card-other")
        self._other("b", "b-zeroed")
        for image in live.glob("*.img"):
            shutil.copyfile(image, self._spare / image.name)
        self.keep(self._world.home)

    def close(self) -> None:
        self._images.close()

    @contextmanager
    def scene(self) -> Iterator[Scene]:
        self._images.close()
        self._kept.restore()
        for image in self._spare.glob("*.img"):
            shutil.copyfile(image, self._world.root / image.name)
        for name, at in _UP.items():
            self._images.mount(name, "ext4" if name == "a" else self._kind, _MEGABYTES, at=at)
        try:
            yield MountedScene(self._world, self._spare, Tap(self._world.root), images=self._images)
        finally:
            self._images.close()

    def _other(self, name: str, other: str) -> None:
        """An image like another one, with other bytes of the same sizes and times."""
        live = self._world.root
        shutil.copyfile(live / f"{name}.img", live / f"{other}.img")
        point = self._images.mount(other, self._kind, _MEGABYTES, at=_UP[name])
        if name == "card":
            content = bytearray((point / LONG).read_bytes())
            content[100_000:100_512] = bytes(512)
            rewritten(point / LONG, bytes(content), time_kept=True)
        else:
            for path in point.rglob("*.DNG"):
                zeroed(path)
        self._images.unmount(point)
