"""One exchange with a server after another, over one connection, watched byte by byte.

A body is handed over in small pieces, so that it can be paced, counted, and given up in the middle: when the
person stops, when the line stalls, or when the server has answered before it is through. What goes wrong on the
line is always a `LineTrouble`; what an answer means is for the caller to say.
"""

from __future__ import annotations

import contextlib
import http.client
import select
import socket
import ssl
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from urllib.parse import urlsplit

from tripleguard.errors import LineTrouble, SignInPage, Stopped
from tripleguard.names import shown

PIECE = 16 * 1024
"""Bytes handed to the system at once."""

LARGEST_ANSWER = 4 * 1024 * 1024
"""Bytes read of an answer. Lists come in pages that are far smaller."""

LONGEST_ANSWER = 600.0
"""Seconds in which an answer has to be there."""

_SEND_BUFFER = 128 * 1024

Pace = Callable[[int], None]
"""Called before so many bytes are sent; waits as long as they have to."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What the server said. Header names in lower case."""

    status: int
    headers: Mapping[str, str]
    body: bytes


class Wire:
    """A connection to one endpoint, made when it is needed and made again after a failure. For one thread.

    endpoint: `http://host:port` or `https://host`. patience: seconds of silence that make it dead. longest:
    seconds in which an answer has to be there; servers that put a large file together send blanks for minutes.
    """

    def __init__(
        self, endpoint: str, patience: float, stopped: Callable[[], bool], longest: float = LONGEST_ANSWER
    ) -> None:
        parts = urlsplit(endpoint)
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise ValueError(f"{endpoint!r} is not a server's address")
        self.host = parts.netloc.rpartition("@")[2]
        self.sent = 0
        self._secure = parts.scheme == "https"
        self._patience = patience
        self._stopped = stopped
        self._longest = longest
        self._connection: http.client.HTTPConnection | None = None

    def close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def ask(
        self,
        method: str,
        target: str,
        headers: Mapping[str, str],
        body: memoryview | bytes = b"",
        pace: Pace | None = None,
    ) -> Answer:
        """Send one request and read its answer. target: path and query, escaped.

        Raises LineTrouble, SignInPage (a certificate that is not the server's), Stopped.
        """
        was_open, before = self._connection is not None, self.sent
        try:
            return self._asked(method, target, headers, memoryview(body), pace)
        except (OSError, http.client.HTTPException) as error:
            self.close()
            # A connection that was kept may have been closed at the other end while nobody spoke.
            if was_open and isinstance(error, _STALE) and self.sent - before <= _SEND_BUFFER:
                return self.ask(method, target, headers, body, pace)
            raise self._trouble(error) from error
        except BaseException:
            self.close()
            raise

    def _asked(
        self, method: str, target: str, headers: Mapping[str, str], body: memoryview, pace: Pace | None
    ) -> Answer:
        connection = self._opened()
        connection.putrequest(method, target, skip_host=True, skip_accept_encoding=True)
        for name, value in headers.items():
            connection.putheader(name, value)
        if len(body) or method in ("PUT", "POST"):
            connection.putheader("content-length", str(len(body)))
        if pace is not None:
            pace(len(method) + len(target) + sum(len(name) + len(value) + 4 for name, value in headers.items()))
        connection.endheaders()
        is_whole = self._send(connection, body, pace)
        with self._in_time(connection), connection.getresponse() as response:
            content = response.read(LARGEST_ANSWER + 1) if method != "HEAD" else b""
            if len(content) > LARGEST_ANSWER:
                raise http.client.HTTPException("the answer is too long")
            answer = Answer(
                response.status, {name.lower(): value for name, value in response.getheaders()}, content
            )
            closes = response.will_close
        if closes or not is_whole:
            self.close()
        return answer

    @contextlib.contextmanager
    def _in_time(self, connection: http.client.HTTPConnection) -> Iterator[None]:
        """Ends a connection whose answer comes in drops for ever: each of them is heard, so no silence ends it."""
        held = connection.sock

        def end() -> None:
            with contextlib.suppress(OSError, AttributeError):
                held.shutdown(socket.SHUT_RDWR)

        limit = threading.Timer(self._longest, end)
        limit.daemon = True
        limit.start()
        try:
            yield
        finally:
            limit.cancel()

    def _opened(self) -> http.client.HTTPConnection:
        if self._connection is None:
            kind = http.client.HTTPSConnection if self._secure else http.client.HTTPConnection
            connection = kind(self.host, timeout=self._patience)
            connection.connect()
            # What lies in the system's buffer when a line is cut was read, counted and lost.
            connection.sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER)
            self._connection = connection
        return self._connection

    def _send(self, connection: http.client.HTTPConnection, body: memoryview, pace: Pace | None) -> bool:
        """Whether all of the body was sent: a server that has said no already gets no more of it."""
        for start in range(0, len(body), PIECE):
            piece = body[start : start + PIECE]
            if pace is not None:
                pace(len(piece))
            if self._stopped():
                raise Stopped("Stopped in the middle of a part.", safe="What was sent before stays.")
            if start and self._has_answered(connection):
                return False
            connection.send(piece)
            self.sent += len(piece)
        return True

    def _has_answered(self, connection: http.client.HTTPConnection) -> bool:
        # Below TLS other things than answers arrive too.
        if self._secure or connection.sock is None:
            return False
        return bool(select.select([connection.sock], [], [], 0)[0])

    def _trouble(self, error: Exception) -> LineTrouble | SignInPage:
        if isinstance(error, ssl.SSLCertVerificationError):
            return SignInPage(
                f"Whoever answers as {self.host} can't prove to be it ({shown(error.verify_message)}).",
                safe="Nothing was sent.",
                do="Open a browser: this network may want you to sign in first. If not, use another network.",
            )
        why = "nothing was heard for too long" if isinstance(error, TimeoutError) else _in_words(error)
        return LineTrouble(f"The line to {self.host} failed: {why}.")


_STALE = (http.client.RemoteDisconnected, BrokenPipeError, ConnectionResetError, ConnectionAbortedError)


def _in_words(error: Exception) -> str:
    if isinstance(error, http.client.RemoteDisconnected | ConnectionError):
        return "it was cut"
    if isinstance(error, socket.gaierror):
        return "the name of the server can't be looked up"
    return shown(getattr(error, "strerror", None) or str(error) or type(error).__name__)
