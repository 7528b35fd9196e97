"""The one place that hashes gives what BLAKE3's authors say it must, at any size of reading."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tripleguard.catalog.file_updates import FileOrigin, ensure_file, ensure_shoot
from tripleguard.catalog.store import create_catalog
from tripleguard.digest import (
    EMPTY_DIGEST,
    SAMPLE_EDGE,
    Hasher,
    SamplingHasher,
    compute_digest,
    compute_sample,
    hash_chunks,
)
from tripleguard.jobs.copying.buffers import CHUNK_BYTES
from tripleguard.model import File, FileKind
from tripleguard.places.cache_bypass import MediumReader, allocate_aligned, detect_cache_bypass
from tripleguard.places.dir_handle import DirHandle

# BLAKE3 team, test_vectors/test_vectors.json (as of 5 August 2026, release line 1.8.6): byte i of the input is
# i mod 251; the first 32 bytes of each output. The lengths sit on block, chunk and tree edges.
VECTORS = {
    0: "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262",
    1: "2d3adedff11b61f14c886e35afa036736dcd87a74d27b5c1510225d0f592e213",
    63: "e9bc37a594daad83be9470df7f7b3798297c3d834ce80ba85d6e207627b7db7b",
    64: "4eed7141ea4a5cd4b788606bd23f46e212af9cacebacdc7d1f4c6dc7f2511b98",
    65: "de1e5fa0be70df6d2be8fffd0e99ceaa8eb6e8c93a63f2d8d1c30ecb6b263dee",
    1023: "10108970eeda3eb932baac1428c7a2163b0e924c9a9e25b35bba72b28f70bd11",
    1024: "42214739f095a406f3fc83deb889744ac00df831c10daa55189b5d121c855af7",
    1025: "d00278ae47eb27b34faecf67b4fe263f82d5412916c1ffd97c8cb7fb814b8444",
    2048: "e776b6028c7cd22a4d0ba182a8bf62205d2ef576467e838ed6f2529b85fba24a",
    2049: "5f4d72f40d7a5f82b15ca2b2e44b1de3c2ef86c426c95c1af0b6879522563030",
    8192: "aae792484c8efe4f19e2ca7d371d8c467ffb10748d8a5a1ae579948f718a2a63",
    8193: "bab6c09cb8ce8cf459261398d2e7aef35700bf488116ceb94a36d0f5f1b7bc3b",
    16384: "f875d6646de28985646f34ee13be9a576fd515f76b5b0a26bb324735041ddde4",
    31744: "62b6960e1a44bcc1eb1a611a8d6235b6b4b78f32e7abc4fb4c6cdcce94895c47",
    102400: "bc3e3d41a1146b069abffad3c0d44860cf664390afce4d9661f7902e7943e085",
}
READ_SIZES = [1, 7, 1023, 1024, 1025, 65536, CHUNK_BYTES]


def vector(length: int) -> bytes:
    return bytes(i % 251 for i in range(length))


def pieces(data: bytes, size: int) -> Iterator[memoryview]:
    view = memoryview(data)
    return (view[start : start + size] for start in range(0, len(data), size))


@pytest.mark.parametrize("size", READ_SIZES)
@pytest.mark.parametrize("length", VECTORS)
def test_the_official_vectors_come_out_at_any_size_of_reading(length: int, size: int) -> None:
    data, expected = vector(length), File(bytes.fromhex(VECTORS[length]), length)
    for hasher in (Hasher(), SamplingHasher()):
        for piece in pieces(data, size):
            hasher.update(piece)
        assert hasher.as_file() == expected
    assert hash_chunks(pieces(data, size)) == expected
    assert compute_digest(data) == expected.digest


@pytest.mark.parametrize("size", READ_SIZES)
@pytest.mark.parametrize("length", VECTORS)
def test_the_official_vectors_come_out_of_a_file_read_from_its_medium(here: Path, length: int, size: int) -> None:
    """The whole way of a reading back: a real file, past the cache where that can be, and the same hasher.

    A direct reading wants whole blocks; a size that is none must lead to the right bytes too, or to an error,
    never to others.
    """
    (here / "vector").write_bytes(vector(length))
    folder = DirHandle(here)
    try:
        reading = MediumReader(folder, "vector", detect_cache_bypass(here))
        buffer = allocate_aligned(max(size, 1))[:size]
        hasher = SamplingHasher()
        try:
            while count := reading.readinto(buffer):
                hasher.update(buffer[:count])
        finally:
            reading.close()
        assert reading.medium.is_from_device
    finally:
        folder.close()
    assert hasher.as_file() == File(bytes.fromhex(VECTORS[length]), length)


def test_a_text_that_the_authors_print() -> None:
    # b3sum/what_does_check_do.md of the BLAKE3 repository prints this line for a file that holds "hi\n".
    assert compute_digest(b"hi\n").hex() == "0b8b60248fad7ac6dfac221b7e01a8b91c772421a15b387dd1fb2d6a94aee438"
    # From memory, recomputed with another program.
    assert compute_digest(b"abc").hex() == "6437b3ac38465133ffb63b75273a8db548c558465d79db03fd359c6cd5bd9d85"


@pytest.mark.parametrize("length", [0, 1, SAMPLE_EDGE - 1, SAMPLE_EDGE, SAMPLE_EDGE + 1])
@pytest.mark.parametrize("times", [1, 2, 3])
def test_a_sample_taken_on_the_way_is_the_one_taken_from_the_file(length: int, times: int) -> None:
    check_sample(length * times, CHUNK_BYTES)


@given(
    size=st.integers(0, 3 * SAMPLE_EDGE + 3),
    step=st.sampled_from([1000, 4096, SAMPLE_EDGE - 1, SAMPLE_EDGE, SAMPLE_EDGE + 1, CHUNK_BYTES]),
)
def test_samples_agree_whatever_the_size_and_the_reading(size: int, step: int) -> None:
    check_sample(size, step)


def check_sample(size: int, step: int) -> None:
    data = (vector(251) * (size // 251 + 1))[:size]
    hasher = SamplingHasher()
    for piece in pieces(data, step):
        hasher.update(piece)
    asked: list[tuple[int, int]] = []

    def read_at(offset: int, length: int) -> bytes:
        asked.append((offset, length))
        return data[offset : offset + length]

    assert hasher.sample() == compute_sample(size, read_at)
    assert all(offset >= 0 and offset + length <= size for offset, length in asked)


def test_a_sample_sees_size_and_both_ends() -> None:
    base = bytearray(vector(200_000))
    seen = {compute_sample(len(base), lambda offset, length: bytes(base[offset : offset + length]))}
    for at in (0, SAMPLE_EDGE - 1, len(base) - SAMPLE_EDGE, len(base) - 1):
        changed = bytearray(base)
        changed[at] ^= 1
        seen.add(
            compute_sample(
                len(changed),
                lambda offset, length, changed=bytes(changed): changed[offset : offset + length],  # type: ignore[misc]
            )
        )
    assert len(seen) == 5
    shorter = base[:-1]
    assert (
        compute_sample(len(shorter), lambda offset, length: bytes(shorter[offset : offset + length])) not in seen
    )


def test_the_digest_of_nothing_never_belongs_to_a_file_with_bytes(tmp_path: Path) -> None:
    """An accidentally empty copy gives itself away by this digest; the catalog refuses to believe it."""
    assert bytes.fromhex(VECTORS[0]) == EMPTY_DIGEST
    hasher = Hasher()
    hasher.size = 1  # bytes that never reached the hash
    with pytest.raises(AssertionError):
        hasher.as_file()
    catalog = create_catalog(tmp_path / "catalog.db")
    try:
        for file in (File(EMPTY_DIGEST, 1), File(compute_digest(b"x"), 0)):
            with catalog.transaction():
                shoot = ensure_shoot(catalog, "2026-06-13", "x", 1)
            with pytest.raises(sqlite3.IntegrityError), catalog.transaction():
                ensure_file(catalog, file, FileOrigin("a", FileKind.RAW, shoot), None, 2, 1)
        assert catalog.fetch_all("SELECT * FROM files") == []
    finally:
        catalog.close()


@pytest.mark.parametrize(("digest", "size"), [(b"", 0), (bytes(31), 1), (bytes(33), 1), (bytes(32), -1)])
def test_a_file_is_a_whole_digest_and_a_size(digest: bytes, size: int) -> None:
    with pytest.raises(ValueError, match="32-byte"):
        File(digest, size)
