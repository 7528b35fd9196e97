"""What README says is true: its commands run, its links lead somewhere."""

from __future__ import annotations

import re
from pathlib import Path

from world import World

from tripleguard.cli import _COMMANDS

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_first_evening_of_the_readme_ends_with_a_yes(bare: World) -> None:
    card = bare.card()
    card.frames(3)
    places = {"/media/drive-a": bare.folder("a"), "/media/drive-b": bare.folder("b"), "/media/card": card.root}
    block = re.search(r"## A first evening\n\n```\n(.*?)```", README, re.S)
    assert block is not None
    for line in block[1].splitlines():
        words = re.findall(r'"[^"]+"|\S+', line)[1:]
        for shown, real in places.items():
            words = [word.strip('"').replace(shown, str(real)) for word in words]
        answer = bare.run(*words)
        assert answer.status == 0, answer.err
    assert "YES: this card may be reformatted. 3 files, each verified on its drives." in answer.out
    assert "YES: this card may be reformatted. 63 files, each verified on its drives." in README


def test_every_command_and_link_of_the_readme_exists() -> None:
    for name in re.findall(r"`tripleguard ([a-z]+)", README):
        assert name in _COMMANDS
    for link in re.findall(r"\]\(([^)]+)\)", README):
        assert (ROOT / link).exists(), link


def test_the_demo_comes_out_as_it_should(bare: World, here: Path) -> None:
    answer = bare.run("demo", here / "tour")
    assert answer.status == 0, answer.out
    assert "Every step came out as it should." in answer.out
