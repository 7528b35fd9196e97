"""A companion follows its picture to where that lies on each drive, by its content, whatever a clock says."""

from __future__ import annotations

import io
import wave
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from archive_faults import archive, rot
from world import EVENING, CardFolder, World

from tripleguard.catalog import file_queries
from tripleguard.catalog.selects import list_selects
from tripleguard.digest import compute_digest
from tripleguard.jobs.frame_files import files_of_frame

pytestmark = pytest.mark.alone

NEXT_WEEK = EVENING + timedelta(days=8)
OLD = datetime(2019, 5, 4, 15, 0)


def _beside(world: World, drive: str, picture: bytes, suffix: str) -> list[bytes]:
    """What lies beside each copy of a picture under its very name there, with another suffix."""
    root, found = world.drives[drive], []
    for path, digest in world.on(drive).items():
        if digest == compute_digest(picture):
            other = (root / path).with_suffix(suffix)
            found += [other.read_bytes()] if other.exists() else []
    return found


def _timeless(card: CardFolder, path: str, seed: int = 7, *, at: datetime = EVENING) -> bytes:
    """A camera JPEG without its APP1 segment (Exif 2.32, 4.5.4), which says when it was taken."""
    content = card.picture(path, seed=seed).read_bytes()
    assert content[2:4] == b"\xff\xe1"
    content = content[:2] + content[4 + int.from_bytes(content[4:6], "big") :]
    card.put(path, content, at=at)
    return content


def _spoken() -> bytes:
    """A spoken note: a fiftieth of a second of silence."""
    out = io.BytesIO()
    with wave.open(out, "wb") as note:
        note.setnchannels(1)
        note.setsampwidth(2)
        note.setframerate(8000)
        note.writeframes(bytes(320))
    return out.getvalue()


def _answered(world: World, card: CardFolder, *options: str) -> None:
    """The card is answered with yes at once, and no run after that adds anything."""
    answer = world.run("offload", card.root, *options)
    assert answer.status == 0, answer.out + answer.err
    before = {name: world.on(name) for name in world.drives}
    for _ in range(2):
        assert world.run("offload", card.root, *options).status == 0
    assert {name: world.on(name) for name in world.drives} == before
    assert world.run("clearance", "card", card.root).status == 0


@pytest.mark.parametrize("suffix", [".xmp", ".THM", ".WAV"])
@pytest.mark.parametrize("taken", [None, EVENING])
def test_what_belongs_to_a_picture_and_was_written_another_day_lies_beside_it(
    world: World, suffix: str, taken: datetime | None
) -> None:
    card = world.card()
    path = "DCIM/100ORREY/ORR_0001.JPG"
    content = _timeless(card, path) if taken is None else card.picture(path, taken=taken).read_bytes()
    note = _spoken() if suffix == ".WAV" else b"<x/>"
    card.put(f"DCIM/100ORREY/ORR_0001{suffix}", note, at=NEXT_WEEK)
    _answered(world, card)
    for drive in world.drives:
        assert _beside(world, drive, content, suffix) == [note]


@pytest.mark.parametrize("taken", [None, EVENING])
def test_a_sidecar_added_later_under_another_shoot_lies_beside_its_picture(
    world: World, taken: datetime | None
) -> None:
    card = world.card()
    path = "DCIM/100ORREY/ORR_0001.JPG"
    content = _timeless(card, path) if taken is None else card.picture(path, taken=taken).read_bytes()
    assert world.run("offload", card.root, "--shoot", "Harbour").status == 0
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x/>", at=NEXT_WEEK)
    _answered(world, card, "--shoot", "Pier")
    for drive in world.drives:
        assert _beside(world, drive, content, ".xmp") == [b"<x/>"]


def test_a_sidecar_without_a_picture_is_copied_once_and_answered_with_yes(world: World) -> None:
    card = world.card()
    card.put("DCIM/100ORREY/ORR_0007.xmp", b"<x/>", at=NEXT_WEEK)
    _answered(world, card)


def test_two_pictures_of_one_name_in_two_folders_each_keep_their_own_sidecar(world: World) -> None:
    card, contents = world.card(), []
    for number in (100, 101):
        folder = f"DCIM/{number}ORREY"
        contents.append(_timeless(card, f"{folder}/ORR_0001.JPG", number))
        card.put(f"{folder}/ORR_0001.xmp", b"<x n='%d'/>" % number, at=NEXT_WEEK)
    _answered(world, card)
    for drive in world.drives:
        assert [_beside(world, drive, content, ".xmp") for content in contents] == [
            [b"<x n='100'/>"],
            [b"<x n='101'/>"],
        ]


@pytest.mark.parametrize("equal", [False, True])
def test_two_cards_with_one_name_each_keep_their_own_sidecar(world: World, equal: bool) -> None:
    """Also when both sidecars hold the same bytes, and when each came only with a later run of its card."""
    cards = [world.card("one"), world.card("two")]
    contents = [_timeless(card, "DCIM/100ORREY/ORR_0001.JPG", n) for n, card in enumerate(cards, 1)]
    for card in cards:
        _answered(world, card)
    settings = [b"<x/>" if equal else b"<x n='%d'/>" % n for n in (1, 2)]
    for card, content in reversed(list(zip(cards, settings, strict=True))):
        card.put("DCIM/100ORREY/ORR_0001.xmp", content, at=NEXT_WEEK)
        _answered(world, card, "--shoot", "Pier")
    for drive in world.drives:
        assert [_beside(world, drive, content, ".xmp") for content in contents] == [[one] for one in settings]


def test_a_sidecar_follows_its_picture_into_an_archive_made_by_hand(world: World) -> None:
    """The picture lies under two names in two folders that no layout knows."""
    card = world.card()
    content = card.raw("DCIM/100ORREY/ORR_0001.DNG").read_bytes()
    for drive, path in (("A", "old/2019-05-04 Quay/ORR_0001.DNG"), ("B", "archive/quay/best.DNG")):
        CardFolder(world.drives[drive]).put(path, content)
    world.run("adopt")
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x/>", at=NEXT_WEEK)
    _answered(world, card)
    for drive in world.drives:
        assert _beside(world, drive, content, ".xmp") == [b"<x/>"]
        assert len(world.on(drive)) == 2


def test_a_sidecar_finds_the_picture_of_a_card_that_was_offloaded_to_another_drive(world: World) -> None:
    """Drive C gets the picture late and under another number; the sidecar goes beside it there too."""
    first, second = world.card("one"), world.card("two")
    _timeless(first, "DCIM/100ORREY/ORR_0001.JPG", 1)
    content = _timeless(second, "DCIM/100ORREY/ORR_0001.JPG", 2)
    second.put("DCIM/100ORREY/ORR_0001.xmp", b"<x/>", at=NEXT_WEEK)
    world.drives["C"] = world.folder("drive-c")
    assert world.run("drives", "add", "C", world.drives["C"]).status == 0
    for card in (first, second):
        _answered(world, card, *("--drive", "A", "--drive", "B"))
    world.run("drives", "lost", "A")
    world.run("topup")
    assert _beside(world, "C", content, ".xmp") == [b"<x/>"]
    assert world.run("report").status == 0


# Two archives made by hand, with the same names and different pictures


def _hand_made(
    world: World, *, equal: bool = False, path: str = "old/2019-05-04 Quay/ORR_0001"
) -> dict[str, bytes]:
    """One path on two drives, two pictures, each with settings of its own; picture by drive."""
    pictures: dict[str, bytes] = {}
    for number, drive in enumerate("AB", 1):
        card = CardFolder(world.drives[drive])
        pictures[drive] = card.raw(f"{path}.DNG", seed=number, taken=OLD).read_bytes()
        settings = b"<x/>" if equal else b"<x rating='%d'/>" % number
        card.put(f"{path}.xmp", settings, at=OLD + timedelta(hours=number))
    world.run("adopt")
    return pictures


def _settings(world: World, drive: str, picture: bytes) -> list[bytes]:
    return _beside(world, drive, picture, ".xmp")


def _quarantined(world: World) -> list[Path]:
    return [
        path
        for root in world.drives.values()
        for path in root.glob(".tripleguard/quarantine/**/*")
        if path.is_file() and not path.name.endswith(".why.txt")
    ]


@pytest.mark.parametrize("equal", [False, True])
def test_each_picture_keeps_its_own_settings_through_the_nights(world: World, equal: bool) -> None:
    pictures = _hand_made(world, equal=equal)
    for command in (("repair",), ("topup",), ("rescan", "--all"), ("repair",), ("topup",), ("rescan", "--quick")):
        world.run(*command)
    for number, picture in enumerate(pictures.values(), 1):
        own = b"<x/>" if equal else b"<x rating='%d'/>" % number
        for drive in "AB":
            assert _settings(world, drive, picture) == [own], drive
    assert _quarantined(world) == []
    assert world.run("report").status == 0, world.run("report").out


def test_an_edit_beside_one_of_two_pictures_of_one_path_goes_to_that_picture_alone(world: World) -> None:
    pictures = _hand_made(world)
    edited = world.drives["A"] / "old/2019-05-04 Quay/ORR_0001.xmp"
    edited.write_bytes(b"<x rating='1' label='red'/>")
    for command in (("rescan", "--quick"), ("repair",), ("topup",), ("rescan", "--all"), ("repair",), ("topup",)):
        world.run(*command)
    for drive in "AB":
        assert _settings(world, drive, pictures["A"]) == [b"<x rating='1' label='red'/>"]
        assert _settings(world, drive, pictures["B"]) == [b"<x rating='2'/>"]
    assert world.run("report").status == 0, world.run("report").out


def test_ratings_of_two_pictures_of_one_path_choose_each_their_own(world: World) -> None:
    pictures = _hand_made(world)
    for drive, rating in (("A", 5), ("B", 1)):
        (world.drives[drive] / "old/2019-05-04 Quay/ORR_0001.xmp").write_bytes(_xmp(rating))
    world.run("selects", "learn")
    with world.ctx() as ctx:
        chosen = [select.known_file.file.digest for select in list_selects(ctx.catalog)]
    assert chosen == [compute_digest(pictures["A"])]


def test_two_selects_of_one_path_bring_their_own_sidecars_along(world: World) -> None:
    _hand_made(world)
    sidecars = {drive: world.drives[drive] / "old/2019-05-04 Quay/ORR_0001.xmp" for drive in "AB"}
    for number, path in enumerate(sidecars.values(), 4):
        path.write_bytes(_xmp(number))
    world.run("selects", "learn")
    with world.ctx() as ctx:
        frames = [files_of_frame(ctx.catalog, select.known_file.id) for select in list_selects(ctx.catalog)]
        held = [
            {file_queries.get_file(ctx.catalog, member.file_id).file.digest for member in frame}
            for frame in frames
        ]
    wanted = [
        {compute_digest(path.read_bytes()), compute_digest(path.with_suffix(".DNG").read_bytes())}
        for path in sidecars.values()
    ]
    assert sorted(map(sorted, held)) == sorted(map(sorted, wanted))


def test_a_drive_with_settings_that_lie_beside_another_picture_elsewhere_is_kept(world: World) -> None:
    """Equal settings beside another picture are another statement: no copy of these."""
    pictures = _hand_made(world, equal=True)
    (world.drives["B"] / "old/other").mkdir()
    (world.drives["B"] / "old/other/ORR_0001.DNG").write_bytes(pictures["A"])
    world.drives["C"] = world.folder("drive-c")
    assert world.run("drives", "add", "C", world.drives["C"]).status == 0
    CardFolder(world.drives["C"]).put("x/ORR_0001.DNG", pictures["A"])
    world.run("adopt")
    answer = world.run("clearance", "drive", "A", "--json").json
    assert answer["answer"] == "no"
    assert answer["uncovered"][0]["path"].endswith("ORR_0001.xmp")
    assert world.run("retire", "A", "--prepare").status == 0
    for drive in "BC":
        assert _settings(world, drive, pictures["A"]) == [b"<x/>"], drive


def _xmp(rating: int) -> bytes:
    """A sidecar with this rating (XMP specification part 1, 7.4, and part 2, 2.2.1: xmp:Rating)."""
    return (
        b'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
        b'<rdf:Description xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="%d"/></rdf:RDF></x:xmpmeta>'
        % rating
    )


def test_a_new_sidecar_beside_another_picture_is_not_the_missing_one_of_equal_bytes(world: World) -> None:
    """One name in two folders: what is missing beside the first picture did not move to the second."""
    card = CardFolder(world.drives["A"])
    for folder, number in (("old/2019-05-04 Quay", 1), ("old/2019-05-05 Pier", 2)):
        card.raw(f"{folder}/ORR_0001.DNG", seed=number, taken=OLD)
    first, second = (world.drives["A"] / f"old/2019-05-{day}/ORR_0001.xmp" for day in ("04 Quay", "05 Pier"))
    first.write_bytes(b"<x/>")
    world.run("adopt")
    world.run("topup")
    first.unlink()
    second.write_bytes(b"<x/>")
    for command in (("rescan", "--quick"), ("repair",), ("topup",)):
        world.run(*command)
    for drive in "AB":
        for folder in ("old/2019-05-04 Quay", "old/2019-05-05 Pier"):
            assert (world.drives[drive] / folder / "ORR_0001.xmp").read_bytes() == b"<x/>", (drive, folder)
    assert world.run("report").status == 0, world.run("report").out


# What is in quarantine


def test_after_a_repair_the_bad_copy_that_lies_aside_is_no_reason(world: World) -> None:
    """With the other drive away, that is the reason, and connecting it helps."""
    card, a, _ = archive(world)
    rot(a / "ORR_0002.DNG")
    world.run("rescan", "--all")
    assert world.run("repair").status == 0
    assert len(_quarantined(world)) == 1
    world.unplug("B")
    for subject in (("card", card.root), ("drive", "A")):
        told = {one["kind"] for one in world.run("clearance", *subject, "--json").json["reasons"]}
        # What only rotted lies nowhere else, so it is named where the drive is to go; it says what removes it.
        assert told == ({"drive away"} if subject[0] == "card" else {"other drive away", "only in quarantine"})
    world.plug("B")
    assert world.run("clearance", "card", card.root).status == 0
