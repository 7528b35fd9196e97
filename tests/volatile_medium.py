"""A model of a medium that loses power: which content and which names had been forced out."""

from __future__ import annotations

import os
import shutil
import threading


class VolatileMedium:
    """What a medium holds after a power cut: only what was forced to it.

    A file's content is durable as it was at the last fsync of the file, a name as it was at the last fsync of its
    directory. This is stricter than ext4 or xfs, where the fsync of a new file brings its name along. A rename
    counts as one step, as on a journaling file system: it is durable when the target directory was forced out.

    Inode numbers are used again, so files and directories have numbers of their own here.
    """

    def __init__(self, root: str) -> None:
        self.root = root
        self.lock = threading.RLock()
        self._store = f"{root}.volatile"
        self._next = 0
        self._numbers: dict[int, int] = {}  # by inode number
        self._names: dict[int, dict[str, int]] = {}  # the durable entries of each directory
        self._before: dict[int, str | None] = {}  # the durable content of a file that was changed; None: empty
        self._held: dict[int, str] = {}  # files without a name that a power cut would bring back
        self._renames: list[tuple[int, str, int, str, int]] = []
        shutil.rmtree(self._store, ignore_errors=True)
        os.mkdir(self._store)
        for folder, _, _ in os.walk(root):
            self.sync_directory(folder)

    def created(self, path: str) -> None:
        """Note a new file, link or directory: it has neither a durable name nor durable content."""
        status = os.lstat(path)
        number = self._new_number(status.st_ino)
        if os.path.isdir(path) and not os.path.islink(path):
            self._names[number] = {}
        elif not os.path.islink(path):
            self._before[number] = None

    def changing(self, path: str) -> None:
        """Keep the durable content of a file before it is first changed after a fsync."""
        number = self._number(path)
        if number in self._before:
            return
        kept = os.path.join(self._store, f"before-{number}")
        shutil.copy2(path, kept)
        self._before[number] = kept

    def sync_file(self, path: str) -> None:
        before = self._before.pop(self._number(path), None)
        if before is not None:
            os.unlink(before)

    def sync_directory(self, path: str) -> None:
        directory = self._number(path)
        for rename in [one for one in self._renames if one[2] == directory]:
            source, name, _, _, number = rename
            if self._names[source].get(name) == number:
                del self._names[source][name]
            self._renames.remove(rename)
        names = {entry.name: self._number(entry.path) for entry in os.scandir(path)}
        leaving = {name: number for source, name, _, _, number in self._renames if source == directory}
        self._names[directory] = leaving | names

    def removing(self, path: str) -> None:
        """Hold on to a file whose name goes, as long as a durable name stands for it."""
        number = self._number(path)
        if number in self._held or number in self._names or not self._has_durable_name(number):
            return
        held = os.path.join(self._store, f"held-{number}")
        os.link(path, held, follow_symlinks=False)
        self._held[number] = held

    def renamed(self, source: str, target: str) -> None:
        """Note a rename that was done."""
        old, new = (self._number(os.path.dirname(path)) for path in (source, target))
        number, name = self._number(target), os.path.basename(source)
        if self._names.get(old, {}).get(name) == number:
            self._renames.append((old, name, new, os.path.basename(target), number))

    def cut(self) -> None:
        """Bring the backing folder to what was durable. Nothing may change meanwhile: the caller has the lock."""
        paths = dict(self._held)
        for folder, _, files in os.walk(self.root):
            paths |= {self._number(os.path.join(folder, name)): os.path.join(folder, name) for name in files}
        durable, gone = (os.path.join(self._store, name) for name in ("durable", "gone"))
        os.mkdir(durable)
        os.mkdir(gone)
        self._build(self._number(self.root), durable, paths)
        for source, target in ((self.root, gone), (durable, self.root)):
            for name in os.listdir(source):
                os.rename(os.path.join(source, name), os.path.join(target, name))
        shutil.rmtree(self._store)

    def _build(self, directory: int, into: str, paths: dict[int, str]) -> None:
        for name, number in self._names[directory].items():
            target = os.path.join(into, name)
            if number in self._names:
                os.mkdir(target)
                self._build(number, target, paths)
                continue
            content = self._before.get(number, paths.get(number))
            if content is None:
                os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o644))
            else:
                os.link(content, target, follow_symlinks=False)

    def _has_durable_name(self, number: int) -> bool:
        return any(number in names.values() for names in self._names.values())

    def _number(self, path: str) -> int:
        inode = os.lstat(path).st_ino
        return self._numbers[inode] if inode in self._numbers else self._new_number(inode)

    def _new_number(self, inode: int) -> int:
        self._next += 1
        self._numbers[inode] = self._next
        return self._next
