"""The child process of the decoder: decodes what it is given and answers, until its input ends.

It gets a name and a size in one line, then that many bytes; it answers with one line of JSON. It opens no file,
runs at the lowest priority, and where the system allows it limits its own memory and processor time. The parent
process kills it when it takes too long.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
from typing import BinaryIO

MAX_MEMORY_BYTES = 3 << 30
"""Bytes of address space."""

MAX_CPU_SECONDS = 60
"""Processor seconds for one picture."""


def main() -> None:
    """Answer requests until the input ends."""
    # Ctrl-C is handled by the parent process.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    answers = os.fdopen(os.dup(1), "wb")  # native code must not print between the answers
    os.dup2(2, 1)
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ[name] = "1"
    from tripleguard.cameras.integrity.decode_check import can_load_decoders

    ready = can_load_decoders()
    _limit_resources()
    _write_answer(answers, {"ready": ready})
    while ready and (line := sys.stdin.buffer.readline()):
        request = json.loads(line)
        content = sys.stdin.buffer.read(request["size"])
        if len(content) < request["size"]:
            return
        _limit_cpu_time()
        _write_answer(answers, _decode(request["name"], content))


def _decode(name: str, content: bytes) -> dict[str, object]:
    from tripleguard.cameras.integrity.decode_check import check_by_decoding

    try:
        found = check_by_decoding(name, content)
    except MemoryError:
        return {"flaws": [], "decoded": False, "why": "it takes more memory than it may have"}
    flaws = [[flaw.is_grave, flaw.sign, flaw.explanation, flaw.is_possible_quirk] for flaw in found.flaws]
    return {"flaws": flaws, "decoded": found.is_decoded, "why": found.reason}


def _write_answer(answers: BinaryIO, answer: dict[str, object]) -> None:
    answers.write(json.dumps(answer).encode() + b"\n")
    answers.flush()


def _limit_resources() -> None:
    if sys.platform == "win32":
        return
    import resource

    with contextlib.suppress(OSError):
        os.nice(19)
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_AS, (MAX_MEMORY_BYTES, MAX_MEMORY_BYTES))
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))
    with contextlib.suppress(OSError, ValueError):
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def _limit_cpu_time() -> None:
    if sys.platform == "win32":
        return
    import resource

    used = resource.getrusage(resource.RUSAGE_SELF)
    with contextlib.suppress(OSError, ValueError):
        hard = resource.getrlimit(resource.RLIMIT_CPU)[1]
        resource.setrlimit(resource.RLIMIT_CPU, (int(used.ru_utime + used.ru_stime) + MAX_CPU_SECONDS, hard))


if __name__ == "__main__":
    main()
