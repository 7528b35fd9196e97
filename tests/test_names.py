"""Names from outside are stored as they came wherever a drive can hold them, and shown without harm."""

from __future__ import annotations

import os
import unicodedata

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from tripleguard.cameras.kinds import get_frame_key
from tripleguard.model import FsLimits
from tripleguard.names import (
    EXFAT_FORBIDDEN,
    add_number,
    escape_text,
    find_title_problem,
    fit_to_limits,
    fold_name,
    is_name_of_copy,
    is_safe_path,
    is_valid_utf8,
    split_suffix,
)

EXFAT = FsLimits(
    is_case_insensitive=True,
    is_normalization_insensitive=False,
    forbidden_chars="".join(char for char in EXFAT_FORBIDDEN if char not in "/\0"),
    is_utf8_only=True,
    max_name_bytes=0,
    max_name_units=255,
    max_file_bytes=0,
    mtime_step_ns=10_000_000,
    file_system="exfat",
)
EXT4 = FsLimits(
    is_case_insensitive=False,
    is_normalization_insensitive=False,
    forbidden_chars="",
    is_utf8_only=False,
    max_name_bytes=255,
    max_name_units=0,
    max_file_bytes=0,
    mtime_step_ns=1,
    file_system="ext4",
)
"""What a probe finds on exFAT (specification 1.00, sections 7.6.3 and 7.7) and on ext4 (NAME_MAX, from memory)."""

PART_BYTES = st.binary(min_size=1, max_size=255).filter(
    lambda raw: not set(raw) & set(b"/\0") and raw not in (b".", b"..")
)
LONG = [
    "x" * 251 + ".DNG",
    "a." + "x" * 253,
    "写" * 251 + ".DNG",
    "写." + "真" * 253,
    "x" * 250 + ".xmp",
    "写" * 255,
    "." + "é" * 254,
]
LONG_PARTS = st.sampled_from(LONG)
"""Names at the limit of one file system that are over that of another."""

PARTS = st.one_of(
    LONG_PARTS,
    PART_BYTES.map(os.fsdecode),
    st.text(st.characters(exclude_characters="/\0", exclude_categories=["Cs"]), min_size=1, max_size=255).filter(
        lambda part: part not in (".", "..")
    ),
)
"""Whatever a file system may list as one name: up to 255 bytes, or 255 characters, valid or not."""


@given(PARTS)
def test_a_shown_name_moves_no_cursor_and_hides_nothing(name: str) -> None:
    text = escape_text(name)
    assert text.isprintable() or all(char.isprintable() or unicodedata.category(char) == "Zs" for char in text)
    assert not {unicodedata.category(char) for char in text} & {"Cc", "Cf", "Cs", "Zl", "Zp"}
    assert text.encode("utf-8")


@pytest.mark.parametrize(
    "char",
    # Explicit formatting characters: Unicode Standard Annex 9, table 2, and line ends that terminals know.
    [
        *"\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069",
        *"\n\r\t\x1b\x07\x08\x7f\x9b\u2028\u2029\ufeff",
    ],
)
def test_control_and_direction_characters_are_spelt_out(char: str) -> None:
    text = escape_text(f"a{char}b")
    assert char not in text
    assert text.startswith("a\\")
    assert text.endswith("b")


def test_ordinary_names_are_shown_as_they_are() -> None:
    for name in (
        "ORR_0001.DNG",
        "Jürgen's café (2).jpg",
        "写真.jpg",
        "  two  spaces ",
        "[bold]x[/bold]",
        "<b>&amp;",
    ):
        assert escape_text(name) == name


def test_broken_utf8_is_shown_byte_by_byte() -> None:
    assert escape_text(os.fsdecode(b"a\xff\xfeb")) == "a\\xff\\xfeb"


@given(st.lists(PARTS, min_size=1, max_size=4).map("/".join))
def test_a_fitted_path_can_be_stored_on_exfat(path: str) -> None:
    fit = fit_to_limits(path, EXFAT)
    assert is_safe_path(fit)
    assert fit.count("/") == path.count("/")
    for part in fit.split("/"):
        assert is_valid_utf8(part)
        assert 1 <= len(part.encode("utf-16-le")) // 2 <= 255
        assert not set(part) & set(EXFAT_FORBIDDEN)


@given(st.lists(PARTS, min_size=1, max_size=4).map("/".join))
def test_a_fitted_path_can_be_stored_on_ext4(path: str) -> None:
    assert all(1 <= len(os.fsencode(part)) <= 255 for part in fit_to_limits(path, EXT4).split("/"))


@given(PARTS)
def test_a_name_is_changed_only_where_it_must_be(name: str) -> None:
    if len(os.fsencode(name)) <= 255:
        assert fit_to_limits(name, EXT4) == name
    short = len(name.encode("utf-16-le", "surrogatepass")) // 2 <= 255
    if is_valid_utf8(name) and short and not set(name) & set(EXFAT_FORBIDDEN):
        assert fit_to_limits(name, EXFAT) == name


@given(PARTS, st.sampled_from([EXFAT, EXT4]))
def test_fitting_twice_changes_nothing_more(name: str, limits: FsLimits) -> None:
    once = fit_to_limits(name, limits)
    assert fit_to_limits(once, limits) == once


@given(PARTS, st.integers(2, 9998), st.sampled_from([EXFAT, EXT4]))
def test_a_number_survives_the_fitting(name: str, number: int, limits: FsLimits) -> None:
    """The longest name there is must still have a second way to be said, or its twin could never be stored."""
    first, second = fit_to_limits(name, limits), fit_to_limits(add_number(name, number), limits)
    assert fold_name(second) != fold_name(first)
    assert fold_name(second) != fold_name(fit_to_limits(add_number(name, number + 1), limits))


@pytest.mark.parametrize(
    ("name", "second"),
    [
        ("IMG_0001.CR3", "IMG_0001-2.CR3"),
        ("IMG_0001.xmp", "IMG_0001-2.xmp"),
        ("IMG_0001.CR3.xmp", "IMG_0001-2.CR3.xmp"),
        ("IMG_0001.WAV", "IMG_0001-2.WAV"),
        ("no extension", "no extension-2"),
        (".hidden", ".hidden-2"),
        ("two.dots.mp4", "two.dots-2.mp4"),
    ],
)
def test_a_taken_name_gets_a_number_before_its_extension(name: str, second: str) -> None:
    assert add_number(name, 1) == name
    assert add_number(name, 2) == second


@given(PARTS, st.integers(1, 9998), st.sampled_from([EXFAT, EXT4]))
def test_a_stored_name_stands_for_the_one_it_was_made_from(name: str, number: int, limits: FsLimits) -> None:
    assert is_name_of_copy(fit_to_limits(add_number(name, number), limits), name)


@pytest.mark.parametrize(
    ("stored", "wanted", "stands"),
    [
        ("a.xmp", "a.xmp", True),
        ("A.XMP", "a.xmp", True),
        ("a-2.xmp", "a.xmp", True),
        ("a-9998.DNG.xmp", "a.DNG.xmp", True),
        ("a_b.xmp", "a:b.xmp", True),
        ("a-2.xmp", "a-2.xmp", True),
        ("a.xmp", "b.xmp", False),
        ("a.xmp", "a-2.xmp", False),
        ("a-3.xmp", "a-2.xmp", False),
        ("a-0.xmp", "a.xmp", False),
        ("ab.xmp", "abc.xmp", False),
        ("a.xmp", "a.txt", False),
        ("x" * 240 + ".xmp", "x" * 251 + ".xmp", False),
        ("x" * 249 + "-2.xmp", "x" * 251 + ".xmp", True),
        ("x" * 249 + "-2.xmp", "y" * 251 + ".xmp", False),
    ],
)
def test_a_name_stands_for_no_other(stored: str, wanted: str, stands: bool) -> None:
    assert is_name_of_copy(stored, wanted) is stands


@given(PARTS, st.integers(1, 9999))
def test_a_name_splits_and_joins(name: str, number: int) -> None:
    stem, end = split_suffix(name)
    assert stem + end == name
    assert stem
    assert (add_number(name, number) == name) == (number == 1)


@given(
    st.from_regex(r"[A-Z_]{4}(?!0000)[0-9]{4}", fullmatch=True),
    st.integers(2, 50),
)
def test_the_files_of_a_frame_stay_one_frame_under_their_number(stem: str, number: int) -> None:
    names = [f"{stem}.CR3", f"{stem}.JPG", f"{stem}.WAV", f"{stem}.xmp", f"{stem}.CR3.xmp"]
    assert len({get_frame_key(name) for name in names}) == 1
    assert len({get_frame_key(add_number(name, number)) for name in names}) == 1


def test_case_and_unicode_form_fold() -> None:
    # RFC 8493, section 6.1.1 prints both byte forms of this name.
    nfc, nfd = b"N\xc3\xba\xc3\xb1ez".decode(), b"Nu\xcc\x81n\xcc\x83ez".decode()
    assert nfc != nfd
    assert fold_name(nfc) == fold_name(nfd) == fold_name(nfd.upper())
    assert fold_name("A.JPG") == fold_name("a.jpg")
    assert fold_name("a.jpg") != fold_name("b.jpg")


@given(PARTS)
def test_folding_twice_changes_nothing_more(name: str) -> None:
    assume(is_valid_utf8(name))
    assert fold_name(fold_name(name)) == fold_name(name)


@pytest.mark.parametrize("path", ["", "/", "/etc/passwd", "a//b", "a/", "./a", "../a", "a/../b", "a/..", "a\0b"])
def test_a_path_that_would_leave_its_place_is_not_safe(path: str) -> None:
    assert not is_safe_path(path)


@pytest.mark.parametrize("path", ["a", "a/b", "...", "a/..b", ".a", os.fsdecode(b"a\xff"), "a\nb", "\\..\\a"])
def test_a_path_that_stays_inside_is_safe(path: str) -> None:
    assert is_safe_path(path)


@pytest.mark.parametrize(
    "name", ["quay", "Late show 2", "Café & Söhne", "写真", "it's", "a.b", "CONCERT", "x" * 120]
)
def test_titles_that_every_drive_can_hold(name: str) -> None:
    assert find_title_problem(name) is None


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("", "empty"),
        ("   ", "empty"),
        (" lead", "space"),
        ("trail ", "space"),
        ("dot.", "dot"),
        (".hidden", "begins with a dot"),
        ("..", "dot"),
        ("a/b", "/"),
        ("a\\b", "\\"),
        ("a:b", ":"),
        ('say "x"', '"'),
        ("what?", "?"),
        ("a*b", "*"),
        ("a|b", "|"),
        ("<b>", "<"),
        ("a\nb", "can't be shown"),
        ("a\u202eb", "can't be shown"),
        (os.fsdecode(b"a\xff"), "can't be shown"),
        # File names that Windows keeps for devices, with any extension (its documentation; from memory).
        ("CON", "keeps for itself"),
        ("nul.txt", "keeps for itself"),
        ("com1", "keeps for itself"),
        ("Lpt9.x", "keeps for itself"),
        ("x" * 121, "longer than 120"),
        ("é" * 61, "longer than 120"),
    ],
)
def test_titles_that_some_drive_could_not_hold(name: str, why: str) -> None:
    trouble = find_title_problem(name)
    assert trouble is not None
    assert why in trouble


@given(st.text(max_size=130))
def test_a_title_without_trouble_fits_every_file_system(name: str) -> None:
    if find_title_problem(name) is None:
        assert fit_to_limits(name, EXFAT) == fit_to_limits(name, EXT4) == name
        assert is_safe_path(name)
        assert escape_text(name) == name
