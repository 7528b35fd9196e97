"""The only module that hashes: BLAKE3 digests, samples, and the checksums that standards require.

BLAKE3-256 is a file's identity: it keeps up with any card and drive on one core, and `b3sum --check` reads its
lists on any machine. A *sample* is a short digest over the first and last 64 KiB and the size. It only suggests
that two files are the same: good enough to decide what to read next, never good enough as evidence.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterator
from typing import Protocol

from blake3 import blake3

from tripleguard.model import DIGEST_BYTES, File

SAMPLE_EDGE = 64 * 1024
SAMPLE_BYTES = 16

EMPTY_DIGEST = bytes.fromhex("af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262")
"""BLAKE3 of empty input (official test vectors, length 0). A file with bytes can never have it."""


class Hasher:
    """A running BLAKE3 that counts bytes. Large buffers are hashed outside the GIL."""

    def __init__(self) -> None:
        self._hash = blake3()
        self.size = 0

    def update(self, data: bytes | bytearray | memoryview) -> None:
        self._hash.update(data)
        self.size += len(data)

    def as_file(self) -> File:
        """Return the content seen so far as a file."""
        digest: bytes = self._hash.digest(length=DIGEST_BYTES)
        if (digest == EMPTY_DIGEST) != (self.size == 0):
            raise AssertionError("the digest of nothing came from a file that holds something")
        return File(digest, self.size)


class SamplingHasher(Hasher):
    """A hasher that also keeps the first and last bytes, for `sample`."""

    def __init__(self) -> None:
        super().__init__()
        self._head = b""
        self._tail = b""

    def update(self, data: bytes | bytearray | memoryview) -> None:
        super().update(data)
        if len(self._head) < SAMPLE_EDGE:
            self._head += bytes(data[: SAMPLE_EDGE - len(self._head)])
        self._tail = (self._tail + bytes(data[-SAMPLE_EDGE:]))[-SAMPLE_EDGE:]

    def sample(self) -> bytes:
        """Return the same 16 bytes as `compute_sample` for this content."""
        return compute_sample(self.size, self._read_edge)

    def _read_edge(self, offset: int, length: int) -> bytes:
        if offset == 0:
            return self._head[:length]
        return self._tail[len(self._tail) - length :]


def hash_chunks(chunks: Iterator[memoryview] | Iterator[bytes]) -> File:
    """Return the file that consists of these chunks, in order."""
    hasher = Hasher()
    for chunk in chunks:
        hasher.update(chunk)
    return hasher.as_file()


def compute_digest(data: bytes) -> bytes:
    """Return the BLAKE3-256 of data, 32 bytes."""
    digest: bytes = blake3(data).digest(length=DIGEST_BYTES)
    return digest


def compute_sample(size: int, read_at: Callable[[int, int], bytes]) -> bytes:
    """Return a 16-byte guess at a file's identity from its size, first and last 64 KiB.

    read_at(offset, length) returns up to length bytes. A picture's noise makes different files differ here; equal
    samples still prove nothing.
    """
    mix = blake3(size.to_bytes(8, "little"))
    mix.update(read_at(0, min(SAMPLE_EDGE, size)))
    if size > SAMPLE_EDGE:
        start = max(SAMPLE_EDGE, size - SAMPLE_EDGE)
        mix.update(read_at(start, size - start))
    sample: bytes = mix.digest(length=SAMPLE_BYTES)
    return sample


class RunningChecksum(Protocol):
    """A running checksum of some standard algorithm. Large buffers are hashed outside the GIL."""

    def update(self, data: bytes | bytearray | memoryview, /) -> object: ...

    def hexdigest(self) -> str: ...


_SHA3 = re.compile(r"sha3(224|256|384|512)")
_HASHLIB_ALGORITHMS = frozenset({"md5", "sha1", "sha224", "sha256", "sha384", "sha512", "blake2b", "blake2s"})


def new_checksum(algorithm: str) -> RunningChecksum | None:
    """Return a new checksum by its name, such as `sha512` or `sha3256`; None if it is unknown."""
    if algorithm == "blake3":
        return blake3()
    if _SHA3.fullmatch(algorithm):
        return hashlib.new(f"sha3_{algorithm[4:]}")
    # Old bags have MD5 and SHA-1; they detect rot, which is enough here.
    return hashlib.new(algorithm, usedforsecurity=False) if algorithm in _HASHLIB_ALGORITHMS else None
