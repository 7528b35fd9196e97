"""Lines no wider than the terminal, indented under their beginning. Piped output is left in one piece."""

from __future__ import annotations

import re
import shutil
import sys
from typing import TextIO

from tripleguard.names import shown

WIDEST = 100

_WORD = re.compile(r"\s*\S+")


def wrapped(line: str, stream: TextIO | None = None) -> str:
    """The line as it fits the terminal behind stream (standard output); in one piece where it goes elsewhere.

    Whatever it quotes, from a card, a drive or another catalog, no control character of it gets through.
    """
    line = harmless(line)
    if not (stream or sys.stdout).isatty():
        return line
    return "\n".join(_filled(line, min(shutil.get_terminal_size().columns, WIDEST)))


def harmless(text: str) -> str:
    """The text with everything but its ends of lines as `names.shown` shows a name."""
    return "\n".join(map(shown, text.split("\n")))


def _filled(line: str, width: int) -> list[str]:
    """The line in pieces; one long word, such as a path, stays whole so that it can be copied."""
    hanging = " " * (len(line) - len(line.lstrip()) + 2)
    pieces = [""]
    for word in _WORD.findall(line):
        if pieces[-1].strip() and _cells(pieces[-1] + word) > width:
            pieces.append(hanging + word.lstrip())
        else:
            pieces[-1] += word
    return pieces


def _cells(text: str) -> int:
    """How wide a text is on a terminal, where some characters take two cells."""
    if text.isascii():
        return len(text)
    from rich.cells import cell_len

    return cell_len(text)
