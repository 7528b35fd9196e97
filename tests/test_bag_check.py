"""A bag comes back from a client, or from somebody else: is it whole?

Held against the cases of the BagIt conformance suite (`bagcases`), and against the Library of Congress's own
program (`bagit` from PyPI), where the two can be compared.
"""

from __future__ import annotations

import hashlib
import logging
import os
import random
import threading
import tracemalloc
from pathlib import Path

import bag_conformance_cases
import bagit
import pytest
from bag_conformance_cases import INVALID, VALID, WARNING, bag, lines, seal, write
from world import Answer, World, finished

from tripleguard.bags.manifest_lines import (
    decode_path,
    encode_path,
    explain_unsafe_path,
    iter_text_lines,
    parse_manifest_line,
)
from tripleguard.bags.tag_files import format_info, iter_info_elements
from tripleguard.errors import StoppedError
from tripleguard.jobs.handover.bag_check import BagCheckResult, check_bag

LIBRARY_DIFFERS = {
    "v0.97 filename-normalization",  # it finds names that are listed composed, not ones listed decomposed
    "v0.97 same-filename-listed-twice-with-different-normalization",
    "v0.97 special-system-files",  # it wants them listed
    "v0.97 windows-only UNC for fetch",  # it looks for these on Windows only
    "v0.97 windows-only drive letter for fetch",
    "v1.0 BOM in a manifest",  # it warns
    "v1.0 a checksum nobody can compute",  # it passes over algorithms that it does not know
    "v1.0 a version nobody knows",  # it takes any version below 2
    "v1.0 bagit-with-invalid-whitespace",
    "v1.0 notAllManifestsListAllFiles",
    "v1.0 two oxums",  # it warns
}
"""Where the RFC is stricter than the library, or silent."""


def checked(root: Path) -> BagCheckResult:
    return finished(check_bag(root, threading.Event()))


def library_says(root: Path) -> bool:
    """Whether the Library of Congress's program takes it for valid."""
    logging.disable(logging.CRITICAL)
    try:
        bagit.Bag(str(root)).validate()
    except (bagit.BagError, UnicodeError, ValueError):
        return False
    finally:
        logging.disable(logging.NOTSET)
    return True


@pytest.mark.parametrize("case", VALID)
def test_a_bag_that_must_pass_passes(tmp_path: Path, case: str) -> None:
    VALID[case](tmp_path / "bag")
    found = checked(tmp_path / "bag")
    assert found.is_valid, found.flaws
    assert found.is_complete
    assert found.version == case.split()[0].removeprefix("v")


@pytest.mark.parametrize("case", INVALID)
def test_a_bag_that_must_be_refused_is_refused(tmp_path: Path, case: str) -> None:
    INVALID[case](tmp_path / "bag")
    found = checked(tmp_path / "bag")
    assert not found.is_valid
    assert found.flaws


@pytest.mark.parametrize("case", WARNING)
def test_a_bag_that_must_pass_with_a_message_does(tmp_path: Path, case: str) -> None:
    WARNING[case](tmp_path / "bag")
    found = checked(tmp_path / "bag")
    assert found.is_valid, found.flaws
    assert found.notes


@pytest.mark.parametrize("case", sorted({*VALID, *INVALID, *WARNING}))
def test_the_library_of_congress_says_the_same(tmp_path: Path, case: str) -> None:
    root = tmp_path / "bag"
    {**VALID, **INVALID, **WARNING}[case](root)
    assert (checked(root).is_valid is library_says(root)) is (case not in LIBRARY_DIFFERS)


def test_the_sum_of_the_suites_own_bag_is_as_printed(tmp_path: Path) -> None:
    """v1.0 `basicBag/data/hello.txt`: SHA-512 begins e7c22b994c59d9cf (conformance suite)."""
    root = bag(tmp_path / "bag")
    assert (root / "manifest-sha512.txt").read_text().startswith("e7c22b994c59d9cf")
    assert checked(root).is_valid


def test_bags_made_by_the_library_are_valid_here(tmp_path: Path) -> None:
    root = tmp_path / "made"
    (root / "below").mkdir(parents=True)
    (root / "below" / "a b.txt").write_bytes(b"x" * 100_000)
    (root / "feed\nback.txt").write_bytes(b"")
    bagit.make_bag(str(root), {"Contact-Name": "Nobody"}, checksums=["md5", "sha1", "sha256", "sha512"])
    found = checked(root)
    assert found.is_valid, found.flaws
    assert (found.files, found.total_bytes) == (2, 100_000)
    assert found.algorithms == ("md5", "sha1", "sha256", "sha512")


def test_whatever_byte_is_damaged_is_found(tmp_path: Path) -> None:
    """One bit anywhere in the payload or in a listed text file: never valid; the library agrees on every one."""
    chance = random.Random(7)
    root = bag(tmp_path / "bag", payload={"a.txt": b"A" * 5000, "b.txt": b"B" * 300})
    for path in [
        root / "data/a.txt",
        root / "data/b.txt",
        root / "bag-info.txt",
        root / "manifest-sha512.txt",
    ] * 3:
        before = path.read_bytes()
        at = chance.randrange(len(before) - 1)
        path.write_bytes(before[:at] + bytes([before[at] ^ 1]) + before[at + 1 :])
        assert not checked(root).is_valid, (path, at)
        assert not library_says(root)
        path.write_bytes(before)
    assert checked(root).is_valid


def test_complete_and_valid_are_told_apart(world: World, tmp_path: Path) -> None:
    root = bag(tmp_path / "bag")
    write(root / "data/hello.txt", "other\n")
    answer = world.run("handover", "--check", root, "--json")
    assert answer.status == 1
    assert (answer.json["answer"], answer.json["complete"]) == ("not valid", True)
    assert [reason["kind"] for reason in answer.json["reasons"]] == ["other bytes"]
    (root / "data/hello.txt").unlink()
    answer = world.run("handover", "--check", root, "--json")
    assert answer.json["complete"] is False
    assert answer.json["reasons"][0]["examples"] == ["data/hello.txt"]


def test_a_bag_is_checked_where_nothing_was_set_up(bare: World, tmp_path: Path) -> None:
    answer = bare.run("handover", "--check", bag(tmp_path / "bag"))
    assert answer.status == 0
    assert answer.out.startswith("VALID: ")
    assert "1 file, 6 B, sha512" in answer.out
    assert not bare.home.exists()


def test_what_is_no_bag_is_told_so(bare: World, tmp_path: Path) -> None:
    empty = bare.run("handover", "--check", tmp_path)
    assert empty.status == 1
    assert "bagit.txt is missing" in empty.out
    assert_status(bare.run("handover", "--check", tmp_path / "nowhere"), 3)
    assert_status(bare.run("handover", "--check", tmp_path, "--list"), 2)
    assert_status(bare.run("handover", "harbour"), 2)


def assert_status(answer: Answer, status: int) -> None:
    assert answer.status == status, answer.err
    assert answer.err


def test_nothing_outside_the_bag_is_read(tmp_path: Path) -> None:
    """A manifest names a file beside the bag, with its right checksum: no way leads there, nor does a link."""
    beside = tmp_path / "secret.txt"
    beside.write_bytes(b"secret")
    root = bag(tmp_path / "bag")
    line = f"{hashlib.sha512(b'secret').hexdigest()}  "
    (root / "tags").symlink_to(tmp_path)
    for path in ("../secret.txt", str(beside), "tags/secret.txt", "data/../../secret.txt"):
        write(root / "tagmanifest-sha512.txt", f"{line}{path}\n")
        found = checked(root)
        assert not found.is_valid, path
        assert not found.is_complete, path
    os.mkfifo(root / "data" / "pipe")
    seal(root)
    assert "link or device" in {flaw.kind for flaw in checked(root).flaws}


@pytest.mark.parametrize("name", ["tagmanifest-sha256.txt", "manifest-md5.txt", "fetch.txt", "bag-info.txt"])
@pytest.mark.parametrize("how", ["link", "pipe"])
def test_what_a_bag_says_in_a_link_or_a_pipe_is_no_yes(tmp_path: Path, name: str, how: str) -> None:
    """Another reader would follow it, and find other checksums there, or files to fetch."""
    root = bag(tmp_path / "bag")
    assert checked(root).is_valid
    (root / name).unlink(missing_ok=True)
    if how == "pipe":
        os.mkfifo(root / name)
    else:
        (tmp_path / "elsewhere.txt").write_bytes(b"")
        (root / name).symlink_to(tmp_path / "elsewhere.txt")
    found = checked(root)
    assert not found.is_valid
    assert "link or device" in {flaw.kind for flaw in found.flaws}


def test_a_name_that_went_through_another_system_is_still_there(tmp_path: Path) -> None:
    """HFS+ decomposes names: listed NFC, found NFD (RFC 8493, 6.1.1). It is present, with a note."""
    root = bag(tmp_path / "bag", payload={bag_conformance_cases.NFD: b""})
    bag_conformance_cases.replace_text(
        root, "manifest-sha512.txt", f"{bag_conformance_cases.EMPTY}  data/{bag_conformance_cases.NFC}\n"
    )
    found = checked(root)
    assert found.is_valid
    assert "Unicode form" in found.notes[0].message
    assert library_says(root)


def test_a_list_that_does_not_fit_in_memory_is_checked_all_the_same(tmp_path: Path) -> None:
    root = bag(tmp_path / "bag")
    with (root / "manifest-sha512.txt").open("a") as manifest:
        for number in range(30_000):
            manifest.write(f"{bag_conformance_cases.EMPTY}  data/some/folder/that/is/long/{number:08d}.txt\n")
    tracemalloc.start()
    try:
        found = checked(root)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    missing = next(flaw for flaw in found.flaws if flaw.kind == "missing")
    assert missing.count == 30_000
    assert len(missing.examples) == 10
    # The list itself is more than 5 MB; buffers for reading take 6.
    assert peak < 12_000_000, peak


def test_a_line_without_an_end_does_not_fill_the_memory(tmp_path: Path) -> None:
    root = bag(tmp_path / "bag")
    with (root / "manifest-sha512.txt").open("ab") as manifest:
        manifest.write(b"a" * 4_000_000)
    assert "unreadable text" in {flaw.kind for flaw in checked(root).flaws}


def test_folders_without_an_end_are_not_entered(tmp_path: Path) -> None:
    root = bag(tmp_path / "bag")
    (root / "data" / "/".join("d" * 100)).mkdir(parents=True)
    assert [flaw.kind for flaw in checked(root).flaws] == ["nested too deep"]


def test_a_check_can_be_stopped(tmp_path: Path) -> None:
    stop = threading.Event()
    job = check_bag(bag(tmp_path / "bag"), stop)
    next(job)
    stop.set()
    with pytest.raises(StoppedError):
        finished(job)


@pytest.mark.parametrize(
    ("name", "in_manifest"),
    [
        ("a\nb", "a%0Ab"),
        ("a\rb", "a%0Db"),
        ("100%", "100%25"),
        ("%0A", "%250A"),
        ("a b~ü", "a b~ü"),
        ("%41", "%2541"),
    ],
)
def test_only_three_characters_are_encoded(name: str, in_manifest: str) -> None:
    """RFC 8493, 2.1.3: LF, CR and %, and only those."""
    assert encode_path(name) == in_manifest
    assert decode_path(in_manifest) == name
    assert decode_path("%0a%0d") == "\n\r"
    assert decode_path("%41") == "%41"


@pytest.mark.parametrize(
    "path", ["data/a", "data/a\\b", "data/~a", "data/a..b/c", "data/...", "bag-info.txt", "data/C:a"]
)
def test_a_path_that_stays_inside_is_taken(path: str) -> None:
    assert explain_unsafe_path(path) is None


def test_text_is_cut_into_lines_wherever_the_pieces_end() -> None:
    text = "one\r\ntwo\rthree\nfour\u2028still\x0bfour\n\nsix"
    wanted = ["one", "two", "three", "four\u2028still\x0bfour", "", "six"]
    for encoding in ("utf-8", "utf-16-be", "utf-16"):
        content = text.encode(encoding)
        for step in (1, 2, 3, 7, 1000):
            pieces = [content[at : at + step] for at in range(0, len(content), step)]
            assert list(iter_text_lines(pieces, encoding)) == wanted


def test_what_a_checksum_tool_wrote_is_understood() -> None:
    """GNU coreutils: a leading backslash when the name is escaped, `*` for binary (sha512sum(1))."""
    line = parse_manifest_line("\\ABCD *data/a\\\\b\\nc")
    assert line is not None
    assert (line.digest, line.path) == ("abcd", "data/a\\b\nc")
    assert line.quirks
    assert parse_manifest_line("abcd") is None
    assert parse_manifest_line("xyz  data/a") is None


def test_a_long_description_is_folded_and_comes_back_in_one_piece() -> None:
    words = " ".join(f"word{number}" for number in range(40))
    text = format_info([("External-Description", words), ("Contact-Phone", ""), ("Bagging-Date", "2026-06-14")])
    assert max(map(len, text.decode().split("\n"))) <= 79
    assert list(iter_info_elements(text.decode().split("\n"))) == [
        ("External-Description", words),
        ("Bagging-Date", "2026-06-14"),
    ]
    forged = format_info([("Contact-Name", "A\nPayload-Oxum: 1.1")]).decode()
    assert list(iter_info_elements(forged.split("\n"))) == [("Contact-Name", "A Payload-Oxum: 1.1")]


def test_every_sum_the_rfc_asks_for_can_be_computed(tmp_path: Path) -> None:
    """RFC 8493, 2.4: SHA-256 and SHA-512 must, MD5 and SHA-1 should be; normalized names."""
    for algorithm in ("md5", "sha1", "sha256", "sha512", "sha384", "blake2b", "sha3_256"):
        root = tmp_path / algorithm
        bag(root, payload={"a": b"a"})
        write(root / f"manifest-{algorithm.replace('_', '')}.txt", lines({"a": b"a"}, algorithm))
        seal(root)
        assert checked(root).is_valid, algorithm
