"""The plainest right answer to "may this card be reformatted?", to measure the adversary with.

It knows no catalog: it looks at card and drives, reads everything, looks again, and says yes if nothing changed
and every file of the card lies on both drives. The adversary must not find a wrong yes here, and must find one as
soon as one of the checks is left out.
"""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass

from adversary_changes import Scene
from adversary_ground import Said
from blake3 import blake3

Mark = tuple[int, ...]


@dataclass(frozen=True)
class Careful:
    """What is checked: whether drives and card are looked at again, and what counts as the same file.

    inodes: two names of one file are one copy. exact: the time of the last change (ctime) and the inode count.
    """

    drives_again: bool = True
    card_again: bool = True
    inodes: bool = True
    exact: bool = True

    def __call__(self, scene: Scene) -> Said:
        """The answer for the scene's card."""
        card, drives = str(scene.card), [str(scene.drive(name)) for name in "AB"]
        try:
            looked = self._look(card), [self._look(drive) for drive in drives]
            wanted = _digests(card, looked[0])
            held = [_digests(drive, marks) for drive, marks in zip(drives, looked[1], strict=True)]
            if self.drives_again and [self._look(drive) for drive in drives] != looked[1]:
                return Said("no", "a drive changed")
            if self.card_again and self._look(card) != looked[0]:
                return Said("no", "the card changed")
        except OSError as error:
            return Said("refused", str(error))
        if not wanted:
            return Said("no", "there is nothing on it")
        for digest in wanted:
            found = [one.get(digest, set()) for one in held]
            if not all(found) or (self.inodes and len(set().union(*found)) < 2):
                return Said("no", "a file is not on two drives")
        return Said("yes", "")

    def _look(self, root: str, folder: str = "") -> dict[str, Mark]:
        """Every plain file below root, by its path, as it is now."""
        found: dict[str, Mark] = {}
        with os.scandir(f"{root}/{folder}" if folder else root) as entries:
            for entry in entries:
                path = f"{folder}/{entry.name}" if folder else entry.name
                status = entry.stat(follow_symlinks=False)
                if stat.S_ISDIR(status.st_mode):
                    # The program's own folder holds no copies.
                    found |= self._look(root, path) if entry.name != ".tripleguard" else {}
                else:
                    # What a folder lists may be older than the file itself.
                    found[path] = self._mark(os.stat(f"{root}/{path}", follow_symlinks=False))
        return found

    def _mark(self, status: os.stat_result) -> Mark:
        mark: Mark = (status.st_size, status.st_mtime_ns)
        return (*mark, status.st_dev, status.st_ino, status.st_ctime_ns) if self.exact else mark


def _digests(root: str, marks: dict[str, Mark]) -> dict[bytes, set[tuple[int, int]]]:
    """The digests of all files, each with the inodes that hold it. Raises OSError."""
    found: dict[bytes, set[tuple[int, int]]] = {}
    for path in marks:
        descriptor = os.open(f"{root}/{path}", os.O_RDONLY)
        try:
            hasher = blake3()
            while piece := os.read(descriptor, 1 << 20):
                hasher.update(piece)
            status = os.fstat(descriptor)
        finally:
            os.close(descriptor)
        found.setdefault(hasher.digest(), set()).add((status.st_dev, status.st_ino))
    return found
