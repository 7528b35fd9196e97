"""Pictures that are odd and whole: edited, padded, appended to. Nobody may hear that they are damaged.

Written by Pillow and libjpeg-turbo, which know nothing of what is looked for here; libjpeg-turbo decodes each of
the JPEGs without a warning.
"""

from __future__ import annotations

import io
import random

import pytest
from PIL import Image, ImageDraw
from sample_files import film

from tripleguard.cameras.integrity.checker import check_integrity
from tripleguard.cameras.integrity.decode_check import check_by_decoding
from tripleguard.model import Integrity, IntegrityVerdict

CLEAN = IntegrityVerdict(Integrity.CLEAN)


def stage(width: int = 2400, height: int = 1600) -> Image.Image:
    """A bright figure, and around it nothing but black: how an edited picture of a concert looks."""
    picture = Image.new("RGB", (width, height))
    noise = Image.frombytes("RGB", (300, 300), random.Random(4).randbytes(270_000))
    picture.paste(noise, (width // 2, height // 2))
    ImageDraw.Draw(picture).ellipse((100, 100, 400, 500), fill=(250, 240, 180))
    return picture


def written(picture: Image.Image, form: str, **how: object) -> bytes:
    out = io.BytesIO()
    picture.save(out, form, **how)
    return out.getvalue()


def verdict(name: str, content: bytes) -> IntegrityVerdict:
    return check_integrity(name, content)[0]


@pytest.mark.parametrize(
    "how",
    [
        {},
        {"optimize": True},
        {"progressive": True},
        {"quality": 100, "subsampling": 0},
        {"optimize": True, "restart_marker_blocks": 3},
    ],
)
@pytest.mark.parametrize("mode", ["RGB", "L", "CMYK"])
def test_an_edited_jpeg_with_a_black_background_is_clean(mode: str, how: dict[str, object]) -> None:
    """Where an editor made the tables for this one picture, black is a row of zero bits: no hole."""
    content = written(stage().convert(mode), "JPEG", **how)
    assert verdict("edited.jpg", content) == CLEAN
    assert not check_by_decoding("edited.jpg", content).flaws


@pytest.mark.parametrize("compression", ["tiff_lzw", "tiff_adobe_deflate", "packbits", "jpeg"])
@pytest.mark.parametrize("shade", [0, 255])
def test_a_compressed_tiff_that_is_black_or_white_all_over_is_clean(compression: str | None, shade: int) -> None:
    content = written(Image.new("RGB", (900, 600), (shade,) * 3), "TIFF", compression=compression)
    assert verdict("edited.tif", content) == CLEAN


def test_a_large_tiff_is_not_said_to_begin_wrongly() -> None:
    content = written(stage(), "TIFF", big_tiff=True)
    assert verdict("edited.tif", content).integrity is Integrity.UNCHECKED


@pytest.mark.parametrize("behind", [bytes(70_000), b"\xff" * 5000, film(), b"\xff\xd9", b"a note"])
def test_what_another_program_hangs_on_a_jpeg_is_no_damage(behind: bytes) -> None:
    assert verdict("ORR_0001.JPG", written(stage(), "JPEG") + behind) == CLEAN


@pytest.mark.parametrize("note", [b"\xff\xfe\0\4hi", b"\xff\xe5\0\4hi\xff\xfe\0\4ho"])
def test_a_note_behind_the_picture_is_no_damage_and_a_chance_marker_is(note: bytes) -> None:
    content = written(stage(), "JPEG")
    assert verdict("ORR_0001.JPG", content[:-2] + note + content[-2:]) == CLEAN
    middle = len(content) // 2
    assert verdict("ORR_0001.JPG", content[:middle] + note + content[middle:]).integrity is Integrity.BROKEN


def test_further_pictures_with_a_wrong_length_are_whole_and_cut_ones_are_not() -> None:
    """Pillow writes the length of a third one wrong (CIPA DC-007, 5.2.3.3); what lies there ends all the same."""
    first = stage()
    content = written(
        first, "MPO", save_all=True, append_images=[first.resize((300, 200)), first.resize((600, 400))]
    )
    assert verdict("ORR_0001.MPO", content) == CLEAN
    for missing in (1, 100, 10_000):
        assert verdict("ORR_0001.MPO", content[:-missing]).integrity is Integrity.BROKEN
    stripped = content[: content.index(b"\xff\xd9\xff\xd8") + 2]
    assert verdict("ORR_0001.JPG", stripped).integrity is Integrity.SUSPICIOUS, "its first picture is whole"


def test_a_picture_of_the_web_is_no_damaged_sound() -> None:
    """WebP is RIFF, too."""
    assert verdict("ORR_0001.JPG", written(stage(), "WEBP")).integrity is not Integrity.BROKEN


def test_room_that_was_kept_for_a_film_and_a_makers_own_end_are_no_damage() -> None:
    own = b"sixteen bytes of a maker's own" * 50 + b"8db42d694ccc418790edff439fe026bf"
    for behind in (bytes(9000), own):
        assert verdict("ORR_0001.INSV", film(index_first=True) + behind) == CLEAN
    assert verdict("ORR_0001.INSV", film(index_first=True) + own[:-1]).integrity is Integrity.SUSPICIOUS
    without_index = film().partition(b"moov")[0][:-4]
    assert verdict("ORR_0001.MP4", without_index + bytes(300)).integrity is Integrity.BROKEN
