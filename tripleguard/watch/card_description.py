"""Describe a card as its owner knows it: by the body that filled it and its frames, not by where it is mounted."""

from __future__ import annotations

import os
import re
from collections.abc import Sequence
from pathlib import Path

from tripleguard.cameras.body_names import UNKNOWN_CAMERA, format_body_label
from tripleguard.cameras.capture import read_capture
from tripleguard.cameras.kinds import kind_of
from tripleguard.errors import TripleguardError
from tripleguard.model import Entry, FileKind
from tripleguard.names import escape_text
from tripleguard.places.base import SourceFolder
from tripleguard.places.card import Card
from tripleguard.places.dir_handle import open_root

_HEAD_BYTES = 128 * 1024
_NUMBERED_STEM = re.compile(r"(.*?)(\d+)")


def describe_card(card: SourceFolder, entries: Sequence[Entry]) -> str:
    """Return body and frames, such as `Orrery R7 7731, ORR_0412 to 0471`; the folder's name without pictures.

    entries: what is listed on the card. A picture that can't be read leaves the body out.
    """
    pictures = sorted(
        (entry for entry in entries if kind_of(entry.name) in (FileKind.RAW, FileKind.PICTURE)),
        key=lambda entry: (entry.mtime_ns, entry.path),
    )
    if not pictures:
        return escape_text(card.root.name or str(card.root))
    first, last = (escape_text(os.path.splitext(entry.name)[0]) for entry in (pictures[0], pictures[-1]))
    start, end = _NUMBERED_STEM.fullmatch(first), _NUMBERED_STEM.fullmatch(last)
    if start and end and start[1] == end[1]:
        last = end[2]
    frames = first if pictures[0].name == pictures[-1].name else f"{first} to {last}"
    try:
        head = card.read_at(pictures[0].path, 0, _HEAD_BYTES)
    except OSError:
        return frames
    body = format_body_label(read_capture(head, pictures[0].name))
    return frames if body == UNKNOWN_CAMERA else f"{body}, {frames}"


def describe_card_at(root: Path) -> tuple[str, int]:
    """Return the description of the card at root, and how many files it lists.

    One that can't be listed is described by its folder.
    """
    try:
        card = Card(open_root(root, no_atime=True))
    except TripleguardError:
        return escape_text(root.name), 0
    try:
        entries = [item for item in card.entries() if isinstance(item, Entry)]
        return describe_card(card, entries), len(entries)
    except TripleguardError:
        return escape_text(root.name), 0
    finally:
        card.close()
