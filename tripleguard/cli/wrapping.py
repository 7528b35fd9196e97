"""Wrap lines to the width of the terminal, with an indent. Piped output is not wrapped."""

from __future__ import annotations

import re
import shutil
import sys
from typing import TextIO

from tripleguard.names import escape_text

MAX_WIDTH = 100

_WORD_PATTERN = re.compile(r"\s*\S+")


def wrap_line(line: str, stream: TextIO | None = None) -> str:
    """Return the line wrapped if stream (standard output) is a terminal; always escape control characters."""
    line = escape_control_characters(line)
    if not (stream or sys.stdout).isatty():
        return line
    return "\n".join(_split_to_width(line, min(shutil.get_terminal_size().columns, MAX_WIDTH)))


def escape_control_characters(text: str) -> str:
    """Return the text with all but line ends escaped as in `names.escape_text`."""
    return "\n".join(map(escape_text, text.split("\n")))


def _split_to_width(line: str, width: int) -> list[str]:
    """Split the line into pieces; a long word, such as a path, stays whole so that it can be copied."""
    hanging = " " * (len(line) - len(line.lstrip()) + 2)
    pieces = [""]
    for word in _WORD_PATTERN.findall(line):
        if pieces[-1].strip() and _measure_cells(pieces[-1] + word) > width:
            pieces.append(hanging + word.lstrip())
        else:
            pieces[-1] += word
    return pieces


def _measure_cells(text: str) -> int:
    """Return a text's width on a terminal, where some characters take two cells."""
    if text.isascii():
        return len(text)
    from rich.cells import cell_len

    return cell_len(text)
