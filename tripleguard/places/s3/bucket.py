"""The requests to an S3 bucket: uploads, parts, listing pages, and what the server's answers mean.

Every body goes with its SHA-256 in the signature and, where the server was seen to check it, in a header of its
own, so that the server refuses what did not arrive as it was sent. An ETag is the server's own word for a
version: it is compared with itself and never taken for a hash.
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
from tripleguard.errors import (
    AccessDeniedError,
    CaptivePortalError,
    NameTakenError,
    NetworkError,
    UploadCorruptedError,
)
from tripleguard.names import escape_text
from tripleguard.places.offsite_store import ObjectEntry
from tripleguard.places.s3.connection import HttpConnection, HttpResponse, PaceCallback
from tripleguard.places.s3.signing import Credentials, build_query_string, escape_path, sign_headers

MAX_PARTS = 10_000
MIN_PART_BYTES = 5 * 1024 * 1024
"""Bytes: the limits of a multipart upload (Amazon S3 user guide, "multipart upload limits"; from memory)."""

_MAX_SKEW_S = 900
_RETRYABLE_CODES = ("", "RequestTimeout")


@dataclass(frozen=True, slots=True)
class ServerCapabilities:
    """What a server was seen to do, because it was asked with something wrong (`asking`).

    conditional: it refuses to put an object where one is. conditional_parts: also when parts become an object.
    proves: it refuses a body whose SHA-256 is not the one that was signed; header: that of its checksum header.
    """

    conditional: bool = False
    conditional_parts: bool = False
    proves: bool = False
    header: bool = False


@dataclass(frozen=True, slots=True)
class BucketAddress:
    """Where a bucket is. prefix: what stands before every key, empty or ending in `/`."""

    endpoint: str
    bucket: str
    prefix: str
    region: str
    is_virtual_hosted: bool

    @property
    def base(self) -> str:
        """The path before the prefix."""
        return "/" if self.is_virtual_hosted else f"/{self.bucket}/"


class S3Bucket:
    """One bucket over one wire; for one thread. Every call raises LineTrouble, NoAccess, SignInPage, Stopped."""

    def __init__(
        self,
        address: BucketAddress,
        credentials: Credentials,
        connection: HttpConnection,
        clock: Clock,
        capabilities: ServerCapabilities,
    ) -> None:
        self._address = address
        self._credentials = credentials
        self._connection = connection
        self._clock = clock
        self._capabilities = capabilities

    @property
    def bytes_sent(self) -> int:
        """Bytes of bodies handed to the line so far."""
        return self._connection.bytes_sent

    def close(self) -> None:
        self._connection.close()

    def put(
        self,
        key: str,
        body: memoryview | bytes,
        metadata: Mapping[str, str],
        *,
        is_new_only: bool = True,
        pace: PaceCallback | None = None,
        checksum_headers: Mapping[str, str] | None = None,
        sha256: bytes | None = None,
    ) -> str:
        """Put an object in one piece; its tag. create: only where there is none, as far as the server can.

        claims, sha256: what to say of the body instead of the truth, for asking. Raises NameTaken, ArrivedChanged.
        """
        headers = {**_metadata_headers(metadata), **({"if-none-match": "*"} if is_new_only else {})}
        headers |= self._checksum_headers(body) if checksum_headers is None else checksum_headers
        answer = self._request("PUT", key, {}, headers, body, pace, sha256=sha256)
        return answer.headers.get("etag", "")

    def begin_upload(self, key: str, metadata: Mapping[str, str]) -> str:
        """Begin an upload in parts; its id."""
        more = {"x-amz-checksum-algorithm": "SHA256"} if self._capabilities.header else {}
        answer = self._request("POST", key, {"uploads": ""}, {**_metadata_headers(metadata), **more})
        found = _child_text(_parse_xml(answer), "UploadId")
        if not found:
            raise NetworkError("The server began no upload.")
        return found

    def put_part(
        self, key: str, upload: str, number: int, body: memoryview | bytes, pace: PaceCallback | None
    ) -> str:
        """Send one part; its tag. Raises ArrivedChanged, FileNotFoundError where the server forgot the upload."""
        query = {"uploadId": upload, "partNumber": str(number)}
        return self._request("PUT", key, query, self._checksum_headers(body), body, pace).headers.get("etag", "")

    def list_parts(self, key: str, upload: str) -> dict[int, tuple[str, int]]:
        """The parts that the server has: number to tag and size. Raises FileNotFoundError if it knows none."""
        found: dict[int, tuple[str, int]] = {}
        marker = "0"
        while True:
            root = _parse_xml(self._request("GET", key, {"uploadId": upload, "part-number-marker": marker}))
            for part in _find_children(root, "Part"):
                found[int(_child_text(part, "PartNumber"))] = (
                    _child_text(part, "ETag"),
                    int(_child_text(part, "Size")),
                )
            marker = _child_text(root, "NextPartNumberMarker")
            if _child_text(root, "IsTruncated") != "true" or not marker:
                return found

    def complete_upload(self, key: str, upload: str, parts: Mapping[int, tuple[str, bytes]]) -> str:
        """Make the object of its parts (number to tag and SHA-256), where there is none; its tag, may be empty.

        Raises NameTaken, FileNotFoundError if the server forgot the upload.
        """
        if not self._capabilities.conditional_parts and self.head(key) is not None:
            raise _name_taken_error(key)
        return self.complete_upload_unchecked(key, upload, parts)

    def complete_upload_unchecked(self, key: str, upload: str, parts: Mapping[int, tuple[str, bytes]]) -> str:
        """As `complete_upload`, without a look at the key first; for asking what the server does then."""
        root = Element("CompleteMultipartUpload")
        for number, (tag, sha256) in sorted(parts.items()):
            part = SubElement(root, "Part")
            SubElement(part, "PartNumber").text = str(number)
            SubElement(part, "ETag").text = tag
            if self._capabilities.header:
                SubElement(part, "ChecksumSHA256").text = base64.b64encode(sha256).decode()
        answer = self._request("POST", key, {"uploadId": upload}, {"if-none-match": "*"}, tostring(root))
        # It may say 200 first and find out later that it can't (Amazon S3 API, CompleteMultipartUpload).
        root = _parse_xml(answer)
        if root.tag.rpartition("}")[2] == "Error":
            raise NetworkError(
                f"The server could not put the parts together ({escape_text(_child_text(root, 'Code'))})."
            )
        return _child_text(root, "ETag")

    def abort_upload(self, key: str, upload: str) -> None:
        """Give up an upload that was begun; its parts cost room until then."""
        self._request("DELETE", key, {"uploadId": upload})

    def delete_probe(self, key: str) -> None:
        """Remove one of our own probes."""
        if "/probes/" not in f"/{key}":
            raise ValueError(f"{key} is no probe")
        self._request("DELETE", key, {})

    def head(self, key: str) -> Mapping[str, str] | None:
        """The headers of an object, None if there is none."""
        try:
            found = self._request("HEAD", key, {}).headers
        except FileNotFoundError:
            return None
        if not found.get("etag"):
            raise captive_portal_error(self._connection.host)
        return found

    def get(self, key: str) -> bytes:
        """The whole of a small object. Raises FileNotFoundError; LineTrouble for one above
        `MAX_RESPONSE_BYTES`."""
        answer = self._request("GET", key, {})
        if not answer.headers.get("etag"):
            raise captive_portal_error(self._connection.host)
        return answer.body

    def list_page(self, prefix: str, token: str) -> tuple[list[ObjectEntry], str]:
        """A page of what lies below a prefix, and the token of the next one, empty after the last.

        Keys come escaped, as XML has no way to write some characters. A folder's own empty object is left out.
        """
        before = self._address.prefix
        query = {"list-type": "2", "prefix": f"{before}{prefix}", "encoding-type": "url"}
        root = _parse_xml(
            self._request("GET", "", query | ({"continuation-token": token} if token else {}), on_bucket=True)
        )
        if root.tag.rpartition("}")[2] != "ListBucketResult":
            raise NetworkError("The server's answer is no list.")
        found: list[ObjectEntry] = []
        for one in _find_children(root, "Contents"):
            key = unquote(_child_text(one, "Key"), errors="surrogateescape").removeprefix(before)
            try:
                size = int(_child_text(one, "Size"))
                at = datetime.fromisoformat(_child_text(one, "LastModified")).timestamp()
            except (ValueError, OverflowError) as error:
                raise NetworkError("The server's list makes no sense.") from error
            if key and not (key.endswith("/") and size == 0):
                found.append(ObjectEntry(key, size, int(at * 1_000_000) * 1000, _child_text(one, "ETag")))
        following = _child_text(root, "NextContinuationToken")
        # Half a list taken for all of it would make the rest missing.
        if (_child_text(root, "IsTruncated") == "true") != bool(following):
            raise NetworkError("The server's list has no end.")
        return found, following

    def _checksum_headers(self, body: memoryview | bytes) -> dict[str, str]:
        checks = {"content-md5": base64.b64encode(hashlib.md5(body, usedforsecurity=False).digest()).decode()}
        if self._capabilities.header:
            checks["x-amz-checksum-sha256"] = base64.b64encode(hashlib.sha256(body).digest()).decode()
        return checks

    def _request(
        self,
        method: str,
        key: str,
        query: Mapping[str, str],
        headers: Mapping[str, str] | None = None,
        body: memoryview | bytes = b"",
        pace: PaceCallback | None = None,
        sha256: bytes | None = None,
        *,
        on_bucket: bool = False,
    ) -> HttpResponse:
        path = self._address.base if on_bucket else f"{self._address.base}{self._address.prefix}{key}"
        digest = sha256 or hashlib.sha256(body).digest()
        all_headers = sign_headers(
            self._credentials,
            self._address.region,
            method,
            path,
            query,
            {"host": self._connection.host, **(headers or {})},
            digest.hex(),
            self._clock.now(),
        )
        target = escape_path(path) + (f"?{build_query_string(query)}" if query else "")
        answer = self._connection.request(method, target, all_headers, body, pace)
        self._raise_for_status(answer, method, key)
        return answer

    def _raise_for_status(self, answer: HttpResponse, method: str, key: str) -> None:
        """Return for a yes. Raises what a no means."""
        status, kind = answer.status, answer.headers.get("content-type", "")
        if (status < 500 or status == 511) and _is_captive_portal(answer, kind, method):
            raise captive_portal_error(self._connection.host)
        if status in (200, 204, 206):
            return
        code = _error_code(answer)
        if status == 404 and code in ("NoSuchKey", "NoSuchUpload", ""):
            raise FileNotFoundError(key)
        if status in (409, 412) and code != "NoSuchUpload":
            raise _name_taken_error(key)
        if code in ("BadDigest", "XAmzContentSHA256Mismatch", "InvalidDigest", "IncompleteBody"):
            raise UploadCorruptedError("A part did not arrive as it was sent; the server refused it.")
        apart = self._clock_skew_s(answer)
        # An answer to HEAD says no reason.
        if code == "RequestTimeTooSkewed" or (status == 403 and not code and abs(apart) > _MAX_SKEW_S):
            raise _clock_error(apart)
        # A bare 400 is the front's, about a request that reached it in pieces.
        if status >= 500 or status in (408, 429) or (status == 400 and code in _RETRYABLE_CODES):
            raise NetworkError(f"The server is busy or in trouble ({escape_text(f'{status} {code}'.strip())}).")
        raise _access_error(status, code, self._address.bucket)

    def _clock_skew_s(self, answer: HttpResponse) -> float:
        """Seconds by which our clock is ahead of the server's; 0 where it does not say the time."""
        try:
            theirs = parsedate_to_datetime(answer.headers["date"]).timestamp()
        except (KeyError, ValueError, TypeError):
            return 0.0
        return self._clock.now() / 1e9 - theirs


def _clock_error(skew_s: float) -> AccessDeniedError:
    minutes = abs(round(skew_s / 60))
    by = f": it is {minutes:,} minutes {'ahead of' if skew_s > 0 else 'behind'} the server's" if minutes else ""
    return AccessDeniedError(
        f"This computer's clock is wrong{by}. Servers allow {_MAX_SKEW_S // 60} minutes.",
        safe="Nothing is lost; what was sent before stays.",
        do="Set the clock, then run the command again.",
    )


def captive_portal_error(host: str) -> CaptivePortalError:
    """Somebody else answered in the server's stead."""
    return CaptivePortalError(
        f"It is not {escape_text(host)} that answers, but a page of this network.",
        safe="Nothing is lost; what was sent before stays.",
        do="Open a browser: this network may want you to sign in. If it does not, the address may be wrong.",
    )


def _is_captive_portal(answer: HttpResponse, kind: str, method: str) -> bool:
    """Whether an answer can't be the server's own: a page for people, a way to another host, no tag for a put."""
    if answer.status == 511:  # RFC 6585, 6: Network Authentication Required
        return True
    if "html" in kind.lower() or answer.body[:256].lstrip().lower().startswith((b"<!doctype html", b"<html")):
        return True
    if answer.status in (301, 302, 303, 307, 308):
        return not answer.headers.get("x-amz-bucket-region") and not answer.headers.get("x-amz-request-id")
    return method == "PUT" and answer.status == 200 and not answer.headers.get("etag")


def _access_error(status: int, code: str, bucket: str) -> AccessDeniedError:
    what, do = {
        "NoSuchBucket": (
            f"There is no bucket {escape_text(bucket)}.",
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
            f"The server said no ({escape_text(f'{status} {code}'.strip())}).",
            "See docs/offsite.md for what it must allow.",
        ),
    )
    return AccessDeniedError(what, safe="Nothing is lost; what was sent before stays.", do=do)


def _named(status: int, code: str) -> str:
    return f"{status} {escape_text(code)}".strip()


def _name_taken_error(key: str) -> NameTakenError:
    return NameTakenError(f"The key {escape_text(key)} is taken.", safe="What lies there was left as it is.")


def _metadata_headers(metadata: Mapping[str, str]) -> dict[str, str]:
    return {f"x-amz-meta-{name}": value for name, value in metadata.items()}


def _error_code(answer: HttpResponse) -> str:
    if not answer.body:
        return ""
    try:
        return _child_text(_parse_xml(answer), "Code")
    except NetworkError:
        return ""


def _parse_xml(answer: HttpResponse) -> Element:
    from defusedxml.common import DefusedXmlException
    from defusedxml.ElementTree import fromstring

    try:
        root: Element = fromstring(answer.body, forbid_dtd=True)
    except (ParseError, DefusedXmlException, ValueError, LookupError) as error:
        raise NetworkError("The server's answer could not be read.") from error
    return root


def _find_children(root: Element, name: str) -> Iterator[Element]:
    return (child for child in root if child.tag.rpartition("}")[2] == name)


def _child_text(root: Element, name: str) -> str:
    return next((child.text or "" for child in _find_children(root, name)), "")
