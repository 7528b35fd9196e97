"""Check lists: what is written is read back, and the real `b3sum --check` agrees.

Format: the BLAKE3 repository's b3sum/what_does_check_do.md, b3sum/README.md and b3sum/src/main.rs.
"""

from __future__ import annotations

import os
import shutil
import subprocess

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sample_files import film, marked
from world import World, contents

from tripleguard.checklist import format_b3sum, parse_b3sum
from tripleguard.digest import EMPTY_DIGEST, compute_digest

NAMES = st.text(st.characters(exclude_characters="\0\ufffd", exclude_categories=["Cs"]), min_size=1, max_size=40)
DIGESTS = st.binary(min_size=32, max_size=32)
HEX = EMPTY_DIGEST.hex()

AWKWARD = [
    "plain.jpg",
    "with space.jpg",
    "two  spaces.jpg",
    " lead.jpg",
    "trail .jpg ",
    "*star.jpg",
    "back\\slash.jpg",
    "back\\nslash.jpg",
    "line\nfeed.jpg",
    "a) = b.jpg",
    "BLAKE3 (x) = y.jpg",
    "ünïcode.jpg",
    "#hash.jpg",
    "-dash.jpg",
]

needs_b3sum = pytest.mark.skipif(shutil.which("b3sum") is None, reason="b3sum is not installed")


@given(st.lists(st.tuples(NAMES, DIGESTS), max_size=8))
def test_what_is_written_is_read_back(files: list[tuple[str, bytes]]) -> None:
    assert list(parse_b3sum(format_b3sum(files))) == files


@given(st.binary(max_size=300))
def test_any_bytes_can_be_looked_through(content: bytes) -> None:
    for name, digest in parse_b3sum(content):
        assert name
        assert len(digest) == 32


@given(st.lists(st.sampled_from([HEX, HEX[:-1], "\\", "  ", " ", "x", "\\n", "\r", "\n", "\0"]), max_size=12))
def test_lines_that_are_nearly_right_give_whole_digests_or_nothing(parts: list[str]) -> None:
    for name, digest in parse_b3sum("".join(parts).encode()):
        assert name
        assert digest == EMPTY_DIGEST


@pytest.mark.parametrize(
    ("name", "line"),
    [
        # what_does_check_do.md: 64 hex digits, two spaces, the path.
        ("a.jpg", f"{HEX}  a.jpg\n"),
        # A name that begins with a space makes three in all; the line splits at the first two.
        (" lead", f"{HEX}   lead\n"),
        ("a  b", f"{HEX}  a  b\n"),
        # The path holds one of these: they are escaped and the line begins with a backslash.
        ("a\\b", f"\\{HEX}  a\\\\b\n"),
        ("x\nx", f"\\{HEX}  x\\nx\n"),
        # Escaped from b3sum 1.5.5 on (25 November 2024); earlier ones leave the bare character.
        ("c\rd", f"\\{HEX}  c\\rd\n"),
    ],
)
def test_lines_are_as_b3sum_writes_them(name: str, line: str) -> None:
    assert format_b3sum([(name, EMPTY_DIGEST)]) == line.encode()
    assert list(parse_b3sum(line.encode())) == [(name, EMPTY_DIGEST)]


@pytest.mark.parametrize(
    "line",
    [
        f"{HEX} one-space",
        f"{HEX}  ",
        f"{HEX[:-1]}  short",
        f"{HEX}0  long",
        f"{'g' * 64}  not-hex",
        f"{'ab cd ' * 10}abcd  spaces-among-the-digits",
        f"\\{HEX}  bad\\escape",
        f"\\{HEX}  ends-in-one\\",
        f"  {HEX}  indented",
        "",
    ],
)
def test_a_line_that_is_none_is_passed_over(line: str) -> None:
    content = f"{line}\n{HEX}  good\n".encode()
    assert list(parse_b3sum(content)) == [("good", EMPTY_DIGEST)]


def test_line_ends_of_other_systems_are_read() -> None:
    assert list(parse_b3sum(f"{HEX}  a\r\n{HEX}  b".encode())) == [("a", EMPTY_DIGEST), ("b", EMPTY_DIGEST)]


def test_names_that_b3sum_can_not_check_get_no_line() -> None:
    """b3sum refuses names that are not UTF-8 and those that hold U+FFFD; one such line would spoil its answer."""
    broken = os.fsdecode(b"a\xff.jpg")
    assert (
        format_b3sum([(broken, EMPTY_DIGEST), ("a\ufffd.jpg", EMPTY_DIGEST), ("b", EMPTY_DIGEST)])
        == f"{HEX}  b\n".encode()
    )


@needs_b3sum
def test_the_real_b3sum_checks_what_an_offload_left(world: World) -> None:
    card = world.card()
    for number, name in enumerate(AWKWARD):
        card.put(f"DCIM/100ORREY/{name}", marked(f"{number} {name}".encode()))
    card.put(b"DCIM/100ORREY/broken\xff.jpg", marked(b"not to be named to b3sum"))
    card.put("PRIVATE/M4ROOT/CLIP/C0001.MP4", film())
    assert world.run("offload", card.root, "--shoot", "awkward names").status == 0
    for drive in world.drives.values():
        shoot = drive / "2026/2026-06-13 awkward names"
        listed = dict(parse_b3sum((shoot / "checksums.b3").read_bytes()))
        check = subprocess.run(["b3sum", "--check", "checksums.b3"], cwd=shoot, capture_output=True, check=False)
        assert check.returncode == 0, check.stdout + check.stderr
        assert check.stdout.count(b": OK\n") == len(listed) == len(AWKWARD) + 1
        assert {name.rpartition("/")[2] for name in listed} == {*AWKWARD, "C0001.MP4"}
        # The other way round: nothing of the shoot is without a line but what can't have one.
        there = {path for path in contents(shoot) if path != "checksums.b3" and not path.startswith("clearance-")}
        assert there - set(listed) == {os.fsdecode(b"unknown camera/broken\xff.jpg")}


@needs_b3sum
def test_the_real_b3sum_finds_a_bad_copy(world: World) -> None:
    card = world.card()
    card.frames(2)
    assert world.run("offload", card.root, "--shoot", "x").status == 0
    shoot = world.drives["A"] / "2026/2026-06-13 x"
    bad = next(shoot.rglob("ORR_0002.DNG"))
    content = bytearray(bad.read_bytes())
    content[5000] ^= 1
    bad.write_bytes(content)
    check = subprocess.run(["b3sum", "--check", "checksums.b3"], cwd=shoot, capture_output=True, check=False)
    assert check.returncode != 0
    assert check.stdout.count(b"ORR_0002.DNG: FAILED") == 1
    assert check.stdout.count(b": OK") == 1


def test_a_carriage_return_in_a_name_comes_back_through_our_own_reading(world: World) -> None:
    """b3sum before 1.5.5 can't read such a line, so this is not asked of it."""
    card = world.card()
    card.put("DCIM/100ORREY/c\rd.jpg", marked(b"carriage return"))
    assert world.run("offload", card.root, "--shoot", "x").status == 0
    content = (world.drives["A"] / "2026/2026-06-13 x/checksums.b3").read_bytes()
    assert b"\r" not in content
    assert list(parse_b3sum(content)) == [("unknown camera/c\rd.jpg", compute_digest(marked(b"carriage return")))]


def test_a_line_that_somebody_else_wrote_stays(world: World) -> None:
    card = world.card()
    card.frames(1)
    assert world.run("offload", card.root, "--shoot", "x").status == 0
    listed = world.drives["A"] / "2026/2026-06-13 x/checksums.b3"
    with listed.open("ab") as file:
        file.write(format_b3sum([("edits/best.tif", compute_digest(b"edit"))]))
    card.frames(1, first=2)
    assert world.run("offload", card.root, "--shoot", "x").status == 0
    names = [name.rpartition("/")[2] for name, _ in parse_b3sum(listed.read_bytes())]
    assert sorted(names) == ["ORR_0001.DNG", "ORR_0002.DNG", "best.tif"]
