"""What a folder that is handed over says of itself: a bag's text files, or the plain list.

They are written when every copy is in its place, and the one that makes the folder whole comes last. What an
interrupted run has settled on is kept, since part of it may be written already.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass

from tripleguard import checklist
from tripleguard.bags import lines, tags
from tripleguard.clock import iso_utc
from tripleguard.digest import sum_named
from tripleguard.errors import NameTaken, PlaceFailed
from tripleguard.names import shown
from tripleguard.places.handing import Handing, Note, Task
from tripleguard.sections import Handover
from tripleguard.work.kit import Kit

LIST_NAME = "checksums.sha256"
_INFO = "bag-info.txt"
_LISTED_SUMS = ("sha256", "sha512")


@dataclass(frozen=True, slots=True)
class Told:
    """What is told of a handover. shoot: its title. left_out: how many of its files could not be had."""

    shoot: str
    files: int
    total_bytes: int
    left_out: int


def own_names(form: str) -> frozenset[str]:
    """What lies in the folder beside the files of the shoot."""
    if form == "list":
        return frozenset({LIST_NAME})
    manifests = (f"{kind}manifest-{name}.txt" for kind in ("", "tag") for name in _LISTED_SUMS)
    return frozenset({tags.DECLARATION, _INFO, *manifests})


def close_folder(kit: Kit, target: Handing, task: Task, told: Told, notes: Mapping[str, Note]) -> None:
    """Write what makes the folder whole, the decisive file last. notes: by path from the folder.

    Raises NameTaken where something else stands there, NoRoom, PlaceFailed.
    """
    if task.form == "list":
        content = b"".join(checklist.written_sha256((path, note.sha256) for path, note in sorted(notes.items())))
        _write(target, LIST_NAME, content)
    else:
        _write_tags(kit, target, task, told, notes)
    target.settle([""])


def _write_tags(kit: Kit, target: Handing, task: Task, told: Told, notes: Mapping[str, Note]) -> None:
    files = {_INFO: _settled_info(kit, target, task, told)}
    for name in _LISTED_SUMS:
        pairs = ((path, str(getattr(note, name))) for path, note in sorted(notes.items()))
        files[f"manifest-{name}.txt"] = b"".join(lines.manifest(pairs))
    listed = {**files, tags.DECLARATION: tags.declaration()}
    for name in _LISTED_SUMS:
        sums = ((path, _sum(name, content)) for path, content in sorted(listed.items()))
        files[f"tagmanifest-{name}.txt"] = b"".join(lines.manifest(sums))
    for path, content in files.items():
        _write(target, path, content)
    target.settle([""])
    _write(target, tags.DECLARATION, tags.declaration())


def _settled_info(kit: Kit, target: Handing, task: Task, told: Told) -> bytes:
    """`bag-info.txt`. What an interrupted run settled on stays so: part of it may be written already."""
    oxum = tags.oxum(told.total_bytes, told.files)
    if not task.closing:
        said = _info(kit.settings.handover, told, oxum, iso_utc(kit.clock.now())[:10])
        target.begin_task(Task(task.shoot, task.catalog, task.form, task.what, said.decode("utf-8")))
        return said
    if f"\n{tags.OXUM}: {oxum}\n" not in task.closing:
        raise NameTaken(
            f"{target.name} was about to be finished with other files than it has now.",
            safe="It was left as it is.",
            do="Hand over into another folder.",
        )
    return task.closing.encode("utf-8")


def _info(says: Handover, told: Told, oxum: str, day: str) -> bytes:
    left_out = f"Files of this shoot that could not be read and are not in this bag: {told.left_out}"
    return tags.info_text(
        [
            ("Source-Organization", says.organization),
            ("Organization-Address", says.address),
            ("Contact-Name", says.contact),
            ("Contact-Phone", says.phone),
            ("Contact-Email", says.email),
            ("External-Description", says.description.replace("{shoot}", told.shoot)),
            ("Bagging-Date", day),
            ("External-Identifier", told.shoot),
            ("Bag-Size", _bag_size(told.total_bytes)),
            (tags.OXUM, oxum),
            ("Internal-Sender-Description", left_out if told.left_out else ""),
        ]
    )


def _bag_size(total_bytes: int) -> str:
    return f"{total_bytes / 1e9:.1f} GB" if total_bytes >= 1e9 else f"{total_bytes / 1e6:.1f} MB"


def _write(target: Handing, name: str, content: bytes) -> None:
    """One file of the folder's own, read back before it is named. One that is there must be the same."""
    if target.look(name) is not None:
        if _content_of(target, name) != content:
            raise NameTaken(
                f"{target.name} holds a {name} that says something else.",
                safe="It was left as it is.",
                do="Hand over into another folder.",
            )
        return
    incoming = target.begin()
    try:
        incoming.write(memoryview(content))
        incoming.flush(time.time_ns())
        if _content_of(target, incoming.path) != content:
            raise PlaceFailed(
                f"{target.name} does not give back what was written ({name}).",
                safe="It was not given a name.",
                do="Use another disk for the handover; this one, or its cable, is failing.",
            )
        incoming.publish(name)
    except BaseException:
        incoming.discard()
        raise


def _content_of(target: Handing, path: str) -> bytes:
    try:
        return target.read_all(path)
    except OSError as error:
        raise PlaceFailed(
            f"{target.name}: {shown(path)} can't be read back ({error.strerror or error}).",
            do="Check the disk and its cable, then run the same command again.",
        ) from error


def _sum(algorithm: str, content: bytes) -> str:
    one = sum_named(algorithm)
    assert one is not None
    one.update(content)
    return one.hexdigest()
