"""A line that fails, in front of a real server: it cuts, stalls, corrupts, and answers in the server's stead.

A proxy on loopback that passes bytes on, both ways, at a rate if one is given, and keeps count of what came from
the client. What goes wrong is told it by the test, or happens by its own seeded dice.
"""

from __future__ import annotations

import random
import select
import socket
import threading
import time
from dataclasses import dataclass, field

_PIECE = 16 * 1024


def page(status: str, body: bytes, kind: str = "application/xml") -> bytes:
    """An answer as a proxy in trouble gives it."""
    head = f"HTTP/1.1 {status}\r\nContent-Type: {kind}\r\nContent-Length: {len(body)}\r\nConnection: close\r\n\r\n"
    return head.encode() + body


SIGN_IN = page("200 OK", b"<!DOCTYPE html><html><body>Welcome! Please sign in.</body></html>", "text/html")


@dataclass
class Faults:
    """What goes wrong.

    cut_every: seconds between two cuts of everything. corrupt, corrupt_answers: share of bodies with one byte
    changed. rate: bytes/s upwards. answers: what requests get instead of the server's answer, while there is
    some. stalls: so many requests are taken, and nothing is ever said. cut_after: bytes of the next bodies after
    which the connection is cut.
    forbids: a word that nothing gets past with, as a filter in a network does it.
    """

    cut_every: float = 0.0
    corrupt: float = 0.0
    rate: int = 0
    answers: list[bytes] = field(default_factory=list)
    stalls: int = 0
    cut_after: list[int] = field(default_factory=list)
    corrupt_answers: float = 0.0
    forbids: bytes = b""


class Line:
    """The proxy, for the length of a block. received: bytes that came from the client; cuts: how often it cut."""

    def __init__(self, target: int, faults: Faults, seed: int = 1) -> None:
        self.faults = faults
        self.received = 0
        self.cuts = 0
        self.corrupted = 0
        self._target = target
        self._dice = random.Random(seed)
        self._lock = threading.Lock()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._pairs: set[tuple[socket.socket, socket.socket]] = set()
        self._closed = threading.Event()
        self._free_at = 0.0

    @property
    def endpoint(self) -> str:
        return f"http://127.0.0.1:{self._listener.getsockname()[1]}"

    def __enter__(self) -> Line:
        for work in (self._accept, self._cut):
            threading.Thread(target=work, daemon=True).start()
        return self

    def __exit__(self, *_: object) -> None:
        self._closed.set()
        self._listener.close()
        self.cut()

    def cut(self) -> None:
        """Cut everything that is on its way now."""
        with self._lock:
            pairs, self._pairs = self._pairs, set()
        for pair in pairs:
            for end in pair:
                _kill(end)

    def _cut(self) -> None:
        while not self._closed.is_set():
            wait = self.faults.cut_every
            if wait <= 0:
                time.sleep(0.05)
                continue
            if self._closed.wait(wait):
                return
            self.cuts += 1
            self.cut()

    def _accept(self) -> None:
        while not self._closed.is_set():
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            threading.Thread(target=self._serve, args=(client,), daemon=True).start()

    def _serve(self, client: socket.socket) -> None:
        try:
            client.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 64 * 1024)
            server = socket.create_connection(("127.0.0.1", self._target), timeout=10)
        except OSError:
            _kill(client)
            return
        pair = (client, server)
        with self._lock:
            self._pairs.add(pair)
        try:
            self._pass_on(client, server)
        except (OSError, ValueError):
            pass  # cut in the middle, by this very proxy
        finally:
            with self._lock:
                self._pairs.discard(pair)
            _kill(client)
            _kill(server)

    def _pass_on(self, client: socket.socket, server: socket.socket) -> None:
        """Request by request: its head decides what becomes of it; then its body, and whatever comes back."""
        while True:
            head = self._until(client, server, b"\r\n\r\n")
            if head is None:
                return
            self._count(len(head))
            if not self._may_go_on(client):
                return
            body = _length(head)
            wrong = self._wrong_at(body)
            cut_at = self.faults.cut_after.pop(0) if self.faults.cut_after and body else None
            server.sendall(head)
            sent = 0
            while sent < body:
                piece = bytearray(client.recv(min(_PIECE, body - sent)))
                if not piece:
                    return
                self._count(len(piece))
                self._pace(len(piece))
                if wrong is not None and sent <= wrong < sent + len(piece):
                    piece[wrong - sent] ^= 1
                    self.corrupted += 1
                sent += len(piece)
                if self.faults.forbids and self.faults.forbids in piece:
                    self.cuts += 1
                    return
                server.sendall(piece)
                if cut_at is not None and sent >= cut_at:
                    self.cuts += 1
                    return
            if not self._answered(client, server, head):
                return

    def _answered(self, client: socket.socket, server: socket.socket, head: bytes) -> bool:
        """Pass one answer on; False: the connection ends with it."""
        answer = self._until(server, None, b"\r\n\r\n")
        if answer is None:
            return False
        client.sendall(answer)
        if head.startswith(b"HEAD"):
            return True
        if b"transfer-encoding: chunked" in answer.lower():
            rest = b"" if answer.endswith(b"0\r\n\r\n") else self._until(server, None, b"0\r\n\r\n")
            client.sendall(rest or b"")
            return rest is not None
        left = _length(answer)
        wrong = self._dice.randrange(left) if left and self._dice.random() < self.faults.corrupt_answers else None
        done = 0
        while done < left:
            piece = bytearray(server.recv(min(_PIECE, left - done)))
            if not piece:
                return False
            if wrong is not None and done <= wrong < done + len(piece):
                piece[wrong - done] ^= 1
            done += len(piece)
            client.sendall(piece)
        return True

    def _may_go_on(self, client: socket.socket) -> bool:
        if self.faults.stalls > 0:
            self.faults.stalls -= 1
            self._closed.wait(30)
            return False
        if self.faults.answers:
            client.sendall(self.faults.answers.pop(0))
            return False
        return True

    def _wrong_at(self, body: int) -> int | None:
        if not body or self._dice.random() >= self.faults.corrupt:
            return None
        return self._dice.randrange(body)

    def _until(self, end: socket.socket, other: socket.socket | None, mark: bytes) -> bytes | None:
        """Bytes up to a mark, read one by one so that nothing behind it is taken; None at the end."""
        found = bytearray()
        while not found.endswith(mark):
            if other is not None and not found:
                ready, _, _ = select.select([end, other], [], [], 60)
                if end not in ready:
                    return None
            byte = end.recv(1)
            if not byte:
                return None
            found += byte
        return bytes(found)

    def _count(self, size: int) -> None:
        with self._lock:
            self.received += size

    def _pace(self, size: int) -> None:
        if not self.faults.rate:
            return
        with self._lock:
            start = max(self._free_at, time.monotonic())
            self._free_at = start + size / self.faults.rate
        time.sleep(max(0.0, self._free_at - time.monotonic()))


def _length(head: bytes) -> int:
    for line in head.split(b"\r\n"):
        name, _, value = line.partition(b":")
        if name.strip().lower() == b"content-length":
            return int(value)
    return 0


def _kill(end: socket.socket) -> None:
    try:
        end.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\1\0\0\0\0\0\0\0")
        # Closing alone would not wake whoever waits for a byte from it.
        end.shutdown(socket.SHUT_RDWR)
        end.close()
    except OSError:
        pass
