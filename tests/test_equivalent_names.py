"""A name in other letters: one file on exFAT, another file elsewhere."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from disk_images import Images, images_below
from test_watch_real_volumes import set_up
from world import World

from tripleguard.catalog.places import list_places
from tripleguard.watch.new_file_scan import find_new_in_folder, find_new_on_drive


@pytest.fixture
def images(here: Path) -> Iterator[Images]:
    with images_below(here) as made:
        yield made


def new_on(world: World, name: str) -> list[str]:
    with world.ctx() as ctx:
        record = next(one for one in list_places(ctx.catalog) if one.name == name)
        found = find_new_on_drive(ctx.catalog, ctx.settings.layout, record.id, world.drives[name], "")
        return sorted(entry.path.rpartition("/")[2] for entry in found)


@pytest.mark.images
def test_a_file_or_folder_in_other_letters_on_exfat_is_no_new_file(bare: World, images: Images) -> None:
    set_up(bare, A=images.mount("drive-a", "exfat", 64))
    card = bare.card()
    card.frames(2)
    card.raw("DCIM/100ORREY/STRASSE.DNG")
    assert bare.run("offload", card.root).status == 0
    one = next(bare.drives["A"].rglob("ORR_0001.DNG"))
    os.rename(one, one.with_name("orr_0001.dng"))
    assert new_on(bare, "A") == []
    # Unicode folds this to the other name; the file system does not (exFAT 1.00, 7.7: names are up-cased).
    (one.parent / "Stra\u00dfe.DNG").write_bytes(b"another street")
    os.rename(one.parent, one.parent.with_name(one.parent.name.upper()))
    assert new_on(bare, "A") == ["Stra\u00dfe.DNG"]


def test_a_file_in_other_letters_elsewhere_is_another_file(world: World) -> None:
    card = world.card()
    card.frames(2)
    assert world.run("offload", card.root).status == 0
    one = next(world.drives["A"].rglob("ORR_0001.DNG"))
    shutil.copy(one, one.with_name("orr_0001.dng"))
    assert new_on(world, "A") == ["orr_0001.dng"]
    one.rename(one.with_name("Orr_0001.DNG"))
    assert new_on(world, "A") == ["Orr_0001.DNG", "orr_0001.dng"]


def test_of_an_import_folder_only_what_cameras_and_editors_write_is_brought_in(world: World) -> None:
    folder = world.folder("tether")
    ours = ["IMG_1.CR3", "IMG_1.xmp", "IMG_1.JPG", "a/b/C0001.MP4", "a/NOTE.WAV", "IMG_2.CR3.xmp"]
    system = [".DS_Store", "Thumbs.db", "desktop.ini", "a/.DS_Store"]
    others = ["contract.pdf", "list.docx", "notes.txt", "album.zip", "library.db", "IMG_9", ".hidden"]
    partial = [
        "IMG_3.CR3.part",
        "IMG_4.CR3.crdownload",
        "IMG_5.CR3.partial",
        ".IMG_6.CR3.Xa3f2Q",
        "7.CR3.download/x",
    ]
    for path in [*ours, *system, *others, *partial]:
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(b"content of " + path.encode())
    (folder / "._IMG_1.CR3").write_bytes(b"\x00\x05\x16\x07\x00\x02\x00\x00" + bytes(90))
    (folder / "EMPTY.CR3").touch()
    with world.ctx() as ctx:
        assert sorted(entry.path for entry in find_new_in_folder(ctx.catalog, folder)) == sorted(ours)
