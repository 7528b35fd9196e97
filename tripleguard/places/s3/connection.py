"""One HTTP connection to a server, with pacing, timeouts and cancellation in the middle of a body.

A body is sent in small pieces, so that it can be paced, counted, and cancelled: when the user stops the job,
when the network stalls, or when the server has answered early. What fails on the network is always a
`NetworkError`; the caller interprets the answers.
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

from tripleguard.errors import CaptivePortalError, NetworkError, StoppedError
from tripleguard.names import escape_text

PIECE_BYTES = 16 * 1024
"""Bytes handed to the system at once."""

MAX_RESPONSE_BYTES = 4 * 1024 * 1024
"""Bytes read of an answer. Lists come in pages that are far smaller."""

RESPONSE_TIMEOUT_S = 600.0
"""Seconds in which an answer has to be there."""

_SEND_BUFFER_BYTES = 128 * 1024

PaceCallback = Callable[[int], None]
"""Called before so many bytes are sent; waits as long as they have to."""


@dataclass(frozen=True, slots=True)
class HttpResponse:
    """What the server said. Header names in lower case."""

    status: int
    headers: Mapping[str, str]
    body: bytes


class HttpConnection:
    """A connection to one endpoint, made when it is needed and made again after a failure. For one thread.

    endpoint: `http://host:port` or `https://host`. patience: seconds of silence that make it dead. longest:
    seconds in which an answer has to be there; servers that put a large file together send blanks for minutes.
    """

    def __init__(
        self,
        endpoint: str,
        idle_timeout_s: float,
        is_stopped: Callable[[], bool],
        response_timeout_s: float = RESPONSE_TIMEOUT_S,
    ) -> None:
        parts = urlsplit(endpoint)
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise ValueError(f"{endpoint!r} is not a server's address")
        self.host = parts.netloc.rpartition("@")[2]
        self.bytes_sent = 0
        self._is_secure = parts.scheme == "https"
        self._idle_timeout_s = idle_timeout_s
        self._is_stopped = is_stopped
        self._response_timeout_s = response_timeout_s
        self._connection: http.client.HTTPConnection | None = None

    def close(self) -> None:
        if self._connection is not None:
            self._connection.close()
            self._connection = None

    def request(
        self,
        method: str,
        target: str,
        headers: Mapping[str, str],
        body: memoryview | bytes = b"",
        pace: PaceCallback | None = None,
    ) -> HttpResponse:
        """Send one request and read its answer. target: path and query, escaped.

        Raises LineTrouble, SignInPage (a certificate that is not the server's), Stopped.
        """
        was_open, before = self._connection is not None, self.bytes_sent
        try:
            return self._request_once(method, target, headers, memoryview(body), pace)
        except (OSError, http.client.HTTPException) as error:
            self.close()
            # A connection that was kept may have been closed at the other end while nobody spoke.
            if (
                was_open
                and isinstance(error, _STALE_CONNECTION_ERRORS)
                and self.bytes_sent - before <= _SEND_BUFFER_BYTES
            ):
                return self.request(method, target, headers, body, pace)
            raise self._to_error(error) from error
        except BaseException:
            self.close()
            raise

    def _request_once(
        self, method: str, target: str, headers: Mapping[str, str], body: memoryview, pace: PaceCallback | None
    ) -> HttpResponse:
        connection = self._connect()
        connection.putrequest(method, target, skip_host=True, skip_accept_encoding=True)
        for name, value in headers.items():
            connection.putheader(name, value)
        if len(body) or method in ("PUT", "POST"):
            connection.putheader("content-length", str(len(body)))
        if pace is not None:
            pace(len(method) + len(target) + sum(len(name) + len(value) + 4 for name, value in headers.items()))
        connection.endheaders()
        is_whole = self._send_body(connection, body, pace)
        with self._response_deadline(connection), connection.getresponse() as response:
            content = response.read(MAX_RESPONSE_BYTES + 1) if method != "HEAD" else b""
            if len(content) > MAX_RESPONSE_BYTES:
                raise http.client.HTTPException("the answer is too long")
            answer = HttpResponse(
                response.status, {name.lower(): value for name, value in response.getheaders()}, content
            )
            closes = response.will_close
        if closes or not is_whole:
            self.close()
        return answer

    @contextlib.contextmanager
    def _response_deadline(self, connection: http.client.HTTPConnection) -> Iterator[None]:
        """Ends a connection whose answer comes in drops for ever: each of them is heard, so no silence ends it."""
        held = connection.sock

        def end() -> None:
            with contextlib.suppress(OSError, AttributeError):
                held.shutdown(socket.SHUT_RDWR)

        limit = threading.Timer(self._response_timeout_s, end)
        limit.daemon = True
        limit.start()
        try:
            yield
        finally:
            limit.cancel()

    def _connect(self) -> http.client.HTTPConnection:
        if self._connection is None:
            kind = http.client.HTTPSConnection if self._is_secure else http.client.HTTPConnection
            connection = kind(self.host, timeout=self._idle_timeout_s)
            connection.connect()
            # What lies in the system's buffer when a line is cut was read, counted and lost.
            connection.sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER_BYTES)
            self._connection = connection
        return self._connection

    def _send_body(
        self, connection: http.client.HTTPConnection, body: memoryview, pace: PaceCallback | None
    ) -> bool:
        """Whether all of the body was sent: a server that has said no already gets no more of it."""
        for start in range(0, len(body), PIECE_BYTES):
            piece = body[start : start + PIECE_BYTES]
            if pace is not None:
                pace(len(piece))
            if self._is_stopped():
                raise StoppedError("Stopped in the middle of a part.", safe="What was sent before stays.")
            if start and self._has_answered(connection):
                return False
            connection.send(piece)
            self.bytes_sent += len(piece)
        return True

    def _has_answered(self, connection: http.client.HTTPConnection) -> bool:
        # Below TLS other things than answers arrive too.
        if self._is_secure or connection.sock is None:
            return False
        return bool(select.select([connection.sock], [], [], 0)[0])

    def _to_error(self, error: Exception) -> NetworkError | CaptivePortalError:
        if isinstance(error, ssl.SSLCertVerificationError):
            return CaptivePortalError(
                f"Whoever answers as {self.host} can't prove to be it ({escape_text(error.verify_message)}).",
                safe="Nothing was sent.",
                do="Open a browser: this network may want you to sign in first. If not, use another network.",
            )
        why = "nothing was heard for too long" if isinstance(error, TimeoutError) else _describe_error(error)
        return NetworkError(f"The line to {self.host} failed: {why}.")


_STALE_CONNECTION_ERRORS = (
    http.client.RemoteDisconnected,
    BrokenPipeError,
    ConnectionResetError,
    ConnectionAbortedError,
)


def _describe_error(error: Exception) -> str:
    if isinstance(error, http.client.RemoteDisconnected | ConnectionError):
        return "it was cut"
    if isinstance(error, socket.gaierror):
        return "the name of the server can't be looked up"
    return escape_text(getattr(error, "strerror", None) or str(error) or type(error).__name__)
