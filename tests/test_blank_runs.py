"""A part of the card was lost: what should be picture or film reads as zeros, or, as erased flash does, as ones.

One hole of 64 KiB in a picture, of 5 MiB in a film, or half of a file; wherever it lies, the header included, the
file is not called clean, and not passed over as not checkable.
"""

from __future__ import annotations

import random
from collections.abc import Iterator

import pytest
from PIL import Image
from sample_files import (
    SAMPLES,
    WHOLE_SAMPLES,
    coded,
    heic,
    noise,
    picture,
    raw,
    sample,
    whole_avi,
    whole_film,
    written,
)
from test_integrity_check import broken_somewhere, in_pieces, sizes_of

from tripleguard.cameras.integrity.checker import check_integrity
from tripleguard.cameras.integrity.decode_check import can_load_decoders, check_by_decoding
from tripleguard.model import Integrity, IntegrityVerdict

CLEAN = IntegrityVerdict(Integrity.CLEAN)
DAMAGED = (Integrity.BROKEN, Integrity.SUSPICIOUS)
HOLE, HOLE_IN_FILM = 64 << 10, 5 << 20

needs_decoders = pytest.mark.skipif(not can_load_decoders(), reason="tripleguard[decode] is not installed")


def holed(content: bytes, at: int, size: int, value: int) -> bytes:
    end = min(at + size, len(content))
    return content[:at] + bytes([value]) * (end - at) + content[end:]


def camera_jpeg(fill: int = 0) -> bytes:
    """A JPEG as cameras write it: full segments of notes in front, and each marker after so many fill bytes."""
    content = written(noise(500, 400), "JPEG", quality=95)
    source = random.Random(8)
    notes = b"".join(
        b"\xff" * fill + b"\xff" + code + (2 + size).to_bytes(2, "big") + source.randbytes(size)
        for code, size in ((b"\xe1", 65_000), (b"\xe2", 65_533), (b"\xe2", 65_533), (b"\xfe", 300))
    )
    return content[:2] + notes + content[2:]


def starts(content: bytes, step: int) -> Iterator[int]:
    return iter(range(0, len(content) - 4096, step))


@pytest.mark.parametrize("value", [0, 255])
def test_one_hole_in_a_jpeg_is_damage_wherever_it_lies(value: int) -> None:
    content = camera_jpeg()
    assert check_integrity("ORR_0001.JPG", content)[0] == CLEAN
    for at in starts(content, 1024):
        found = check_integrity("ORR_0001.JPG", holed(content, at, HOLE, value))[0]
        assert found.integrity in DAMAGED, (at, found)


@pytest.mark.parametrize("value", [0, 255])
@pytest.mark.parametrize("name", [name for name in WHOLE_SAMPLES if name.endswith("JPG")])
def test_one_hole_in_a_real_jpeg_is_damage_wherever_it_lies(name: str, value: int) -> None:
    content = sample(name)
    reach = check_integrity(name, content)[1].known_end
    source = random.Random(name)
    for at in [*range(0, 131_072, 4096), *(512 * source.randrange(reach // 512 - 128) for _ in range(40))]:
        found = check_integrity(name, holed(content, at, HOLE, value))[0]
        assert found.integrity in DAMAGED, (at, found)


@pytest.mark.parametrize("fill", [1, 2, 900])
def test_fill_bytes_before_a_marker_are_no_damage(fill: int) -> None:
    """ITU-T T.81, B.1.1.2: any number of them may stand there."""
    assert check_integrity("ORR_0001.JPG", camera_jpeg(fill))[0] == CLEAN
    for seed in range(3):
        passing = in_pieces("ORR_0001.JPG", camera_jpeg(fill), sizes_of(random.Random(seed), 60_000))
        assert passing == CLEAN


def test_a_scan_before_its_frame_is_damage() -> None:
    """ITU-T T.81, B.2.2: a frame header comes before the scans."""
    content = written(noise(50, 40), "JPEG")
    frame, tables = content.index(b"\xff\xc0"), content.index(b"\xff\xc4")
    assert check_integrity("ORR_0001.JPG", content[:frame] + content[tables:])[0].integrity is Integrity.BROKEN


@needs_decoders
def test_whatever_begins_as_a_jpeg_is_decoded_whatever_the_walk_said() -> None:
    content = camera_jpeg()
    hole = holed(content, 250_000, HOLE, 255)
    assert not check_integrity("ORR_0001.JPG", hole)[1].jpeg_spans, "the walk did not come to its end"
    found = check_by_decoding("ORR_0001.JPG", hole)
    assert found.flaws
    many = content[:2] + b"\xff\xfe\0\2" * 5000 + content[2:]
    assert check_integrity("ORR_0001.JPG", many)[0].integrity is Integrity.UNCHECKED
    assert check_by_decoding("ORR_0001.JPG", many).is_decoded


FILM = [coded(30_000, seed) for seed in range(20)] * 20
FILMS = {
    "C0001.MP4": whole_film(b"XAVC", FILM),
    "C0002.MP4": whole_film(b"mp42", FILM, index_first=True),
    "MOV_0001.MOV": whole_film(b"qt  ", FILM),
    "GL010001.LRV": whole_film(b"mp41", FILM, room=3000),
    "MOV_0001.AVI": whole_avi(FILM),
}


@pytest.mark.parametrize("value", [0, 255])
@pytest.mark.parametrize("name", FILMS)
def test_five_mebibytes_of_nothing_in_a_film_are_damage(name: str, value: int) -> None:
    content = FILMS[name]
    assert check_integrity(name, content)[0] == CLEAN
    for at in (*range(0, len(content) - HOLE_IN_FILM, 512 * 701), len(content) - HOLE_IN_FILM):
        found = check_integrity(name, holed(content, at // 512 * 512, HOLE_IN_FILM, value))[0]
        assert found.integrity in DAMAGED, (at, found)


@pytest.mark.parametrize("value", [0, 255])
@pytest.mark.parametrize("name", FILMS)
@pytest.mark.parametrize("half", ["first", "last", "middle"])
def test_a_film_half_of_which_is_nothing_is_damaged(name: str, value: int, half: str) -> None:
    content = FILMS[name]
    at = {"first": 0, "last": len(content) // 2, "middle": len(content) // 4}[half]
    assert check_integrity(name, holed(content, at, len(content) // 2, value))[0].integrity in DAMAGED


def test_a_film_whose_last_samples_are_zeros_is_damaged_and_room_behind_them_is_not() -> None:
    content = whole_film(b"XAVC", FILM, room=6 << 20)
    assert check_integrity("C0001.MP4", content)[0] == CLEAN
    end = content.rindex(FILM[-1]) + len(FILM[-1])
    hole = holed(content, end - HOLE_IN_FILM, HOLE_IN_FILM, 0)
    assert check_integrity("C0001.MP4", hole)[0].integrity is Integrity.SUSPICIOUS


def test_an_index_that_points_behind_the_end_is_broken() -> None:
    content = whole_film(b"XAVC", FILM[:40], index_first=True)
    moved = content.replace(b"stco" + content[content.index(b"stco") + 4 :][:8], b"stco" + bytes(4) + b"\0\0\0\4")
    last = moved.index(b"stco") + 4 + 8 + 4 * 3
    changed = moved[:last] + b"\x7f\xff\xff\xf0" + moved[last + 4 :]
    assert check_integrity("C0001.MP4", changed)[0].integrity is Integrity.BROKEN


@pytest.mark.parametrize("value", [0, 255])
def test_half_a_tiff_of_nothing_is_suspicious(value: int) -> None:
    content = written(noise(900, 600), "TIFF")
    assert check_integrity("scan.tif", content)[0] == CLEAN
    for at in (0, len(content) // 4, len(content) // 2):
        found = check_integrity("scan.tif", holed(content, at, len(content) // 2, value))[0]
        assert found.integrity in DAMAGED, at


@pytest.mark.parametrize("shade", [0, 255])
def test_a_tiff_a_third_of_which_is_black_or_white_is_clean(shade: int) -> None:
    image = noise(900, 600)
    image.paste(Image.new("RGB", (900, 200), (shade,) * 3), (0, 0))
    assert check_integrity("scan.tif", written(image, "TIFF"))[0] == CLEAN


@pytest.mark.parametrize("shade", [0, 255])
def test_a_tiff_of_bare_pixels_that_are_all_one_colour_is_suspicious(shade: int) -> None:
    """It may be a picture; it may as well be a header and nothing behind it. A person looks."""
    content = written(Image.new("RGB", (900, 600), (shade,) * 3), "TIFF")
    assert check_integrity("scan.tif", content)[0].integrity is Integrity.SUSPICIOUS


@pytest.mark.parametrize("value", [0, 255])
@pytest.mark.parametrize("form", ["AVIF", "WEBP", "JPEG2000", "PNG", "GIF"])
def test_one_hole_in_another_picture_is_damage(form: str, value: int) -> None:
    image = noise(240, 240, "P" if form == "GIF" else "RGB")
    how = {"quality": 95} if form in ("AVIF", "WEBP") else {}
    name = {"JPEG2000": "IMG_0001.JP2"}.get(form, f"IMG_0001.{form}")
    content = written(image, form, **how)
    assert check_integrity(name, content)[0] == CLEAN
    for at in starts(content, 16_384):
        file = holed(content, at, HOLE, value)
        found = check_integrity(name, file)[0]
        decoded = can_load_decoders() and check_by_decoding(name, file).flaws
        assert found.integrity in DAMAGED or decoded, (at, found)


@needs_decoders
@pytest.mark.parametrize("how", ["zeros", "ones", "exchanged"])
def test_small_damage_in_a_heif_picture_is_found_by_decoding(how: str) -> None:
    pytest.importorskip("pi_heif")
    content = heic()
    assert check_by_decoding("IMG_0001.HEIC", content) == check_by_decoding("IMG_0001.HEIC", content)
    assert check_by_decoding("IMG_0001.HEIC", content).is_decoded
    assert not check_by_decoding("IMG_0001.HEIC", content).flaws
    start = check_integrity("IMG_0001.HEIC", content)[1].image_spans[0].start + 256
    for at in range(start, len(content) - 2048, 701):
        if how == "exchanged":
            changed = bytearray(content)
            changed[at : at + 512], changed[at + 1024 : at + 1536] = (
                content[at + 1024 : at + 1536],
                content[at : at + 512],
            )
            file = bytes(changed)
        else:
            file = holed(content, at, 512, 0 if how == "zeros" else 255)
        found = check_by_decoding("IMG_0001.HEIC", file)
        assert found.flaws, at
        assert found.flaws[0].is_grave


@needs_decoders
@pytest.mark.parametrize("form", ["PNG", "GIF", "WEBP", "AVIF", "JPEG2000", "TIFF"])
def test_whole_pictures_of_other_forms_decode(form: str) -> None:
    content = written(noise(200, 100, "P" if form == "GIF" else "RGB"), form)
    name = {"JPEG2000": "a.JP2", "TIFF": "a.TIF"}.get(form, f"a.{form}")
    assert (check_by_decoding(name, content).is_decoded, check_by_decoding(name, content).flaws) == (True, ())


@needs_decoders
@pytest.mark.parametrize("form", ["HEIC", "PNG", "GIF", "WEBP", "AVIF", "JPEG2000", "TIFF"])
def test_no_damage_makes_decoding_raise(form: str) -> None:
    image = noise(60, 40, "P" if form == "GIF" else "RGB")
    content = heic() if form == "HEIC" else written(image, form)
    name = {"JPEG2000": "a.JP2", "TIFF": "a.TIF"}.get(form, f"a.{form}")
    for seed in range(200):
        found = check_by_decoding(name, broken_somewhere(content, random.Random(seed)))
        assert found.is_decoded or found.reason or found.flaws


@needs_decoders
def test_a_picture_of_no_form_that_is_read_here_is_no_damage() -> None:
    found = check_by_decoding("IMG_0001.JXL", b"\xff\x0a" + coded(3000))
    assert (found.is_decoded, found.flaws) == (False, ())


@pytest.mark.parametrize("value", [0, 255])
def test_a_jpeg_with_black_all_over_keeps_its_word_and_a_large_hole_in_it_is_told(value: int) -> None:
    content = written(noise(900, 700), "JPEG", progressive=True)
    assert check_integrity("edited.jpg", content)[0] == CLEAN
    for at in starts(content, 32_768):
        assert check_integrity("edited.jpg", holed(content, at, HOLE, value))[0].integrity in DAMAGED, at


def test_no_whole_sample_of_a_real_camera_is_called_damaged() -> None:
    if not SAMPLES.is_dir():
        pytest.skip("no sample files beside the project")
    for name in WHOLE_SAMPLES:
        content = sample(name)
        assert check_integrity(name, content)[0] == CLEAN, name
        assert not can_load_decoders() or not check_by_decoding(name, content).flaws, name


def test_small_files_of_this_project_stay_clean() -> None:
    for name, content in (("ORR_0001.DNG", raw()), ("ORR_0001.JPG", picture()), ("IMG_0001.HEIC", heic())):
        assert check_integrity(name, content)[0] == CLEAN
