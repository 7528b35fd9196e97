"""Sign requests to an S3 server: AWS Signature Version 4, as published for S3.

The signature covers the SHA-256 of the body, so a server that checks it verifies the body byte for byte.
Source: Amazon S3 API reference, "Authenticating requests: using the authorization header"; the examples printed
there are the tests of this module.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from urllib.parse import quote

ALGORITHM = "AWS4-HMAC-SHA256"


@dataclass(frozen=True, slots=True)
class Credentials:
    """Who asks. The secret parts never show in a message or a log."""

    access_key: str
    secret_key: str = field(repr=False)
    session_token: str | None = field(default=None, repr=False)


def sign_headers(
    credentials: Credentials,
    region: str,
    method: str,
    path: str,
    query: Mapping[str, str],
    headers: Mapping[str, str],
    payload_sha256: str,
    at_ns: int,
) -> dict[str, str]:
    """The headers with those that sign them. headers: with Host, names in any case; at_ns: UTC ns.

    path: as it is, not escaped, beginning with `/`. payload_sha256: 64 hex digits.
    """
    moment = datetime.fromtimestamp(at_ns // 1_000_000_000, UTC)
    stamp, day = moment.strftime("%Y%m%dT%H%M%SZ"), moment.strftime("%Y%m%d")
    full = {name.lower(): " ".join(value.split()) for name, value in headers.items()}
    full |= {"x-amz-date": stamp, "x-amz-content-sha256": payload_sha256}
    if credentials.session_token is not None:
        full["x-amz-security-token"] = credentials.session_token
    names = ";".join(sorted(full))
    canonical = "\n".join(
        [
            method,
            escape_path(path),
            build_query_string(query),
            *(f"{name}:{full[name]}" for name in sorted(full)),
            "",
            names,
            payload_sha256,
        ]
    )
    scope = f"{day}/{region}/s3/aws4_request"
    to_sign = "\n".join([ALGORITHM, stamp, scope, hashlib.sha256(canonical.encode()).hexdigest()])
    key = f"AWS4{credentials.secret_key}".encode()
    for part in (day, region, "s3", "aws4_request"):
        key = hmac.digest(key, part.encode(), "sha256")
    signature = hmac.digest(key, to_sign.encode(), "sha256").hex()
    full["authorization"] = (
        f"{ALGORITHM} Credential={credentials.access_key}/{scope},SignedHeaders={names},Signature={signature}"
    )
    return full


def escape_path(path: str) -> str:
    """The path as it stands in the request: every byte but the unreserved ones and `/` escaped (RFC 3986, 2.3)."""
    return quote(path, safe="/-_.~")


def build_query_string(query: Mapping[str, str]) -> str:
    """The query, sorted and escaped as the signature wants it."""
    return "&".join(f"{quote(name, safe='-_.~')}={quote(query[name], safe='-_.~')}" for name in sorted(query))
