"""Pictures that look whole from outside and are not: found by decoding them, in a process that may die of it."""

from __future__ import annotations

import random
import subprocess
import sys
from pathlib import Path

import pytest
from sample_files import WHOLE_SAMPLES, film, heic, picture, raw, sample
from world import World, finished

from tripleguard.cameras.integrity.checker import check_integrity
from tripleguard.cameras.integrity.decode_check import can_load_decoders, check_by_decoding
from tripleguard.errors import UsageError
from tripleguard.jobs.inspect.decoder import PictureDecoder
from tripleguard.model import Integrity
from tripleguard.watch.queue import TaskKind, TaskStatus, WatchTask
from tripleguard.watch.state import WatchState
from tripleguard.watch.tasks import create_job

needs_decoders = pytest.mark.skipif(not can_load_decoders(), reason="tripleguard[decode] is not installed")


def exchanged(content: bytes, seed: int = 1) -> bytes:
    """The JPEG with two blocks of its coded picture exchanged, as a card's controller may mix them up."""
    span = check_integrity("a.JPG", content)[1].image_spans[0]
    changed, source = bytearray(content), random.Random(seed)
    block = (span.end - span.start) // 8
    one, other = span.start + source.randrange(block), span.start + 4 * block + source.randrange(block)
    changed[one : one + block], changed[other : other + block] = (
        changed[other : other + block],
        changed[one : one + block],
    )
    return bytes(changed)


@needs_decoders
@pytest.mark.parametrize("name", WHOLE_SAMPLES)
def test_whole_files_of_real_cameras_decode(name: str) -> None:
    found = check_by_decoding(name, sample(name))
    assert found.flaws == ()
    # LibRaw as it comes in the wheel does not read GoPro's raws.
    assert found.is_decoded is not name.endswith("GPR"), found.reason


@needs_decoders
def test_exchanged_blocks_that_no_structure_shows_are_found() -> None:
    for name in WHOLE_SAMPLES:
        if name.endswith("JPG"):
            broken = exchanged(sample(name))
            found = check_by_decoding(name, broken)
            assert found.flaws or check_integrity(name, broken)[0].integrity is Integrity.BROKEN, name
            assert all(flaw.is_grave for flaw in found.flaws)


@needs_decoders
def test_a_heif_picture_is_decoded_in_the_other_process_too() -> None:
    pytest.importorskip("pi_heif")
    content = heic()
    middle = len(content) // 2
    with PictureDecoder() as decoder:
        whole = decoder.decode("IMG_0001.HEIC", content)
        holed = decoder.decode("IMG_0001.HEIC", content[:middle] + bytes(512) + content[middle + 512 :])
    assert (whole.is_decoded, whole.flaws) == (True, ())
    assert [flaw.is_grave for flaw in holed.flaws] == [True]


@needs_decoders
def test_a_damaged_preview_alone_makes_a_raw_suspicious_and_not_broken() -> None:
    content = raw(size=2 << 20)
    start, end = check_integrity("a.DNG", content)[1].jpeg_spans[0]
    broken = content[:start] + exchanged(content[start:end]) + content[end:]
    found = check_by_decoding("a.DNG", broken)
    assert [flaw.is_grave for flaw in found.flaws] == [False]
    assert "preview does not decode" in found.flaws[0].explanation


@needs_decoders
def test_a_picture_is_found_by_decode_reported_and_keeps_its_card(world: World) -> None:
    card = world.card()
    card.frames(2)
    card.put("DCIM/100ORREY/ORR_0008.JPG", picture(8, 640, 424))
    card.put("DCIM/100ORREY/ORR_0009.JPG", exchanged(picture(9, 640, 424)))
    assert world.run("offload", card.root).status == 0, "its structure is whole"
    answer = world.run("decode", "--json")
    assert answer.status == 1, answer.err
    found = answer.json
    assert (found["decoded"], found["left"], found["unread"]) == (4, 0, 0)
    assert [one["path"] for one in found["damaged"]] == ["DCIM/100ORREY/ORR_0009.JPG"]
    assert world.run("clearance", "card", card.root).status == 1
    assert "does not decode" in world.run("report").out
    again = world.run("decode", "--json")
    assert (again.status, again.json["decoded"]) == (0, 0), "each picture is decoded once"
    assert "1 damaged at source" in world.run("log").out


def swapped(content: bytes) -> bytes:
    """A raw whose magic number is in the other byte order, as one camera's KDC has it; LibRaw does not mind."""
    return content[:2] + content[3:1:-1] + content[4:]


@needs_decoders
def test_a_raw_that_only_begins_oddly_is_cleared_once_it_was_decoded(world: World) -> None:
    card = world.card()
    card.put("DCIM/100ORREY/P0000001.KDC", swapped(raw(size=1 << 20)))
    card.put("DCIM/100ORREY/ORR_0002.NEF", swapped(raw(8, size=1 << 20)))
    before = world.run("offload", card.root, "--json").json["whole"]
    assert [one["path"] for one in before["damaged"]] == ["DCIM/100ORREY/ORR_0002.NEF"]
    assert before["not_checkable"] == 1
    assert world.run("decode", "--json").json["damaged"] == []
    for _ in range(2):
        after = world.run("offload", card.root, "--json")
        assert (after.status, after.json["whole"]["damaged"], after.json["whole"]["not_checkable"]) == (0, [], 0)


@needs_decoders
def test_decoding_explains_no_hole_and_no_stranger(world: World) -> None:
    card = world.card()
    holed = bytearray(raw(size=1 << 20))
    holed[600 << 10 : 680 << 10] = bytes(80 << 10)
    card.put("DCIM/100ORREY/ORR_0001.DNG", bytes(holed))
    card.put("DCIM/100ORREY/ORR_0002.NEF", picture(8, 640, 424))
    assert len(world.run("offload", card.root, "--json").json["whole"]["damaged"]) == 2
    world.run("decode")
    assert len(world.run("offload", card.root, "--json").json["whole"]["damaged"]) == 2


@needs_decoders
def test_a_rotten_copy_is_not_taken_for_a_damaged_picture(world: World) -> None:
    card = world.card()
    card.put("DCIM/100ORREY/ORR_0001.JPG", picture(8, 640, 424))
    world.run("offload", card.root)
    for drive in world.drives.values():
        copy = next(drive.rglob("ORR_0001.JPG"))
        content = exchanged(copy.read_bytes())
        copy.write_bytes(content)
    found = world.run("decode", "--json").json
    assert (found["damaged"], found["unread"], found["left"]) == ([], 1, 1)


@needs_decoders
def test_decode_stops_when_its_time_is_up_and_goes_on_another_night(world: World) -> None:
    card = world.card()
    card.frames(3)
    world.run("offload", card.root)
    assert world.run("decode", "--for", "0.001s", "--json").status in (0, 2)
    assert world.run("decode", "--json").json["left"] == 0


@needs_decoders
def test_what_a_night_has_left_goes_to_decoding(world: World) -> None:
    card = world.card()
    card.frames(2)
    card.put("DCIM/100ORREY/ORR_0003.JPG", exchanged(picture(9, 640, 424)))
    assert world.run("offload", card.root).status == 0
    with world.ctx() as ctx:
        ended = finished(create_job(ctx, WatchTask(TaskKind.DUE_RESCAN, time_limit_s=600.0), WatchState(ctx.home)))
    assert ended.status is TaskStatus.NEEDS_ATTENTION
    assert "3 pictures decoded, 1 damaged at source" in ended.message
    assert "ORR_0003.JPG" in ended.notification
    with world.ctx() as ctx:
        ended = finished(create_job(ctx, WatchTask(TaskKind.DUE_RESCAN, time_limit_s=600.0), WatchState(ctx.home)))
    assert ended.status is TaskStatus.DONE


SCRIPTED = """
import json, sys, time
print(json.dumps({"ready": True}), flush=True)
for line in sys.stdin.buffer:
    asked = json.loads(line)
    sys.stdin.buffer.read(asked["size"])
    if asked["name"] == "dies": sys.exit(1)
    if asked["name"] == "hangs": time.sleep(60)
    if asked["name"] == "babbles": print("Corrupt!", flush=True)
    else: print(json.dumps({"flaws": [], "decoded": True, "why": ""}), flush=True)
"""


@pytest.mark.parametrize("how", ["dies", "hangs", "babbles"])
def test_a_picture_that_kills_the_decoder_takes_nothing_with_it(how: str) -> None:
    with PictureDecoder([sys.executable, "-c", SCRIPTED], timeout_s=1.0) as decoder:
        assert decoder.decode("good", b"x" * 100_000).is_decoded
        found = decoder.decode(how, b"x" * 100_000)
        assert [flaw.is_grave for flaw in found.flaws] == [False]
        assert not found.is_decoded
        assert decoder.decode("good", b"x").is_decoded, "a new one goes on"


def test_without_the_decoders_it_says_what_to_install() -> None:
    missing = 'import json; print(json.dumps({"ready": False}), flush=True)'
    with (
        pytest.raises(UsageError, match="not installed") as caught,
        PictureDecoder([sys.executable, "-c", missing]),
    ):
        pass
    assert "tripleguard[decode]" in caught.value.do


@needs_decoders
@pytest.mark.skipif(sys.platform == "win32", reason="limits of a process are set as POSIX has them")
def test_a_picture_that_asks_for_all_memory_is_passed_over() -> None:
    # A frame of 65,000 x 65,000 pixels, which a header can say in a few bytes.
    content = bytearray(picture())
    frame = content.index(b"\xff\xc0")
    content[frame + 5 : frame + 9] = b"\xfd\xe8\xfd\xe8"
    with PictureDecoder() as decoder:
        found = decoder.decode("ORR_0001.JPG", bytes(content))
        assert not found.is_decoded
        assert "pixels" in found.reason
        assert decoder.decode("ORR_0001.JPG", picture()).is_decoded


def test_nothing_is_imported_from_where_the_person_stands(tmp_path: Path) -> None:
    """A card may hold a folder of that name."""
    trap = tmp_path / "tripleguard"
    trap.mkdir()
    (trap / "__init__.py").write_text("raise SystemExit('imported from the card')")
    code = "from tripleguard.jobs.inspect.decoder import PictureDecoder\n"
    code += "with PictureDecoder() as d: print(d.decode('a.JPG', b'x').is_decoded)"
    done = subprocess.run(
        [sys.executable, "-P", "-c", code], cwd=tmp_path, capture_output=True, check=False, timeout=60
    )
    assert b"imported from the card" not in done.stdout + done.stderr
    assert done.returncode == 0 or b"not installed" in done.stderr


@needs_decoders
def test_a_yes_says_how_many_pictures_are_not_decoded_yet_and_stays_a_yes(world: World) -> None:
    card = world.card()
    card.frames(3)
    card.put("DCIM/100ORREY/ORR_0008.MP4", film())
    answer = world.run("offload", card.root)
    assert answer.status == 0
    assert "Note: 3 pictures are not decoded yet" in answer.out
    world.run("decode")
    answer = world.run("clearance", "card", card.root)
    assert answer.status == 0
    assert "not decoded" not in answer.out


@needs_decoders
def test_a_damage_that_a_person_lives_with_is_not_told_again_by_decode(world: World) -> None:
    card = world.card()
    whole = raw(size=2 << 20)
    card.put("DCIM/100ORREY/ORR_0009.DNG", whole[:-100_000])
    assert world.run("offload", card.root, "--accept-damaged").status == 0
    found = world.run("decode", "--json")
    assert (found.status, found.json["damaged"]) == (0, [])
