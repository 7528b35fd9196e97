"""The picture a file shows of itself: out of raws and JPEGs, upright, small, bounded, and private.

Orientation: Exif (CIPA DC-008), 4.6.4, table of tag 0x0112; each of the eight is checked against the pixels.
"""

from __future__ import annotations

import io
import os
import stat
import struct
import subprocess
import sys
import zlib
from datetime import datetime
from pathlib import Path

import pytest
from disk_images import SAMPLES
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from steps import at_most
from world import World

from tripleguard.cameras.previews import PREVIEW_LONG_SIDE, PreviewFinder, measure_coefficient_memory, scale_jpeg
from tripleguard.catalog import file_queries
from tripleguard.demo.camera_files import make_camera_jpeg, make_raw
from tripleguard.home import MAX_PREVIEWS, create_home, read_preview, resolve_home, store_preview
from tripleguard.jobs.drives import locate_drives, open_drives
from tripleguard.jobs.inspect.previews import make_preview

TAKEN = datetime(2026, 6, 13, 21, 30)


def jpeg(width: int, height: int, **how: object) -> bytes:
    """A JPEG whose corners are red (top left), green, blue and white (bottom right)."""
    picture = Image.new("RGB", (width, height))
    half = (width // 2, height // 2)
    for color, at in (
        ((255, 0, 0), (0, 0)),
        ((0, 255, 0), (half[0], 0)),
        ((0, 0, 255), (0, half[1])),
        ((255, 255, 255), half),
    ):
        picture.paste(color, (*at, at[0] + half[0], at[1] + half[1]))
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=95, **how)
    return out.getvalue()


def opened_picture(content: bytes | None) -> Image.Image:
    assert content is not None
    picture = Image.open(io.BytesIO(content))
    picture.load()
    return picture


def sought(name: str, content: bytes, step: int = 1 << 20) -> tuple[bytes | None, int]:
    """What a seeker finds, and how much of the file it wanted."""
    seeker, at = PreviewFinder(name, len(content)), 0
    while at < len(content) and not seeker.has_enough:
        seeker.feed(content[at : at + step])
        at += step
    best = seeker.get_best()
    return (None if best is None else scale_jpeg(best, seeker.orientation)), min(at, len(content))


@pytest.mark.parametrize(
    ("orientation", "corners"),
    [
        # Exif: where row 0 and column 0 of what is stored are seen; top left, top right, bottom left, bottom right
        (1, "rgbw"),
        (2, "grwb"),
        (3, "wbgr"),
        (4, "bwrg"),
        (5, "rbgw"),
        (6, "brwg"),
        (7, "wgbr"),
        (8, "gwrb"),
    ],
)
def test_a_picture_is_turned_upright(orientation: int, corners: str) -> None:
    picture = opened_picture(scale_jpeg(jpeg(1200, 800), orientation))
    assert picture.size == ((PREVIEW_LONG_SIDE, 320) if orientation < 5 else (320, PREVIEW_LONG_SIDE))
    width, height = picture.size
    names = {(255, 0, 0): "r", (0, 255, 0): "g", (0, 0, 255): "b", (255, 255, 255): "w"}
    seen = ""
    for x, y in ((10, 10), (width - 10, 10), (10, height - 10), (width - 10, height - 10)):
        pixel = picture.getpixel((x, y))
        assert isinstance(pixel, tuple)
        seen += next(
            name
            for color, name in names.items()
            if all(abs(a - b) < 60 for a, b in zip(color, pixel, strict=True))
        )
    assert seen == corners


def test_a_raw_shows_the_picture_inside_it_the_right_way_up() -> None:
    raw = make_raw(7, taken_at=TAKEN, subsec=0, offset="+02:00", serial="1", size=1_200_000, orientation=6)
    found, wanted = sought("ORR_0001.DNG", raw)
    picture = opened_picture(found)
    assert picture.height > picture.width
    assert max(picture.size) <= PREVIEW_LONG_SIDE
    assert wanted <= len(raw)


def test_nothing_but_the_picture_is_kept() -> None:
    """Where, when and with which body is not for a page."""
    content = make_camera_jpeg(
        1, taken_at=TAKEN, subsec=0, offset="+02:00", serial="40017731", width=640, height=480
    )
    small = scale_jpeg(content)
    assert small is not None
    assert b"Exif" not in small
    assert b"40017731" not in small
    assert not opened_picture(small).getexif()


def test_real_files_of_many_makers_show_themselves() -> None:
    """Samples and what they are: MANIFEST beside them. Sizes and orientation as their makers wrote them."""
    if not SAMPLES.is_dir():
        pytest.skip("the sample files are not here")
    shown = {}
    for path in sorted(SAMPLES.iterdir()):
        if path.suffix.lower() in (".jpg", ".crw"):
            found, _ = sought(path.name, path.read_bytes())
            shown[path.name] = found is not None and max(opened_picture(found).size) <= PREVIEW_LONG_SIDE
    assert shown
    assert [name for name, good in shown.items() if not good] == []
    # There is no JPEG in this one.
    assert sought("GOPR8508.GPR", (SAMPLES / "GOPR8508.GPR").read_bytes())[0] is None


def forged(width: int, height: int) -> bytes:
    """A small JPEG that says it is large: the size in its frame (ITU-T T.81, B.2.2) is overwritten."""
    content = bytearray(jpeg(64, 64))
    at = content.index(b"\xff\xc0")
    struct.pack_into(">HH", content, at + 5, height, width)
    return bytes(content)


@pytest.mark.parametrize(("width", "height"), [(65_500, 65_500), (20_000, 8_001), (65_500, 4)])
def test_a_picture_that_would_fill_the_memory_is_not_decoded(width: int, height: int) -> None:
    assert scale_jpeg(forged(width, height)) is None


def test_a_large_picture_in_several_scans_is_not_decoded() -> None:
    """A decoder holds all of it at once; no camera writes one. Bytes: two for each sample (ITU-T T.81, A.1)."""
    small = jpeg(640, 480, progressive=True, subsampling=0)
    assert scale_jpeg(small) is not None
    assert measure_coefficient_memory(small) == 640 * 480 * 3 * 2
    assert measure_coefficient_memory(jpeg(640, 480, progressive=True, subsampling=2)) == 640 * 480 * 3
    assert measure_coefficient_memory(jpeg(640, 480)) == 0
    content = bytearray(small)
    at = content.index(b"\xff\xc2")
    struct.pack_into(">HH", content, at + 5, 8000, 8000)
    assert scale_jpeg(bytes(content)) is None
    one_colour_a_scan = bytearray(forged(12_000, 12_000))
    one_colour_a_scan[one_colour_a_scan.index(b"\xff\xda") + 4] = 1
    assert scale_jpeg(bytes(one_colour_a_scan)) is None


@pytest.mark.skipif(sys.platform != "linux", reason="the most memory taken stands in /proc on Linux only")
def test_a_picture_as_wide_as_can_be_takes_little_memory(tmp_path: Path) -> None:
    """The decoder leaves nothing out of a picture that is low enough: half a gigabyte, if it were drawn."""
    wide = jpeg(65_500, 600)
    code = (
        "import sys; from tripleguard.cameras.previews import scale_jpeg\n"
        "scale_jpeg(open(sys.argv[1], 'rb').read())\n"
        "print(next(line for line in open('/proc/self/status') if line.startswith('VmHWM')).split()[1])"
    )
    path = tmp_path / "wide.jpg"
    path.write_bytes(wide)
    taken = subprocess.run([sys.executable, "-c", code, path], capture_output=True, check=True).stdout
    assert int(taken) < 100 << 10, "KiB (proc(5))"


def test_a_raw_that_names_its_picture_a_thousand_times_is_looked_at_once_or_twice() -> None:
    """A heap of CIFF (1.0, revision 4; from memory) may name anything that lies in it, again and again."""
    entries = [struct.pack("<HII", 0x2007, (8 << 20) - number, 0) for number in range(500)]
    body = jpeg(64, 64).ljust(8 << 20, b"\1")
    directory = struct.pack("<H", len(entries)) + b"".join(entries) + struct.pack("<I", len(body))
    content = b"II\x1a\0\0\0HEAPCCDR\2\0\1\0".ljust(26, b"\0") + body + directory
    with at_most(50_000):
        sought("ORR_0001.CRW", content)


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_whatever_the_bytes_are_there_is_a_small_picture_or_none(data: st.DataObject) -> None:
    content = bytearray(_BASE)
    for _ in range(data.draw(st.integers(1, 12))):
        content[data.draw(st.integers(2, len(content) - 1))] = data.draw(st.integers(0, 255))
    cut = data.draw(st.integers(0, len(content)))
    for bytes_ in (bytes(content), bytes(content[:cut])):
        small = scale_jpeg(bytes_)
        assert small is None or max(opened_picture(small).size) <= PREVIEW_LONG_SIDE
    sought("ORR_0001.DNG", bytes(content), step=50_000)


_BASE = jpeg(300, 200)


def test_a_preview_comes_from_a_verified_copy_and_is_kept(world: World) -> None:
    card = world.card()
    card.raw("DCIM/100ORREY/ORR_0001.DNG", size=300_000)
    card.put("DCIM/100ORREY/ORR_0002.WAV", b"spoken" * 100)
    world.run("offload", card.root)
    with world.ctx() as ctx, open_drives(ctx, locate_drives(ctx), "a test", for_writing=False) as ready:
        raw, sound = (file_queries.get_file(ctx.catalog, number) for number in (1, 2))
        if raw.name.endswith("WAV"):
            raw, sound = sound, raw
        assert make_preview(ctx, sound, ready.connected) is None
        assert make_preview(ctx, raw, []) is None
        first = make_preview(ctx, raw, ready.connected)
        assert max(opened_picture(first).size) <= PREVIEW_LONG_SIDE
        # From the home now: no drive is needed any more.
        assert make_preview(ctx, raw, []) == first
        kept = ctx.home.previews
        assert stat.S_IMODE(kept.stat().st_mode) == 0o700
        assert [stat.S_IMODE(path.stat().st_mode) for path in kept.iterdir()] == [0o600]


def test_a_copy_that_rotted_is_no_source_of_a_preview(world: World) -> None:
    card = world.card()
    card.raw("DCIM/100ORREY/ORR_0001.DNG", size=300_000)
    world.run("offload", card.root)
    for root in world.drives.values():
        next(root.glob("2026/*/*/*.DNG")).unlink()
    with world.ctx() as ctx, open_drives(ctx, locate_drives(ctx), "a test", for_writing=False) as ready:
        assert make_preview(ctx, file_queries.get_file(ctx.catalog, 1), ready.connected) is None


def test_the_oldest_previews_give_way(tmp_path: Path) -> None:
    home = resolve_home(str(tmp_path))
    create_home(home)
    for number in range(MAX_PREVIEWS + 5):
        name = f"{zlib.crc32(str(number).encode()):08x}"
        store_preview(home, name, b"%d" % number)
        os.utime(home.previews / f"{name}.jpg", ns=(number * 10**9, number * 10**9))
    assert len(list(home.previews.iterdir())) == MAX_PREVIEWS
    assert read_preview(home, f"{zlib.crc32(b'0'):08x}") is None
    assert read_preview(home, name) == b"%d" % (MAX_PREVIEWS + 4)
