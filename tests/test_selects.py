"""Which are the best? Learnt from an editor's ratings, from the camera's button, from names, lists and folders."""

from __future__ import annotations

import os
from datetime import datetime, timedelta
from pathlib import Path

from world import EVENING, SERIAL, SMALL, CardFolder, World

from tripleguard.demo.camera_files import make_camera_jpeg

XMP = (
    '<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">'
    '<rdf:Description xmlns:xmp="http://ns.adobe.com/xap/1.0/" {}/></rdf:RDF></x:xmpmeta>'
)
LATER = 2_000_000_000


def sidecar(stars: str | None) -> bytes:
    return XMP.format("" if stars is None else f'xmp:Rating="{stars}"').encode()


def rate(raw: Path, stars: str | None, *, whole_name: bool = False, at: int = LATER) -> Path:
    """What an editor does: a sidecar beside the picture. whole_name: `A.DNG.xmp` instead of `A.xmp`."""
    where = raw.with_name(raw.name + ".xmp") if whole_name else raw.with_suffix(".xmp")
    where.write_bytes(sidecar(stars))
    os.utime(where, (at, at))
    return where


def offloaded(world: World, card: CardFolder) -> list[Path]:
    """The card is on both drives; its raws on drive A."""
    assert world.run("offload", card.root, "--shoot", "Harbour").status == 0
    return sorted(world.drives["A"].rglob("*.DNG"))


def chosen(world: World) -> int:
    selects: int = world.run("selects", "--json").json["selects"]
    return selects


def test_what_was_rated_in_the_editor_is_chosen_whichever_way_it_names_its_sidecars(world: World) -> None:
    card = world.card()
    card.frames(6)
    raws = offloaded(world, card)
    rate(raws[0], "5")
    rate(raws[1], "4", whole_name=True)
    rate(raws[2], "5", whole_name=True)
    rate(raws[3], "3")
    rate(raws[4], "-1")
    rate(raws[5], None)
    learnt = world.run("selects", "learn", "--json").json
    assert (learnt["added"], learnt["selects"], learnt["sidecars"]) == (3, 3, 6)
    assert world.run("selects", "--json").json["how"] == {"rating": 3}


def test_learning_again_reads_only_what_changed(world: World) -> None:
    card = world.card()
    card.frames(4)
    raws = offloaded(world, card)
    for raw in raws:
        rate(raw, "2")
    first = world.run("selects", "learn", "--json").json
    assert (first["sidecars"], first["pictures"], first["added"]) == (4, 4, 0)
    rate(raws[1], "5", at=LATER + 60)
    second = world.run("selects", "learn", "--json").json
    assert (second["sidecars"], second["pictures"], second["added"], second["selects"]) == (1, 0, 1, 1)
    rate(raws[1], "1", at=LATER + 120)
    third = world.run("selects", "learn", "--json").json
    assert (third["sidecars"], third["dropped"], third["selects"]) == (1, 1, 0)
    assert world.run("selects", "learn", "--json").json["sidecars"] == 0


def test_a_select_brings_its_frame_along(world: World) -> None:
    card = world.card()
    card.raw("DCIM/100ORREY/ORR_0001.DNG")
    card.picture("DCIM/100ORREY/ORR_0001.JPG")
    card.raw("DCIM/100ORREY/ORR_0002.DNG")
    raws = offloaded(world, card)
    rate(raws[0], "5")
    world.run("selects", "learn")
    (shoot,) = world.run("selects", "--json").json["shoots"]
    assert (shoot["selects"], shoot["files"]) == (1, 3)
    assert shoot["bytes"] == sum(path.stat().st_size for path in raws[0].parent.glob("ORR_0001.*"))


def test_another_cameras_picture_of_that_name_is_not_sent_along(world: World) -> None:
    """Two bodies without a serial share a folder: one wrote raws, the other JPEGs, both from number one on."""
    card, other = world.card(), CardFolder(world.folder("card-2"))
    card.raw("DCIM/100ORREY/ORR_0001.DNG", serial="")
    other.picture("DCIM/100ORREY/ORR_0001.JPG", serial="", taken=EVENING + timedelta(hours=1))
    for one in (card, other):
        assert world.run("offload", one.root, "--shoot", "Harbour").status == 0
    raw, picture = (next(world.drives["A"].rglob(f"ORR_0001.{end}")) for end in ("DNG", "JPG"))
    assert raw.parent == picture.parent
    for chosen in (raw, picture):
        assert world.run("selects", "add", chosen).status == 0
        with world.ctx() as ctx:
            wanted = ctx.catalog.fetch_all("SELECT path FROM offsite_requirements")
        assert [Path(path).name for (path,) in wanted] == [chosen.name]
        assert world.run("selects", "drop", chosen).status == 0


def test_the_newest_sidecar_counts_wherever_it_lies(world: World) -> None:
    card = world.card()
    card.frames(1)
    (raw,) = offloaded(world, card)
    other = next(world.drives["B"].rglob("*.DNG"))
    rate(raw, "2", at=LATER + 60)
    rate(other, "5", at=LATER)
    assert world.run("selects", "learn", "--json").json["selects"] == 0
    rate(other, "5", at=LATER + 120)
    assert world.run("selects", "learn", "--json").json["selects"] == 1


def test_the_cameras_own_button_chooses_until_the_editor_says_otherwise(world: World) -> None:
    card = world.card()
    content = make_camera_jpeg(
        7, taken_at=EVENING, subsec=0, offset="+02:00", serial=SERIAL, width=96, height=64, rating=5
    )
    card.put("DCIM/100ORREY/ORR_0001.JPG", content)
    assert world.run("offload", card.root, "--shoot", "Harbour").status == 0
    assert world.run("selects", "learn", "--json").json["added"] == 1
    rate(next(world.drives["A"].rglob("*.JPG")), "1")
    assert world.run("selects", "learn", "--json").json["dropped"] == 1


def test_what_is_just_short_of_the_threshold_is_not_sent(world: World) -> None:
    card = world.card()
    card.frames(3)
    for raw, stars in zip(offloaded(world, card), ("3.999", "4.0", "4.29"), strict=True):
        rate(raw, stars)
    assert world.run("selects", "learn", "--json").json["selects"] == 2


def test_another_threshold_needs_no_second_reading(world: World) -> None:
    card = world.card()
    card.frames(3)
    raws = offloaded(world, card)
    for raw, stars in zip(raws, ("2.5", "3", "3.0"), strict=True):
        rate(raw, stars)
    assert world.run("selects", "learn", "--json").json["selects"] == 0
    world.settings("[selects]\nat_least = 3\n")
    again = world.run("selects", "learn", "--json").json
    assert (again["sidecars"], again["selects"]) == (0, 2)
    world.settings("[selects]\nat_least = 2.5\n")
    assert world.run("selects", "learn", "--json").json["selects"] == 3


def test_what_a_hand_chose_or_dropped_no_rating_changes(world: World) -> None:
    card = world.card()
    card.frames(2)
    raws = offloaded(world, card)
    assert world.run("selects", "add", "ORR_0001").status == 0
    rate(raws[0], "1")
    rate(raws[1], "5")
    world.run("selects", "learn")
    assert chosen(world) == 2
    assert world.run("selects", "drop", "ORR_0002.DNG").status == 0
    rate(raws[1], "5", at=LATER + 60)
    world.run("selects", "learn")
    assert chosen(world) == 1


def test_a_broken_sidecar_is_told_and_changes_nothing(world: World) -> None:
    card = world.card()
    card.frames(2)
    raws = offloaded(world, card)
    rate(raws[0], "5")
    world.run("selects", "learn")
    path = rate(raws[0], "5", at=LATER + 60)
    path.write_bytes(b"<x:xmpmeta half of a sid")
    learnt = world.run("selects", "learn", "--json").json
    assert chosen(world) == 1
    assert [one["name"] for one in learnt["not_known"]] == [str(path.relative_to(world.drives["A"]))]


def test_a_sidecar_that_was_edited_goes_along_as_it_is_now(world: World) -> None:
    card = world.card()
    card.frames(1)
    (raw,) = offloaded(world, card)
    rate(raw, "5")
    world.run("selects", "learn")
    path = rate(raw, "4.5", at=LATER + 60)
    world.run("selects", "learn")
    found = world.run("where", path.name, "--json").json["files"]
    assert len(found) == 2, "both versions are known"
    (shoot,) = world.run("selects", "--json").json["shoots"]
    assert shoot["bytes"] == raw.stat().st_size + path.stat().st_size


def test_the_folder_on_the_laptop_is_learnt_from_by_content_or_a_name_that_is_alone(world: World) -> None:
    card = world.card()
    card.frames(3)
    offloaded(world, card)
    desk = world.folder("desk")
    copied = desk / "ORR_0001.DNG"
    copied.write_bytes((card.root / "DCIM/100ORREY/ORR_0001.DNG").read_bytes())
    rate(copied, "5")
    rate(desk / "ORR_0003.DNG", "5")
    rate(desk / "XYZ_0009.DNG", "5")
    learnt = world.run("selects", "learn", desk, "--json").json
    assert learnt["added"] == 2
    assert [one["name"] for one in learnt["not_known"]] == ["XYZ_0009.xmp"]


def test_a_name_that_means_two_frames_chooses_neither(world: World) -> None:
    for number, day in enumerate((datetime(2026, 6, 13, 21), datetime(2026, 6, 14, 21))):
        card = world.card(f"card{number}")
        card.frames(1, taken=day)
        assert world.run("offload", card.root, "--shoot", f"Night {number}").status == 0
    answer = world.run("selects", "add", "ORR_0001", "--json")
    assert answer.status == 1
    assert "2 frames" in answer.json["not_found"][0]["reason"]
    assert world.run("selects", "add", "ORR_0001", "--shoot", "Night 1").status == 0
    assert chosen(world) == 1


def test_a_list_of_names_and_paths_is_chosen_and_what_is_not_found_is_told(world: World) -> None:
    card = world.card()
    card.frames(4)
    raws = offloaded(world, card)
    path = raws[1].relative_to(world.drives["A"])
    listed = world.root / "best.txt"
    listed.write_bytes(f"\ufeff# the best\r\nORR_0001\r\n\r\n{path}\r\norr_0003.dng\r\nORR_0099\r\n".encode())
    answer = world.run("selects", "add", "--list", listed, "--json")
    assert (answer.status, answer.json["added"]) == (1, 3)
    assert [one["name"] for one in answer.json["not_found"]] == ["ORR_0099"]
    assert world.run("selects", "add", "--list", raws[0]).status == 2


def test_a_folder_of_copies_is_known_by_content_whatever_they_are_called(world: World) -> None:
    card = world.card()
    card.frames(3)
    offloaded(world, card)
    best = world.folder("best")
    (best / "cover.dng").write_bytes((card.root / "DCIM/100ORREY/ORR_0002.DNG").read_bytes())
    assert world.run("selects", "add", best, "--json").json["added"] == 1
    assert world.run("selects", "--json").json["how"] == {"folder": 1}


def test_finished_pictures_point_at_their_raws_by_name_and_time_together(world: World) -> None:
    taken = datetime(2026, 6, 13, 22, 15, 7)
    card = world.card()
    card.raw("DCIM/100ORREY/ORR_0001.DNG", taken=taken)
    card.raw("DCIM/100ORREY/ORR_0002.DNG", taken=taken, size=2 * SMALL)
    card.raw("DCIM/100ORREY/ORR_0003.DNG", taken=taken + timedelta(hours=1))
    offloaded(world, card)
    done = world.folder("done")

    def finish(name: str, at: datetime) -> None:
        content = make_camera_jpeg(9, taken_at=at, subsec=0, offset="+02:00", serial="1", width=80, height=60)
        (done / name).write_bytes(content)

    finish("ORR_0002-final.jpg", taken)
    finish("ORR_0003-final.jpg", taken)
    finish("print.jpg", taken)
    answer = world.run("selects", "add", done, "--json")
    assert answer.json["added"] == 1
    assert sorted(Path(one["name"]).name for one in answer.json["not_found"]) == [
        "ORR_0003-final.jpg",
        "print.jpg",
    ]
    (shoot,) = world.run("selects", "--json").json["shoots"]
    assert shoot["bytes"] == (card.root / "DCIM/100ORREY/ORR_0002.DNG").stat().st_size


def test_hostile_names_are_shown_as_harmless_text(world: World) -> None:
    card = world.card()
    card.frames(1)
    offloaded(world, card)
    answer = world.run("selects", "add", "\x1b[2Jgone")
    assert answer.status == 1
    assert "\x1b" not in answer.out
