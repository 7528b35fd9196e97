"""Reading ahead gives what the file holds, also when it grew or shrank, is left early, or the medium fails."""

from __future__ import annotations

import contextlib
import errno
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tripleguard.jobs.copying.buffers import PIECE_BYTES, ReadAhead
from tripleguard.places.cache_bypass import MediumReader, detect_cache_bypass
from tripleguard.places.dir_handle import DirHandle


class Tape:
    """A file of some bytes that fails from one offset on, and knows how many are reading it."""

    def __init__(self, size: int, fails_from: int | None) -> None:
        self.size = size
        self._fails_from = fails_from
        self._lock = threading.Lock()
        self.inside = 0
        self.closed = False

    def read_at(self, offset: int, buffer: memoryview) -> int:
        assert not self.closed, "read after it was closed"
        with self._lock:
            self.inside += 1
        try:
            if self._fails_from is not None and offset + len(buffer) > self._fails_from:
                raise OSError(errno.EIO, "the head hit something")
            count = max(0, min(len(buffer), self.size - offset))
            buffer[:8] = offset.to_bytes(8, "little")
            return count
        finally:
            with self._lock:
                self.inside -= 1

    def close(self) -> None:
        assert self.inside == 0, "closed while it was read"
        self.closed = True


@pytest.fixture(scope="module")
def ahead() -> Iterator[ReadAhead]:
    made = ReadAhead("A")
    yield made
    made.close()


_SIZE = st.integers(1, 6 * PIECE_BYTES) | st.sampled_from(
    [0, 1, PIECE_BYTES, PIECE_BYTES + 1, 2 * PIECE_BYTES, 3 * PIECE_BYTES, 3 * PIECE_BYTES - 1]
)


@settings(deadline=None, max_examples=150)
@given(size=_SIZE, said=_SIZE, fails_from=st.none() | _SIZE, leave_after=st.none() | st.integers(1, 6))
def test_every_file_gives_its_own_bytes_in_order_however_it_ends(
    ahead: ReadAhead, size: int, said: int, fails_from: int | None, leave_after: int | None
) -> None:
    tape, got, failed = Tape(size, fails_from), 0, False
    with contextlib.closing(ahead.read_pieces(tape, said)) as chunks:
        try:
            for number, chunk in enumerate(chunks, start=1):
                assert int.from_bytes(chunk[:8], "little") == got or len(chunk) < 8
                got += len(chunk)
                if number == leave_after:
                    break
        except OSError as error:
            failed = error.errno == errno.EIO
    tape.close()
    if leave_after is None:
        assert (got, failed) == one_after_the_other(size, fails_from)


def one_after_the_other(size: int, fails_from: int | None) -> tuple[int, bool]:
    """What a single reader gets of such a file, and whether it meets the error."""
    got = 0
    while fails_from is None or got + PIECE_BYTES <= fails_from:
        if size - got < PIECE_BYTES:
            return size, False
        got += PIECE_BYTES
    return got, True


@pytest.mark.parametrize(
    "size", [0, 1, 4096, PIECE_BYTES - 1, PIECE_BYTES, PIECE_BYTES + 1, 3 * PIECE_BYTES + 4097]
)
def test_the_bytes_on_the_disk_come_whole(ahead: ReadAhead, here: Path, size: int) -> None:
    content = bytes(range(251)) * (size // 251 + 1)
    (here / "frame").write_bytes(content[:size])
    folder = DirHandle(here)
    try:
        for said in (size, 0, 2 * size + 1):
            reading = MediumReader(folder, "frame", detect_cache_bypass(here))
            with contextlib.closing(ahead.read_pieces(reading, said)) as chunks:
                assert b"".join(bytes(chunk) for chunk in chunks) == content[:size]
            reading.close()
    finally:
        folder.close()


def test_a_piece_stays_as_it_was_while_the_next_ones_are_read(ahead: ReadAhead) -> None:
    with contextlib.closing(ahead.read_pieces(Tape(12 * PIECE_BYTES, None), 12 * PIECE_BYTES)) as chunks:
        for number, chunk in enumerate(chunks):
            threading.Event().wait(0.002)
            assert int.from_bytes(chunk[:8], "little") == number * PIECE_BYTES
