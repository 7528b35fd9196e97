"""A process of our own beside this one, for what may hang, crash, or need much memory."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Sequence
from pathlib import Path

import tripleguard


def begun_apart(command: Sequence[str]) -> subprocess.Popen[bytes]:
    """Start it, with pipes to its standard input and output and no words of its own. Raises OSError.

    From the program's own folder: where the person stands may be a card, and what lies there is not imported.
    """
    return subprocess.Popen(
        command,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        cwd=Path(tripleguard.__file__).parent.parent,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"},
        creationflags=getattr(subprocess, "CREATE_NO_WINDOW", 0),
    )
