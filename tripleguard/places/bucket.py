"""What is asked of an S3 server while something is sent to it, and what its answers mean.

Every body goes with its SHA-256 in the signature and, where the server was seen to check it, in a header of its
own, so that the server refuses what did not arrive as it was sent. An ETag is the server's own word for a version:
it is compared with itself and never taken for a hash.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime
from email.utils import parsedate_to_datetime
from urllib.parse import unquote
from xml.etree.ElementTree import Element, ParseError, SubElement, tostring

from tripleguard.clock import Clock
from tripleguard.errors import ArrivedChanged, LineTrouble, NameTaken, NoAccess, SignInPage
from tripleguard.names import shown
from tripleguard.places.signing import Credentials, escaped_path, query_string, signed
from tripleguard.places.wire import Answer, Pace, Wire

MOST_PARTS = 10_000
SMALLEST_PART = 5 * 1024 * 1024
"""Bytes: the limits of a multipart upload (Amazon S3 user guide, "multipart upload limits"; from memory)."""

_MOST_SKEW = 900
_AGAIN = ("", "RequestTimeout")


@dataclass(frozen=True, slots=True)
class Habits:
    """What a server was seen to do, because it was asked with something wrong (`asking`).

    conditional: it refuses to put an object where one is. conditional_parts: also when parts become an object.
    proves: it refuses a body whose SHA-256 is not the one that was signed; header: that of its checksum header.
    """

    conditional: bool = False
    conditional_parts: bool = False
    proves: bool = False
    header: bool = False


@dataclass(frozen=True, slots=True)
class Address:
    """Where a bucket is. prefix: what stands before every key, empty or ending in `/`."""

    endpoint: str
    bucket: str
    prefix: str
    region: str
    virtual: bool

    @property
    def base(self) -> str:
        """The path before the prefix."""
        return "/" if self.virtual else f"/{self.bucket}/"


@dataclass(frozen=True, slots=True)
class Lying:
    """One object as the server lists it. key: below the prefix, any text; mtime_ns: UTC.

    tag: the server's word for this version, compared only with itself.
    """

    key: str
    size: int
    mtime_ns: int
    tag: str


class Bucket:
    """One bucket over one wire; for one thread. Every call raises LineTrouble, NoAccess, SignInPage, Stopped."""

    def __init__(
        self, address: Address, credentials: Credentials, wire: Wire, clock: Clock, habits: Habits
    ) -> None:
        self._address = address
        self._credentials = credentials
        self._wire = wire
        self._clock = clock
        self._habits = habits

    @property
    def sent(self) -> int:
        """Bytes of bodies handed to the line so far."""
        return self._wire.sent

    def close(self) -> None:
        self._wire.close()

    def put(
        self,
        key: str,
        body: memoryview | bytes,
        about: Mapping[str, str],
        *,
        create: bool = True,
        pace: Pace | None = None,
        claims: Mapping[str, str] | None = None,
        sha256: bytes | None = None,
    ) -> str:
        """Put an object in one piece; its tag. create: only where there is none, as far as the server can.

        claims, sha256: what to say of the body instead of the truth, for asking. Raises NameTaken, ArrivedChanged.
        """
        headers = {**_metadata(about), **({"if-none-match": "*"} if create else {})}
        headers |= self._checks(body) if claims is None else claims
        answer = self._ask("PUT", key, {}, headers, body, pace, sha256=sha256)
        return answer.headers.get("etag", "")

    def begin(self, key: str, about: Mapping[str, str]) -> str:
        """Begin an upload in parts; its id."""
        more = {"x-amz-checksum-algorithm": "SHA256"} if self._habits.header else {}
        answer = self._ask("POST", key, {"uploads": ""}, {**_metadata(about), **more})
        found = _text(_xml(answer), "UploadId")
        if not found:
            raise LineTrouble("The server began no upload.")
        return found

    def put_part(self, key: str, upload: str, number: int, body: memoryview | bytes, pace: Pace | None) -> str:
        """Send one part; its tag. Raises ArrivedChanged, FileNotFoundError where the server forgot the upload."""
        query = {"uploadId": upload, "partNumber": str(number)}
        return self._ask("PUT", key, query, self._checks(body), body, pace).headers.get("etag", "")

    def parts(self, key: str, upload: str) -> dict[int, tuple[str, int]]:
        """The parts that the server has: number to tag and size. Raises FileNotFoundError if it knows none."""
        found: dict[int, tuple[str, int]] = {}
        marker = "0"
        while True:
            root = _xml(self._ask("GET", key, {"uploadId": upload, "part-number-marker": marker}))
            for part in _children(root, "Part"):
                found[int(_text(part, "PartNumber"))] = (_text(part, "ETag"), int(_text(part, "Size")))
            marker = _text(root, "NextPartNumberMarker")
            if _text(root, "IsTruncated") != "true" or not marker:
                return found

    def finish(self, key: str, upload: str, parts: Mapping[int, tuple[str, bytes]]) -> str:
        """Make the object of its parts (number to tag and SHA-256), where there is none; its tag, may be empty.

        Raises NameTaken, FileNotFoundError if the server forgot the upload.
        """
        if not self._habits.conditional_parts and self.head(key) is not None:
            raise _taken(key)
        return self.finish_blindly(key, upload, parts)

    def finish_blindly(self, key: str, upload: str, parts: Mapping[int, tuple[str, bytes]]) -> str:
        """As `finish`, without a look at the key first; for asking what the server does then."""
        root = Element("CompleteMultipartUpload")
        for number, (tag, sha256) in sorted(parts.items()):
            part = SubElement(root, "Part")
            SubElement(part, "PartNumber").text = str(number)
            SubElement(part, "ETag").text = tag
            if self._habits.header:
                SubElement(part, "ChecksumSHA256").text = base64.b64encode(sha256).decode()
        answer = self._ask("POST", key, {"uploadId": upload}, {"if-none-match": "*"}, tostring(root))
        # It may say 200 first and find out later that it can't (Amazon S3 API, CompleteMultipartUpload).
        root = _xml(answer)
        if root.tag.rpartition("}")[2] == "Error":
            raise LineTrouble(f"The server could not put the parts together ({shown(_text(root, 'Code'))}).")
        return _text(root, "ETag")

    def forget(self, key: str, upload: str) -> None:
        """Give up an upload that was begun; its parts cost room until then."""
        self._ask("DELETE", key, {"uploadId": upload})

    def remove_probe(self, key: str) -> None:
        """Remove one of our own probes."""
        if "/probes/" not in f"/{key}":
            raise ValueError(f"{key} is no probe")
        self._ask("DELETE", key, {})

    def head(self, key: str) -> Mapping[str, str] | None:
        """The headers of an object, None if there is none."""
        try:
            found = self._ask("HEAD", key, {}).headers
        except FileNotFoundError:
            return None
        if not found.get("etag"):
            raise sign_in_page(self._wire.host)
        return found

    def get(self, key: str) -> bytes:
        """The whole of a small object. Raises FileNotFoundError; LineTrouble for one above `LARGEST_ANSWER`."""
        answer = self._ask("GET", key, {})
        if not answer.headers.get("etag"):
            raise sign_in_page(self._wire.host)
        return answer.body

    def page(self, prefix: str, token: str) -> tuple[list[Lying], str]:
        """A page of what lies below a prefix, and the token of the next one, empty after the last.

        Keys come escaped, as XML has no way to write some characters. A folder's own empty object is left out.
        """
        before = self._address.prefix
        query = {"list-type": "2", "prefix": f"{before}{prefix}", "encoding-type": "url"}
        root = _xml(self._ask("GET", "", query | ({"continuation-token": token} if token else {}), on_bucket=True))
        if root.tag.rpartition("}")[2] != "ListBucketResult":
            raise LineTrouble("The server's answer is no list.")
        found: list[Lying] = []
        for one in _children(root, "Contents"):
            key = unquote(_text(one, "Key"), errors="surrogateescape").removeprefix(before)
            try:
                size = int(_text(one, "Size"))
                at = datetime.fromisoformat(_text(one, "LastModified")).timestamp()
            except (ValueError, OverflowError) as error:
                raise LineTrouble("The server's list makes no sense.") from error
            if key and not (key.endswith("/") and size == 0):
                found.append(Lying(key, size, int(at * 1_000_000) * 1000, _text(one, "ETag")))
        following = _text(root, "NextContinuationToken")
        # Half a list taken for all of it would make the rest missing.
        if (_text(root, "IsTruncated") == "true") != bool(following):
            raise LineTrouble("The server's list has no end.")
        return found, following

    def _checks(self, body: memoryview | bytes) -> dict[str, str]:
        checks = {"content-md5": base64.b64encode(hashlib.md5(body, usedforsecurity=False).digest()).decode()}
        if self._habits.header:
            checks["x-amz-checksum-sha256"] = base64.b64encode(hashlib.sha256(body).digest()).decode()
        return checks

    def _ask(
        self,
        method: str,
        key: str,
        query: Mapping[str, str],
        headers: Mapping[str, str] | None = None,
        body: memoryview | bytes = b"",
        pace: Pace | None = None,
        sha256: bytes | None = None,
        *,
        on_bucket: bool = False,
    ) -> Answer:
        path = self._address.base if on_bucket else f"{self._address.base}{self._address.prefix}{key}"
        digest = sha256 or hashlib.sha256(body).digest()
        all_headers = signed(
            self._credentials,
            self._address.region,
            method,
            path,
            query,
            {"host": self._wire.host, **(headers or {})},
            digest.hex(),
            self._clock.now(),
        )
        target = escaped_path(path) + (f"?{query_string(query)}" if query else "")
        answer = self._wire.ask(method, target, all_headers, body, pace)
        self._judge(answer, method, key)
        return answer

    def _judge(self, answer: Answer, method: str, key: str) -> None:
        """Return for a yes. Raises what a no means."""
        status, kind = answer.status, answer.headers.get("content-type", "")
        if (status < 500 or status == 511) and _is_somebody_else(answer, kind, method):
            raise sign_in_page(self._wire.host)
        if status in (200, 204, 206):
            return
        code = _code(answer)
        if status == 404 and code in ("NoSuchKey", "NoSuchUpload", ""):
            raise FileNotFoundError(key)
        if status in (409, 412) and code != "NoSuchUpload":
            raise _taken(key)
        if code in ("BadDigest", "XAmzContentSHA256Mismatch", "InvalidDigest", "IncompleteBody"):
            raise ArrivedChanged("A part did not arrive as it was sent; the server refused it.")
        apart = self._skew(answer)
        # An answer to HEAD says no reason.
        if code == "RequestTimeTooSkewed" or (status == 403 and not code and abs(apart) > _MOST_SKEW):
            raise _skewed(apart)
        # A bare 400 is the front's, about a request that reached it in pieces.
        if status >= 500 or status in (408, 429) or (status == 400 and code in _AGAIN):
            raise LineTrouble(f"The server is busy or in trouble ({shown(f'{status} {code}'.strip())}).")
        raise _refused(status, code, self._address.bucket)

    def _skew(self, answer: Answer) -> float:
        """Seconds by which our clock is ahead of the server's; 0 where it does not say the time."""
        try:
            theirs = parsedate_to_datetime(answer.headers["date"]).timestamp()
        except (KeyError, ValueError, TypeError):
            return 0.0
        return self._clock.now() / 1e9 - theirs


def _skewed(apart: float) -> NoAccess:
    minutes = abs(round(apart / 60))
    by = f": it is {minutes:,} minutes {'ahead of' if apart > 0 else 'behind'} the server's" if minutes else ""
    return NoAccess(
        f"This computer's clock is wrong{by}. Servers allow {_MOST_SKEW // 60} minutes.",
        safe="Nothing is lost; what was sent before stays.",
        do="Set the clock, then run the command again.",
    )


def sign_in_page(host: str) -> SignInPage:
    """Somebody else answered in the server's stead."""
    return SignInPage(
        f"It is not {shown(host)} that answers, but a page of this network.",
        safe="Nothing is lost; what was sent before stays.",
        do="Open a browser: this network may want you to sign in. If it does not, the address may be wrong.",
    )


def _is_somebody_else(answer: Answer, kind: str, method: str) -> bool:
    """Whether an answer can't be the server's own: a page for people, a way to another host, no tag for a put."""
    if answer.status == 511:  # RFC 6585, 6: Network Authentication Required
        return True
    if "html" in kind.lower() or answer.body[:256].lstrip().lower().startswith((b"<!doctype html", b"<html")):
        return True
    if answer.status in (301, 302, 303, 307, 308):
        return not answer.headers.get("x-amz-bucket-region") and not answer.headers.get("x-amz-request-id")
    return method == "PUT" and answer.status == 200 and not answer.headers.get("etag")


def _refused(status: int, code: str, bucket: str) -> NoAccess:
    what, do = {
        "NoSuchBucket": (
            f"There is no bucket {shown(bucket)}.",
            "Make it where you rent it, or correct the address.",
        ),
        "SignatureDoesNotMatch": ("The server does not accept the secret key.", "Check the credentials."),
        "InvalidAccessKeyId": ("The server does not know the access key.", "Check the credentials."),
        "ExpiredToken": ("The credentials have run out.", "Get new ones, then run the command again."),
        "AccessDenied": ("The server allows these credentials less than is needed.", "Check their permissions."),
        "QuotaExceeded": ("The offsite place is full.", "Rent more room, then run the command again."),
    }.get(
        code,
        (
            f"The server said no ({shown(f'{status} {code}'.strip())}).",
            "See docs/offsite.md for what it must allow.",
        ),
    )
    return NoAccess(what, safe="Nothing is lost; what was sent before stays.", do=do)


def _named(status: int, code: str) -> str:
    return f"{status} {shown(code)}".strip()


def _taken(key: str) -> NameTaken:
    return NameTaken(f"The key {shown(key)} is taken.", safe="What lies there was left as it is.")


def _metadata(about: Mapping[str, str]) -> dict[str, str]:
    return {f"x-amz-meta-{name}": value for name, value in about.items()}


def _code(answer: Answer) -> str:
    if not answer.body:
        return ""
    try:
        return _text(_xml(answer), "Code")
    except LineTrouble:
        return ""


def _xml(answer: Answer) -> Element:
    from defusedxml.common import DefusedXmlException
    from defusedxml.ElementTree import fromstring

    try:
        root: Element = fromstring(answer.body, forbid_dtd=True)
    except (ParseError, DefusedXmlException, ValueError, LookupError) as error:
        raise LineTrouble("The server's answer could not be read.") from error
    return root


def _children(root: Element, name: str) -> Iterator[Element]:
    return (child for child in root if child.tag.rpartition("}")[2] == name)


def _text(root: Element, name: str) -> str:
    return next((child.text or "" for child in _children(root, name)), "")
