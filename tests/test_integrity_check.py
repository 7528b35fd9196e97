"""A camera's file that does not hold together is noticed while it streams past, and a whole one never is."""

from __future__ import annotations

import random
import struct
import tracemalloc
from collections.abc import Iterator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sample_files import (
    CUT_SAMPLES,
    WHOLE_SAMPLES,
    canon_raw,
    crw,
    film,
    heif,
    picture,
    raf,
    raw,
    sample,
    strip_raw,
)
from steps import at_most

from tripleguard.cameras.integrity import checker
from tripleguard.cameras.integrity.checker import MIN_BLANK_BYTES, IntegrityChecker, check_integrity
from tripleguard.cameras.integrity.stream_window import MAX_RUNS, MIN_RUN_BYTES, ZERO, BlankRunFinder
from tripleguard.cameras.integrity.walk import FileStructure, PieceRequest
from tripleguard.model import Integrity, IntegrityVerdict

CODED = random.Random(5).randbytes(40_000).replace(b"\xff", b"\xfe").replace(b"\0", b"\1")


def made() -> dict[str, bytes]:
    """One small whole file of every form that is known here."""
    return {
        "ORR_0001.DNG": raw(),
        "ORR_0001.JPG": picture(),
        "ORR_0001.CR3": canon_raw(picture(), CODED),
        "ORR_0001.HIF": heif(CODED),
        "ORR_0001.MP4": film(),
        "ORR_0002.MOV": film(index_first=True),
        "ORR_0001.RAF": raf(picture(), CODED),
        "ORR_0001.CRW": crw(picture(), CODED),
    }


def verdict(name: str, content: bytes) -> IntegrityVerdict:
    return check_integrity(name, content)[0]


def sizes_of(source: random.Random, largest: int) -> Iterator[int]:
    while True:
        yield source.randint(1, largest)


def in_pieces(name: str, content: bytes, sizes: Iterator[int]) -> IntegrityVerdict:
    look, at = IntegrityChecker(name, len(content)), 0
    while at < len(content):
        size = next(sizes)
        look.feed(memoryview(bytearray(content[at : at + size])))
        at += size
    return look.get_verdict()


@pytest.mark.parametrize("name", made())
def test_a_whole_file_of_every_form_is_clean(name: str) -> None:
    assert verdict(name, made()[name]) == IntegrityVerdict(Integrity.CLEAN)


@pytest.mark.parametrize("name", WHOLE_SAMPLES)
def test_whole_files_of_real_cameras_are_clean(name: str) -> None:
    assert verdict(name, sample(name)) == IntegrityVerdict(Integrity.CLEAN)


@pytest.mark.parametrize("name", CUT_SAMPLES)
def test_the_first_100_kb_of_real_raws_are_cut_short(name: str) -> None:
    found = verdict(name, sample(name))
    assert found.integrity is Integrity.BROKEN
    assert "cut short" in found.flaws[0].explanation


@pytest.mark.parametrize("name", made())
def test_every_file_that_was_cut_anywhere_is_broken(name: str) -> None:
    content = made()[name]
    lengths = {*range(0, min(len(content), 4000), 7), *range(0, len(content), 997)}
    lengths |= set(range(len(content) - 300, len(content)))
    for length in lengths:
        assert verdict(name, content[:length]).integrity is Integrity.BROKEN, length


@pytest.mark.parametrize("name", WHOLE_SAMPLES)
def test_real_files_that_were_cut_anywhere_are_found(name: str) -> None:
    content = sample(name)
    whole = check_integrity(name, content)[1]
    # Behind what the file names lies padding at most; Sony pads to a whole 64 KiB.
    assert len(content) - whole.known_end < 64 << 10
    source = random.Random(name)
    lengths = {source.randrange(whole.known_end) for _ in range(120)} | set(
        range(whole.known_end - 40, whole.known_end)
    )
    for length in lengths | set(range(0, 4000, 13)):
        found = verdict(name, content[:length]).integrity
        # The edited JPEG's index is out of date, so what is cut behind the first picture is only suspicious.
        edited = name.startswith("EOS_RP") and length > whole.jpeg_spans[0][1]
        assert found is (Integrity.SUSPICIOUS if edited else Integrity.BROKEN), length


@pytest.mark.parametrize("name", made())
def test_it_is_the_same_in_whatever_pieces_the_file_passes(name: str) -> None:
    content = made()[name]
    for seed in range(6):
        source = random.Random(seed)
        largest = (3, 50, 700, 5000, 30_000, 90_000)[seed]
        assert in_pieces(name, content, sizes_of(source, largest)) == IntegrityVerdict(Integrity.CLEAN)
        cut = content[: len(content) * 2 // 3]
        assert in_pieces(name, cut, sizes_of(source, largest)) == verdict(name, cut)


@pytest.mark.parametrize("name", ["ORR_0001.DNG", "ORR_0001.CR3", "ORR_0001.HIF", "ORR_0001.RAF", "ORR_0001.CRW"])
def test_a_hole_of_zeros_in_image_data_is_suspicious(name: str) -> None:
    content = bytearray(made()[name])
    image = check_integrity(name, bytes(content))[1].image_spans
    last = max(image, key=lambda span: (not span.can_be_flat, span.start))
    at = -(-(last.start + 2000) // 512) * 512
    content[at : at + 8192] = bytes(8192)
    found = verdict(name, bytes(content))
    assert found.integrity is Integrity.SUSPICIOUS
    assert (
        found.flaws[0].explanation == f"8,192 bytes of its image data, from byte {at:,} on, are nothing but zeros"
    )


def test_zeros_outside_image_data_are_padding() -> None:
    # Behind a picture makers pad as they like, and between the parts of a raw.
    assert verdict("ORR_0001.JPG", picture() + bytes(200_000)) == IntegrityVerdict(Integrity.CLEAN)


def test_a_black_corner_of_bare_sensor_values_is_no_hole() -> None:
    content = bytearray(raw(size=1 << 20))
    image = check_integrity("ORR_0001.DNG", bytes(content))[1].image_spans
    last = max(image, key=lambda span: span.start)
    at = -(-(last.start + 2000) // 512) * 512
    content[at : at + MIN_BLANK_BYTES // 2] = bytes(MIN_BLANK_BYTES // 2)
    assert verdict("ORR_0001.DNG", bytes(content)) == IntegrityVerdict(Integrity.CLEAN)


def test_a_film_with_silence_in_it_is_clean() -> None:
    assert verdict("ORR_0001.MP4", film(sound=bytes(300_000))) == IntegrityVerdict(Integrity.CLEAN)


def test_a_film_that_the_camera_could_not_finish_is_broken() -> None:
    unfinished = film()
    unfinished = unfinished[: unfinished.index(b"moov") - 4]
    found = verdict("ORR_0001.MP4", unfinished)
    assert found.integrity is Integrity.BROKEN
    assert "index is missing" in found.flaws[0].explanation


def test_a_film_larger_than_4_gb_is_followed_without_its_bytes() -> None:
    start = film()[:24]
    size = len(start) + 16 + (5 << 30)
    look = IntegrityChecker("ORR_0001.MP4", size)
    look.feed(start + struct.pack(">I4sQ", 1, b"mdat", 16 + (6 << 30)) + bytes(4096))
    assert "cut short" in look.structure.flaws[0].explanation


@pytest.mark.parametrize(("content", "why"), [(b"\0", "zeros"), (b"\xff", "ones")])
def test_a_raw_whose_beginning_is_blank_is_broken(content: bytes, why: str) -> None:
    found = verdict("ORR_0001.NEF", content * 200_000)
    assert found.integrity is Integrity.BROKEN
    assert found.flaws[0].explanation.endswith(why)


def test_an_empty_original_is_broken() -> None:
    assert verdict("ORR_0001.MOV", b"").flaws[0].explanation == "it is empty"


def test_what_is_not_known_here_is_not_checkable_and_never_clean() -> None:
    assert verdict("ORR_0001.R3D", b"\0\0\1\0RED1" * 100) == IntegrityVerdict(
        Integrity.UNCHECKED, explanation="the structure of .r3d files is not known here"
    )
    assert verdict("ORR_0001.NEF", b"<html>not today</html>" * 20).integrity is Integrity.SUSPICIOUS


def test_other_bytes_inside_a_coded_picture_are_found() -> None:
    content = bytearray(picture())
    image = check_integrity("ORR_0001.JPG", bytes(content))[1].image_spans[0]
    content[image.start + 100 : image.start + 612] = random.Random(4).randbytes(512)
    found = verdict("ORR_0001.JPG", bytes(content))
    assert found.integrity is Integrity.BROKEN
    assert "interrupted" in found.flaws[0].explanation


def test_bare_pixels_that_are_called_jpeg_are_not_taken_for_one() -> None:
    """Some raws say compression 6 of a small picture that has just as many bytes as pixels; from memory."""
    pixels = random.Random(2).randbytes(60 * 40 * 3 * 2)
    content = strip_raw(pixels, compression=6, width=60, height=40, bits=16, samples=3)
    assert verdict("ORR_0001.CR2", content) == IntegrityVerdict(Integrity.CLEAN)


@pytest.mark.parametrize("how", ["no end", "no beginning", "a marker inside"])
def test_what_a_maker_does_in_its_own_way_inside_a_raw_makes_it_suspicious_at_most(how: str) -> None:
    coded = {
        "no end": picture()[:-2],
        "no beginning": picture()[2:],
        "a marker inside": picture()[:-2] + b"\xff\x02",
    }
    content = strip_raw(coded[how] + bytes(60), compression=7, width=480, height=320, bits=14, samples=1)
    found = verdict("ORR_0001.DNG", content)
    assert found.integrity is Integrity.SUSPICIOUS
    assert all(flaw.is_possible_quirk for flaw in found.flaws)


def test_a_mark_behind_the_last_box_is_no_damage_for_certain() -> None:
    found = verdict("ORR_0001.HIF", heif(CODED) + b"\0\0\0\0SEFT")
    assert found.integrity is not Integrity.BROKEN
    broken = heif(CODED)
    broken = broken[:24] + b"\xff" * 40 + broken[64:]
    assert verdict("ORR_0001.HIF", broken).integrity is Integrity.BROKEN


def test_a_file_that_was_not_read_to_its_end_is_not_called_clean() -> None:
    content = raw()
    look = IntegrityChecker("ORR_0001.DNG", len(content))
    look.feed(content[:-1])
    assert look.get_verdict().integrity is Integrity.UNCHECKED


def test_a_directory_that_was_past_before_its_place_was_known_makes_it_not_checkable() -> None:
    # The main directory stands at the end and names one in the middle, out of reach of head and tail by then.
    middle = struct.pack("<HHHII", 1, 0x0100, 4, 1, 64) + bytes(4)
    at_end = struct.pack("<HHHII", 1, 0x014A, 4, 1, 2 << 20) + bytes(4)
    body = bytearray(5 << 20)
    body[:8] = struct.pack("<2sHI", b"II", 42, len(body) - len(at_end))
    body[2 << 20 : (2 << 20) + len(middle)] = middle
    body[-len(at_end) :] = at_end
    assert verdict("ORR_0001.NEF", bytes(body)).explanation == "it does not say where its image data lies"
    found = in_pieces("ORR_0001.NEF", bytes(body), iter([1 << 20] * 9))
    assert found.integrity is Integrity.UNCHECKED
    assert "was past" in found.explanation


def test_a_fault_of_this_program_is_not_checkable_and_stops_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(shape: object, size: int) -> Iterator[object]:
        yield PieceRequest(0, 8)
        raise AssertionError

    monkeypatch.setitem(checker.WALKS, "JPEG", broken)
    found = verdict("ORR_0001.JPG", picture())
    assert found.integrity is Integrity.UNCHECKED
    assert "it was copied all the same" in found.explanation


def test_what_was_found_before_a_fault_of_this_program_still_counts(monkeypatch: pytest.MonkeyPatch) -> None:
    def stumbling(shape: FileStructure, size: int) -> Iterator[object]:
        shape.flag_if_cut("image data", size + 1000, size)
        yield PieceRequest(0, 8)
        raise AssertionError

    monkeypatch.setitem(checker.WALKS, "JPEG", stumbling)
    assert verdict("ORR_0001.JPG", picture()).integrity is Integrity.BROKEN


@pytest.mark.parametrize("value", [0, 255])
def test_blank_runs_are_found_in_whole_blocks_wherever_the_pieces_end(value: int) -> None:
    content = bytearray(b"\1" * 20_000)
    content[1024:6144] = bytes([value]) * 5120
    content[10_000:14_000] = bytes([value]) * 4000
    blanks = BlankRunFinder()
    for at in range(0, len(content), 2048):
        blanks.feed(bytes(content[at : at + 2048]))
    assert blanks.list_runs(value) == [(1024, 6144)]


def test_a_hole_is_found_behind_any_number_of_short_runs() -> None:
    """The night sky of a raw that is not compressed is full of them."""
    blanks = BlankRunFinder()
    for _ in range(MAX_RUNS + 50):
        blanks.feed(bytes(512) + b"\1" * 512)
    blanks.feed(bytes(MIN_RUN_BYTES))
    assert [end - start for start, end in blanks.list_runs(ZERO)] == [MIN_RUN_BYTES]
    many = BlankRunFinder()
    for _ in range(MAX_RUNS + 50):
        many.feed(bytes(MIN_RUN_BYTES) + b"\1" * 512)
    assert len(many.list_runs(ZERO)) == MAX_RUNS


def broken_somewhere(content: bytes, source: random.Random) -> bytes:
    """The file with a few bytes, words or blocks changed, cut or moved."""
    changed = bytearray(content)
    for _ in range(source.randint(1, 8)):
        at = source.randrange(len(changed)) if source.random() < 0.3 else source.randrange(min(4096, len(changed)))
        size = source.choice((1, 2, 4, 4, 12, 512))
        how = source.randrange(4)
        if how == 0:
            changed[at : at + size] = source.randbytes(size)
        elif how == 1:
            changed[at : at + size] = source.choice((b"\0", b"\xff")) * size
        elif how == 2:
            changed[at : at + 4] = struct.pack(source.choice("<>") + "I", source.choice(_NASTY))
        elif len(changed) > 200:
            del changed[at : at + source.randint(1, 100)]
    return bytes(changed)


_NASTY = (0, 1, 2, 7, 8, 0xFFFF, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 1 << 20, 1 << 24)


@settings(max_examples=150, deadline=None)
@given(name=st.sampled_from(sorted(made())), seed=st.integers(0, 2**32))
def test_no_damage_crashes_it_or_makes_it_slow(name: str, seed: int) -> None:
    source = random.Random(seed)
    content = broken_somewhere(made_once()[name], source)
    with at_most(1_000_000):
        found = in_pieces(name, content, sizes_of(source, source.choice((512, 4096, 100_000))))
    assert "stumbled" not in found.explanation


@settings(max_examples=100, deadline=None)
@given(start=st.sampled_from(sorted(made())), rest=st.binary(max_size=20_000))
def test_no_bytes_behind_a_real_beginning_crash_it(start: str, rest: bytes) -> None:
    content = made_once()[start][:32] + rest
    found = verdict(start, content)
    assert found.integrity is not Integrity.CLEAN
    assert "stumbled" not in found.explanation


def test_a_hostile_file_takes_little_memory() -> None:
    # A directory that names 16,384 strips with lengths, each in the other's place; and box after box of no size.
    count = 1 << 14
    entries = struct.pack("<HHII", 0x0111, 4, count, 1024) + struct.pack("<HHII", 0x0117, 4, count, 1024)
    strips = struct.pack("<2sHIH", b"II", 42, 8, 2) + entries + bytes(4)
    strips = strips.ljust(1024, b"\0") + struct.pack("<I", 1024) * count
    boxes = film()[:24] + struct.pack(">I4s", 8, b"free") * 18_000
    segments = b"\xff\xd8" + b"\xff\xe0\0\2" * 5000
    for name, content in (("a.NEF", strips), ("a.MP4", boxes), ("a.JPG", segments)):
        with at_most(6_000_000):
            verdict(name, content)
        tracemalloc.start()
        found = verdict(name, content)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert "stumbled" not in found.explanation
        assert found.integrity is not Integrity.CLEAN
        assert peak < 25 << 20


def made_once() -> dict[str, bytes]:
    if not _made:
        _made.update(made())
    return _made


_made: dict[str, bytes] = {}


def test_a_name_that_leads_to_the_bytes_of_another_kind_of_file_is_told() -> None:
    """What a damaged file table does: each of the two is whole, and one of them is not what its name says."""
    for name, content in (("ORR_0001.NEF", picture()), ("ORR_0001.JPG", raw()), ("ORR_0001.CR3", picture())):
        found = verdict(name, content)
        assert found.integrity is Integrity.SUSPICIOUS
        assert "as another kind of file does" in found.flaws[0].explanation
    for name, content in (("shared.jpg", heif(CODED)), ("ORR_0001.MPO", picture()), ("ORR_0001.HEIC", picture())):
        assert verdict(name, content) == IntegrityVerdict(Integrity.CLEAN)
