"""A process of its own that decodes pictures, and is killed when it takes too long or too much.

Native decoders read what came from outside; one that crashes or hangs must take nothing with it. So it gets bytes
and gives words, and a new one is started when it has died.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Sequence
from types import TracebackType

from tripleguard.cameras.judging import Judged
from tripleguard.errors import WrongUse
from tripleguard.model import Flaw
from tripleguard.work.apart import begun_apart

SECONDS = 30.0
"""Wall time for one picture, and a second more for every few megabytes; native code on a busy machine is slow."""

LARGEST = 1 << 29
"""Bytes of the largest file that is decoded."""

_MODULE = "tripleguard.work.decoding.decoding_apart"


class Decoder:
    """Decodes pictures in another process. Use it in a `with` statement; one thread at a time.

    command: for tests: what to start in its stead.
    """

    def __init__(self, command: Sequence[str] = (), seconds: float = SECONDS) -> None:
        self._command = list(command) or [sys.executable, "-m", _MODULE]
        self._seconds = seconds
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Decoder:
        self._start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end()

    def judge(self, name: str, content: bytes | bytearray) -> Judged:
        """What decoding a picture told. One over which two decoders die or hang is suspicious, and no more."""
        seconds = self._seconds + len(content) / (4 << 20)
        how = ""
        for _ in range(2):
            answer, late = self._judged_once(name, content, seconds)
            if answer is not None:
                return _judged(answer)
            how = "hangs" if late else "dies"
        why = f"the decoder {how} over it, twice"
        return Judged((Flaw(grave=False, sign=f"decoder {how}", why=why),), why=why)

    def _judged_once(
        self, name: str, content: bytes | bytearray, seconds: float
    ) -> tuple[dict[str, object] | None, bool]:
        """The answer, None if the decoder died over it; and whether it was killed for being late."""
        process = self._process or self._start()
        late = threading.Event()

        def kill() -> None:
            late.set()
            process.kill()

        timer = threading.Timer(seconds, kill)
        timer.start()
        try:
            answer = self._asked(process, name, content)
        finally:
            timer.cancel()
        if answer is None:
            self._end()
        return answer, late.is_set()

    def _start(self) -> subprocess.Popen[bytes]:
        self._process = begun_apart(self._command)
        answer = _line(self._process)
        if answer is None or not answer.get("ready"):
            self._end()
            raise WrongUse(
                "The decoders are not installed.",
                safe="Nothing was changed.",
                do="Install tripleguard[decode]: it brings rawpy (LibRaw), simplejpeg, and pi-heif (libde265).",
            )
        return self._process

    def _asked(
        self, process: subprocess.Popen[bytes], name: str, content: bytes | bytearray
    ) -> dict[str, object] | None:
        assert process.stdin is not None
        try:
            process.stdin.write(json.dumps({"name": name, "size": len(content)}).encode() + b"\n")
            process.stdin.write(content)
            process.stdin.flush()
        except OSError:
            return None
        return _line(process)

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for stream in (process.stdin, process.stdout):
            if stream is not None:
                try:
                    stream.close()
                except OSError:
                    continue


def _line(process: subprocess.Popen[bytes]) -> dict[str, object] | None:
    """One answer; None if the process ended instead or said something else."""
    assert process.stdout is not None
    line = process.stdout.readline(1 << 16)
    try:
        answer = json.loads(line)
    except ValueError:
        return None
    return answer if isinstance(answer, dict) else None


def _judged(answer: dict[str, object]) -> Judged:
    flaws = answer.get("flaws")
    found = tuple(
        Flaw(grave=bool(grave), sign=str(sign), why=str(why), habit=bool(habit))
        for grave, sign, why, habit in (flaws if isinstance(flaws, list) else ())
    )
    return Judged(found, bool(answer.get("decoded")), str(answer.get("why", "")))
