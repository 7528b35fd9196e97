"""Run a picture decoder in a child process, and kill it when it takes too long or uses too much.

Native decoders read untrusted data; one that crashes or hangs must not affect this process. So it gets bytes and
returns text, and a new one is started when it has died.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
from collections.abc import Sequence
from types import TracebackType

from tripleguard.cameras.integrity.decode_check import DecodeCheck
from tripleguard.errors import UsageError
from tripleguard.jobs.background import start_child_process
from tripleguard.model import IntegrityFlaw

TIMEOUT_SECONDS = 30.0
"""Wall time for one picture, plus a second for every few megabytes; native code on a busy machine is slow."""

MAX_FILE_BYTES = 1 << 29
"""Bytes of the largest file that is decoded."""

_CHILD_MODULE = "tripleguard.jobs.inspect.decoder_child"


class PictureDecoder:
    """A decoder in another process. Use it in a `with` statement, from one thread at a time.

    A command given to the constructor is started in place of the decoder, for tests.
    """

    def __init__(self, command: Sequence[str] = (), timeout_s: float = TIMEOUT_SECONDS) -> None:
        self._command = list(command) or [sys.executable, "-m", _CHILD_MODULE]
        self._timeout_s = timeout_s
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> PictureDecoder:
        self._start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._stop()

    def decode(self, name: str, content: bytes | bytearray) -> DecodeCheck:
        """Return the result of decoding a picture.

        One that kills or hangs two decoders is suspicious, and no more.
        """
        seconds = self._timeout_s + len(content) / (4 << 20)
        how = ""
        for _ in range(2):
            answer, late = self._decode_once(name, content, seconds)
            if answer is not None:
                return _parse_answer(answer)
            how = "hangs" if late else "dies"
        why = f"the decoder {how} over it, twice"
        return DecodeCheck((IntegrityFlaw(is_grave=False, sign=f"decoder {how}", explanation=why),), reason=why)

    def _decode_once(
        self, name: str, content: bytes | bytearray, timeout_s: float
    ) -> tuple[dict[str, object] | None, bool]:
        """Return the answer, None if the decoder died; and whether it was killed because of the timeout."""
        process = self._process or self._start()
        late = threading.Event()

        def kill() -> None:
            late.set()
            process.kill()

        timer = threading.Timer(timeout_s, kill)
        timer.start()
        try:
            answer = self._request(process, name, content)
        finally:
            timer.cancel()
        if answer is None:
            self._stop()
        return answer, late.is_set()

    def _start(self) -> subprocess.Popen[bytes]:
        self._process = start_child_process(self._command)
        answer = _read_answer(self._process)
        if answer is None or not answer.get("ready"):
            self._stop()
            raise UsageError(
                "The decoders are not installed.",
                safe="Nothing was changed.",
                do="Install tripleguard[decode]: it brings rawpy (LibRaw), simplejpeg, and pi-heif (libde265).",
            )
        return self._process

    def _request(
        self, process: subprocess.Popen[bytes], name: str, content: bytes | bytearray
    ) -> dict[str, object] | None:
        assert process.stdin is not None
        try:
            process.stdin.write(json.dumps({"name": name, "size": len(content)}).encode() + b"\n")
            process.stdin.write(content)
            process.stdin.flush()
        except OSError:
            return None
        return _read_answer(process)

    def _stop(self) -> None:
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


def _read_answer(process: subprocess.Popen[bytes]) -> dict[str, object] | None:
    """Return one answer; None if the process ended or wrote something else."""
    assert process.stdout is not None
    line = process.stdout.readline(1 << 16)
    try:
        answer = json.loads(line)
    except ValueError:
        return None
    return answer if isinstance(answer, dict) else None


def _parse_answer(answer: dict[str, object]) -> DecodeCheck:
    flaws = answer.get("flaws")
    found = tuple(
        IntegrityFlaw(is_grave=bool(grave), sign=str(sign), explanation=str(why), is_possible_quirk=bool(habit))
        for grave, sign, why, habit in (flaws if isinstance(flaws, list) else ())
    )
    return DecodeCheck(found, bool(answer.get("decoded")), str(answer.get("why", "")))
