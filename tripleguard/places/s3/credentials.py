"""Find the credentials for a server: in the environment, the usual profile files, or the system's keyring.

A credential is never written, logged or shown by this program. Sources in this order, the first that has both
parts: `AWS_ACCESS_KEY_ID` and `AWS_SECRET_ACCESS_KEY`; the profile (named in the place's URL, else in
`AWS_PROFILE`, else `default`) in `~/.aws/credentials` and `~/.aws/config`; the keyring's entries `access_key` and
`secret_key` of the service `tripleguard BUCKET`, if the keyring package is installed.
"""

from __future__ import annotations

import configparser
import contextlib
from collections.abc import Mapping
from pathlib import Path

from tripleguard.errors import AccessDeniedError
from tripleguard.names import escape_text
from tripleguard.places.s3.signing import Credentials

_MAX_FILE_BYTES = 1 << 20


def find_credentials(bucket: str, profile: str | None, environment: Mapping[str, str]) -> Credentials:
    """The credentials for a bucket. environment: usually os.environ. Raises NoAccess where there are none."""
    found = None if profile else _read_environment(environment)
    found = found or _read_profile_credentials(profile or environment.get("AWS_PROFILE", "default"), environment)
    found = found or _read_keyring(bucket)
    if found is None:
        raise AccessDeniedError(
            f"There are no credentials for {escape_text(bucket)}.",
            safe="Nothing was sent.",
            do="Set AWS_ACCESS_KEY_ID and AWS_SECRET_ACCESS_KEY, or make a profile in ~/.aws/credentials, or put "
            f"the entries `access_key` and `secret_key` of `tripleguard {escape_text(bucket)}` in the keyring.",
        )
    return found


def find_region(profile: str | None, environment: Mapping[str, str]) -> str:
    """The region to sign for where the place's address has none."""
    named = environment.get("AWS_REGION") or environment.get("AWS_DEFAULT_REGION")
    section = _read_profile(profile or environment.get("AWS_PROFILE", "default"), environment)
    return named or section.get("region") or "us-east-1"


def _read_environment(environment: Mapping[str, str]) -> Credentials | None:
    key, secret = environment.get("AWS_ACCESS_KEY_ID"), environment.get("AWS_SECRET_ACCESS_KEY")
    return Credentials(key, secret, environment.get("AWS_SESSION_TOKEN")) if key and secret else None


def _read_profile_credentials(profile: str, environment: Mapping[str, str]) -> Credentials | None:
    section = _read_profile(profile, environment)
    key, secret = section.get("aws_access_key_id"), section.get("aws_secret_access_key")
    return Credentials(key, secret, section.get("aws_session_token")) if key and secret else None


def _read_profile(profile: str, environment: Mapping[str, str]) -> dict[str, str]:
    """What the two files say of a profile; the credentials file outranks the other."""
    home = Path(environment.get("HOME") or environment.get("USERPROFILE") or "~").expanduser() / ".aws"
    said: dict[str, str] = {}
    for variable, name, section in (
        ("AWS_CONFIG_FILE", "config", profile if profile == "default" else f"profile {profile}"),
        ("AWS_SHARED_CREDENTIALS_FILE", "credentials", profile),
    ):
        parser = configparser.RawConfigParser()
        # A file that is not there or does not parse has no credentials; its content belongs in no message.
        with contextlib.suppress(OSError, configparser.Error, UnicodeDecodeError):
            path = Path(environment.get(variable) or home / name)
            if path.stat().st_size <= _MAX_FILE_BYTES:
                parser.read_string(path.read_text(encoding="utf-8"))
        if parser.has_section(section):
            said |= dict(parser.items(section))
    return said


def _read_keyring(bucket: str) -> Credentials | None:
    try:
        import keyring
        from keyring.errors import KeyringError
    except ImportError:
        return None
    service = f"tripleguard {bucket}"
    try:
        key, secret = keyring.get_password(service, "key"), keyring.get_password(service, "secret")
    except KeyringError:
        return None
    return Credentials(key, secret) if key and secret else None
