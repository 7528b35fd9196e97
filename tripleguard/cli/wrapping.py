"""Lines no wider than the terminal, indented under their beginning. Piped output is left in one piece."""

from __future__ import annotations

import shutil
import sys
import textwrap

WIDEST = 100


def wrapped(line: str) -> str:
    """The line as it fits a terminal; unchanged where output goes elsewhere."""
    if not sys.stdout.isatty():
        return line
    width = min(shutil.get_terminal_size().columns, WIDEST)
    indent = len(line) - len(line.lstrip())
    hanging = " " * (indent + 2)
    return (
        textwrap.fill(line, width, subsequent_indent=hanging, break_long_words=False, break_on_hyphens=False)
        or line
    )
