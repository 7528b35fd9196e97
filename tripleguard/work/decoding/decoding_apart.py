"""The other process: decodes what it is given and answers, one picture after the other, until its input ends.

It is told a name and a size in one line, then gets so many bytes; it answers with one line of JSON. It opens no
file, is the first to give way on the machine, and where the system allows it limits itself in memory and in the
time of a processor. Whoever started it kills it when it takes too long.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
from typing import BinaryIO

MEMORY = 3 << 30
"""Bytes of address space."""

CPU_SECONDS = 60
"""Seconds of a processor for one picture."""


def main() -> None:
    """Serve until the input ends."""
    # Ctrl-C is for the one who started this.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    answers = os.fdopen(os.dup(1), "wb")  # what native code prints must not get between the answers
    os.dup2(2, 1)
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ[name] = "1"
    from tripleguard.cameras.judging import can_judge

    ready = can_judge()
    _limit()
    _answer(answers, {"ready": ready})
    while ready and (line := sys.stdin.buffer.readline()):
        asked = json.loads(line)
        content = sys.stdin.buffer.read(asked["size"])
        if len(content) < asked["size"]:
            return
        _limit_time()
        _answer(answers, _judged(asked["name"], content))


def _judged(name: str, content: bytes) -> dict[str, object]:
    from tripleguard.cameras.judging import judge

    try:
        found = judge(name, content)
    except MemoryError:
        return {"flaws": [], "decoded": False, "why": "it takes more memory than it may have"}
    flaws = [[flaw.grave, flaw.sign, flaw.why, flaw.habit] for flaw in found.flaws]
    return {"flaws": flaws, "decoded": found.decoded, "why": found.why}


def _answer(answers: BinaryIO, answer: dict[str, object]) -> None:
    answers.write(json.dumps(answer).encode() + b"\n")
    answers.flush()


def _limit() -> None:
    if sys.platform == "win32":
        return
    import resource

    with contextlib.suppress(OSError):
        os.nice(19)
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _limit_time() -> None:
    if sys.platform == "win32":
        return
    import resource

    used = resource.getrusage(resource.RUSAGE_SELF)
    with contextlib.suppress(OSError, ValueError):
        hard = resource.getrlimit(resource.RLIMIT_CPU)[1]
        resource.setrlimit(resource.RLIMIT_CPU, (int(used.ru_utime + used.ru_stime) + CPU_SECONDS, hard))


if __name__ == "__main__":
    main()
