"""Finalize a handover folder: write a bag's text files, or the plain list.

They are written when every copy is published, and the one that makes the folder complete comes last. Files that an
interrupted run has written are kept.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass

from tripleguard import checklist
from tripleguard.bags import manifest_lines, tag_files
from tripleguard.clock import format_iso
from tripleguard.config_sections import HandoverSettings
from tripleguard.digest import new_checksum
from tripleguard.errors import NameTakenError, PlaceFailedError
from tripleguard.jobs.context import JobContext
from tripleguard.names import escape_text
from tripleguard.places.handover_folder import FinishedCopy, HandoverFolder, HandoverTask

CHECKLIST_NAME = "checksums.sha256"
_INFO_FILE = "bag-info.txt"
_MANIFEST_ALGORITHMS = ("sha256", "sha512")


@dataclass(frozen=True, slots=True)
class HandoverSummary:
    """The summary in a handover folder. shoot: its title; left_out_count: files that were not available."""

    shoot: str
    files: int
    total_bytes: int
    left_out_count: int


def get_reserved_names(form: str) -> frozenset[str]:
    """Return the names in the folder besides the shoot's files."""
    if form == "list":
        return frozenset({CHECKLIST_NAME})
    manifests = (f"{kind}manifest-{name}.txt" for kind in ("", "tag") for name in _MANIFEST_ALGORITHMS)
    return frozenset({tag_files.DECLARATION, _INFO_FILE, *manifests})


def finalize_folder(
    ctx: JobContext,
    target: HandoverFolder,
    task: HandoverTask,
    summary: HandoverSummary,
    notes: Mapping[str, FinishedCopy],
) -> None:
    """Write what makes the folder complete, the decisive file last. notes: by path in the folder.

    Raises NameTakenError if a name has other content, NoSpaceError, PlaceFailedError.
    """
    if task.form == "list":
        content = b"".join(checklist.format_sha256sum((path, note.sha256) for path, note in sorted(notes.items())))
        _write_file(target, CHECKLIST_NAME, content)
    else:
        _write_tags(ctx, target, task, summary, notes)
    target.fsync_dirs([""])


def _write_tags(
    ctx: JobContext,
    target: HandoverFolder,
    task: HandoverTask,
    summary: HandoverSummary,
    notes: Mapping[str, FinishedCopy],
) -> None:
    files = {_INFO_FILE: _load_or_build_info(ctx, target, task, summary)}
    for name in _MANIFEST_ALGORITHMS:
        pairs = ((path, str(getattr(note, name))) for path, note in sorted(notes.items()))
        files[f"manifest-{name}.txt"] = b"".join(manifest_lines.format_manifest(pairs))
    listed = {**files, tag_files.DECLARATION: tag_files.format_declaration()}
    for name in _MANIFEST_ALGORITHMS:
        sums = ((path, _checksum(name, content)) for path, content in sorted(listed.items()))
        files[f"tagmanifest-{name}.txt"] = b"".join(manifest_lines.format_manifest(sums))
    for path, content in files.items():
        _write_file(target, path, content)
    target.fsync_dirs([""])
    _write_file(target, tag_files.DECLARATION, tag_files.format_declaration())


def _load_or_build_info(
    ctx: JobContext, target: HandoverFolder, task: HandoverTask, summary: HandoverSummary
) -> bytes:
    """Return `bag-info.txt`; what an interrupted run chose stays, as other files may contain it already."""
    oxum = tag_files.format_oxum(summary.total_bytes, summary.files)
    if not task.closing:
        info = _format_info(ctx.settings.handover, summary, oxum, format_iso(ctx.clock.now())[:10])
        target.write_task(HandoverTask(task.shoot, task.catalog, task.form, task.what, info.decode("utf-8")))
        return info
    if f"\n{tag_files.OXUM}: {oxum}\n" not in task.closing:
        raise NameTakenError(
            f"{target.name} was about to be finished with other files than it has now.",
            safe="It was left as it is.",
            do="Hand over into another folder.",
        )
    return task.closing.encode("utf-8")


def _format_info(settings: HandoverSettings, summary: HandoverSummary, oxum: str, day: str) -> bytes:
    left_out = f"Files of this shoot that could not be read and are not in this bag: {summary.left_out_count}"
    return tag_files.format_info(
        [
            ("Source-Organization", settings.organization),
            ("Organization-Address", settings.address),
            ("Contact-Name", settings.contact),
            ("Contact-Phone", settings.phone),
            ("Contact-Email", settings.email),
            ("External-Description", settings.description.replace("{shoot}", summary.shoot)),
            ("Bagging-Date", day),
            ("External-Identifier", summary.shoot),
            ("Bag-Size", _format_size(summary.total_bytes)),
            (tag_files.OXUM, oxum),
            ("Internal-Sender-Description", left_out if summary.left_out_count else ""),
        ]
    )


def _format_size(total_bytes: int) -> str:
    return f"{total_bytes / 1e9:.1f} GB" if total_bytes >= 1e9 else f"{total_bytes / 1e6:.1f} MB"


def _write_file(target: HandoverFolder, name: str, content: bytes) -> None:
    """Write a tag file and read it back before it is published; an existing one must be equal."""
    if target.stat(name) is not None:
        if _read_content(target, name) != content:
            raise NameTakenError(
                f"{target.name} holds a {name} that says something else.",
                safe="It was left as it is.",
                do="Hand over into another folder.",
            )
        return
    incoming = target.begin_copy()
    try:
        incoming.write(memoryview(content))
        incoming.flush(time.time_ns())
        if _read_content(target, incoming.path) != content:
            raise PlaceFailedError(
                f"{target.name} does not give back what was written ({name}).",
                safe="It was not given a name.",
                do="Use another disk for the handover; this one, or its cable, is failing.",
            )
        incoming.publish(name)
    except BaseException:
        incoming.discard()
        raise


def _read_content(target: HandoverFolder, path: str) -> bytes:
    try:
        return target.read_whole(path)
    except OSError as error:
        raise PlaceFailedError(
            f"{target.name}: {escape_text(path)} can't be read back ({error.strerror or error}).",
            do="Check the disk and its cable, then run the same command again.",
        ) from error


def _checksum(algorithm: str, content: bytes) -> str:
    one = new_checksum(algorithm)
    assert one is not None
    one.update(content)
    return one.hexdigest()
