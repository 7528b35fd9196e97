"""What the pages say is true: examples are typed line by line, links lead somewhere, nothing is left out.

A block marked `console` is run in a world of its own, where /media/card holds the first card of the demo's tour. A
line `...` stands for any lines. What differs from run to run (times, rates, free space) is not compared, nor the
warning that both drives are on one device, which they are only here.
"""

from __future__ import annotations

import contextlib
import os
import re
import shlex
import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import click
import pytest
from world import World

from tripleguard.cli import _root as root_command
from tripleguard.config import read_settings
from tripleguard.demo.tour import HALL, SHOOT, fill_card

ROOT = Path(__file__).resolve().parent.parent
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", *(ROOT / "docs").rglob("*.md")])
FRAMES = 60


def name_of(page: Path) -> str:
    return page.relative_to(ROOT).as_posix()


class Desk:
    """A terminal at which the pages' lines are typed. Their paths stand for folders of a scratch world."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.card = world.root / "media" / "card"
        fill_card(self.card, HALL, range(FRAMES))
        for drive in ("drive-a", "drive-b"):
            (world.root / "media" / drive).mkdir()
        self._here = world.root
        self._real = {
            "/media/": f"{world.root}/media/",
            "~/.local/share/tripleguard": str(world.home),
        }

    def typed(self, line: str) -> str | None:
        """The answer to a line; None if a program that is no part of this project is not installed."""
        for shown, real in self._real.items():
            line = line.replace(shown, real)
        words = shlex.split(line)
        if words[0] == "cd":
            self._here = Path(words[1])
            assert self._here.is_dir()
            return ""
        if words[0] == "tripleguard":
            # On the page they are two disks; here they are two folders on one.
            if words[1] == "setup":
                words.append("--allow-same-disk")
            answer = self.world.run(*words[1:])
            said = {"YES": 0, "NO": 1}.get(answer.out.split("\n\n")[-1].partition(":")[0])
            assert said in (None, answer.status)
            note = "  Note: The settings allow copies on one physical disk: if it dies, all copies on it die.\n"
            return self._shown(answer.out.replace(note, "") + answer.err)
        if words[0] == "sqlite3" and shutil.which("sqlite3") is None:
            return self._asked(*words[1:])
        if shutil.which(words[0]) is None:
            return None
        ended = subprocess.run(
            ["bash", "-c", line], cwd=self._here, capture_output=True, encoding="utf-8", timeout=60, check=False
        )
        assert ended.returncode == 0, ended.stderr
        return self._shown(ended.stdout)

    def meanwhile(self, what: str) -> None:
        """Something that happens between two blocks."""
        happens: dict[str, Callable[[], None]] = {
            "a bit of one picture flips on drive A": self._rot,
            "one more frame is shot on the card": lambda: fill_card(
                self.card, HALL, range(FRAMES + 1, FRAMES + 2)
            ),
        }
        happens[what]()

    def _rot(self) -> None:
        path = next((self.world.root / "media/drive-a").rglob("ORR_0412.DNG"))
        times, content = path.stat(), bytearray(path.read_bytes())
        content[5000] ^= 1
        path.write_bytes(content)
        os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))

    def _shown(self, text: str) -> str:
        for shown, real in self._real.items():
            text = text.replace(real, shown)
        return text

    def _asked(self, database: str, question: str) -> str:
        with contextlib.closing(sqlite3.connect(self._here / database)) as connection:
            return "".join("|".join(map(str, row)) + "\n" for row in connection.execute(question))


def stable(text: str) -> list[str]:
    """The lines of an answer without what differs from run to run."""
    text = re.sub(r"in \d+ (s|min)(, [\d.]+ \wB/s read)?$", "in TIME", text, flags=re.MULTILINE)
    text = re.sub(r"[\d.]+ \wB free of [\d.]+ \wB", "ROOM", text)
    text = re.sub(r"\d{4}-\d\d-\d\d \d\d:\d\d", "DATE", text)
    text = re.sub(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", "DATE", text)
    # What hangs on the machine: whether its drives are two, and whether decoders are installed.
    hanging = ("on one physical device", "not decoded yet")
    return [line.rstrip() for line in text.strip("\n").split("\n") if not any(word in line for word in hanging)]


def as_pattern(lines: list[str]) -> str:
    return "".join(r"(?:.*\n)*?" if line == "..." else re.escape(line) + r"\n" for line in lines)


def steps(page: Path) -> Iterator[tuple[str, str, list[str]]]:
    """What a page asks for, in order: ("typed", command, expected lines) or ("meanwhile", what, [])."""
    for block, what in re.findall(r"```console\n(.*?)```|<!-- meanwhile: (.*?) -->", page.read_text(), re.DOTALL):
        if what:
            yield "meanwhile", what, []
            continue
        for piece in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, _, answer = piece.partition("\n")
            yield "typed", command, stable(answer) if answer else []


@pytest.mark.parametrize(
    ("page", "prepared"),
    [("README.md", False), ("docs/a-drive-without-the-tool.md", True), ("docs/commands.md", True)],
    ids=["readme", "drive", "commands"],
)
def test_the_examples_answer_as_they_are_printed(bare: World, page: str, prepared: bool) -> None:
    if shutil.which("bash") is None:
        pytest.skip("the examples are typed into bash")
    desk = Desk(bare)
    if prepared:
        desk.typed("tripleguard setup --drive A=/media/drive-a --drive B=/media/drive-b")
        desk.typed(f"tripleguard offload /media/card --shoot '{SHOOT}'")
    ran = 0
    for kind, line, expected in steps(ROOT / page):
        if kind == "meanwhile":
            desk.meanwhile(line)
            continue
        answer = desk.typed(line)
        if answer is None:
            continue
        ran += 1
        lines = stable(answer) if answer else []
        assert re.fullmatch(as_pattern(expected), "".join(f"{line}\n" for line in lines)), f"$ {line}\n{answer}"
    assert ran >= 1


def test_an_example_that_is_not_what_is_answered_is_found() -> None:
    assert re.fullmatch(as_pattern(["one", "...", "four"]), "one\ntwo\nthree\nfour\n")
    assert not re.fullmatch(as_pattern(["one", "...", "four"]), "one\ntwo\nthree\n")
    assert not re.fullmatch(as_pattern(["one"]), "one\ntwo\n")
    assert stable("YES: 70 files\n") != stable("YES: 71 files\n")


@pytest.mark.parametrize("page", PAGES, ids=name_of)
def test_every_link_of_a_page_leads_somewhere(page: Path) -> None:
    for link in re.findall(r"\]\(([^)]+)\)", page.read_text(encoding="utf-8")):
        if link.startswith("https://"):
            continue
        target, _, anchor = link.partition("#")
        file = page.parent / target if target else page
        assert file.exists(), link
        if anchor:
            headings = re.findall(r"^#+ (.*)$", file.read_text(encoding="utf-8"), re.MULTILINE)
            assert anchor in {re.sub(r"[^\w -]", "", heading.casefold()).replace(" ", "-") for heading in headings}


def test_the_index_names_every_decision() -> None:
    index = (ROOT / "docs" / "index.md").read_text(encoding="utf-8")
    for decision in sorted((ROOT / "docs" / "decisions").glob("*.md")):
        title = decision.read_text(encoding="utf-8").partition("\n")[0].removeprefix("# ")
        assert f"[{title}](decisions/{decision.name})" in index


def test_the_guide_for_developers_names_every_room() -> None:
    guide = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for room in sorted((ROOT / "tripleguard").iterdir()):
        if room.is_dir() and (room / "__init__.py").exists():
            assert f"{room.name}/" in guide, room.name


def test_the_scripts_that_are_named_can_be_run() -> None:
    named = {name for page in PAGES for name in re.findall(r"scripts/([a-z-]+)", page.read_text(encoding="utf-8"))}
    assert {"demo", "test"} <= named
    for name in named - {"constraints"}:
        assert (ROOT / "scripts" / name).stat().st_mode & 0o111, name


def every_command(
    command: click.Command = root_command, path: tuple[str, ...] = ()
) -> Iterator[tuple[str, click.Command]]:
    """Every command and group below the root: how it is typed, and the thing itself."""
    if path:
        yield " ".join(path), command
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            yield from every_command(below, (*path, name))


def sections() -> dict[str, str]:
    """The reference page by command; what stands before the first one belongs to the root."""
    text = (ROOT / "docs" / "commands.md").read_text(encoding="utf-8")
    parts = re.split(r"^#{2,3} (.*)$", text, flags=re.MULTILINE)
    return {"": parts[0], **dict(zip(parts[1::2], parts[2::2], strict=True))}


def options_of(command: click.Command) -> set[str]:
    return {name for one in command.params if isinstance(one, click.Option) for name in one.opts}


def test_the_reference_has_every_command_with_every_option_and_no_other() -> None:
    reference, commands = sections(), {"": root_command, **dict(every_command())}
    assert set(reference) == set(commands)
    for path, command in commands.items():
        rows = set(re.findall(r"^\| `(--?[a-z-]+)", reference[path], re.MULTILINE))
        rows |= set(re.findall(r"^\| `--?[a-z-]+`, `(--?[a-z-]+)`", reference[path], re.MULTILINE))
        assert rows - {"-h", "--help"} == options_of(command) - {"-h", "--help"}, path
        for one in command.params:
            if isinstance(one, click.Argument):
                assert one.make_metavar(click.Context(command)).strip("[]") in reference[path], path


def names_in(cell: str) -> set[str]:
    """The names on the first level of an object as the reference writes it."""
    while cell != (flat := re.sub(r"\[[^\[\]]*\]|\{[^{}]*\}", "", cell)):
        cell = flat
    return {part.partition(":")[0].strip() for part in cell.split(",")}


def test_the_reference_has_every_name_that_json_prints(bare: World) -> None:
    desk, reference = Desk(bare), sections()
    media = bare.root / "media"
    for path, arguments in {
        "setup": ["--drive", f"A={media}/drive-a", "--drive", f"B={media}/drive-b", "--allow-same-disk"],
        "offload": [str(desk.card)],
        "drives": [],
        "topup": [],
        "clearance card": [str(desk.card)],
        "report": [],
        "frames": [],
        "findings": [],
        "rescan": ["--quick"],
        "repair": [],
        "inspect": [],
        "drill": ["--files", "2"],
        "handover": ["untitled", str(media / "client")],
        "where": ["ORR_0412"],
        "forecast": [],
        "selects": [],
        "selects learn": [],
        "selects add": ["ORR_0412"],
        "selects drop": ["ORR_0412"],
        "quarantine": [],
        "quarantine empty": ["--drive", "A", "--older-than", "90d", "--dry-run"],
        "log": [],
    }.items():
        cell = re.search(r"^\| `--json` \| `([^`]*)`", reference[path], re.MULTILINE)
        assert cell is not None, path
        answer = bare.run(*path.split(), *arguments, "--json")
        assert answer.status == 0, answer.err
        assert {"schema"} | names_in(cell[1]) == set(answer.json), path
    with_json = {path for path, command in every_command() if "--json" in options_of(command)}
    assert with_json == {path for path, text in reference.items() if "| `--json` |" in text}


def test_the_cautions_of_the_readme_are_there() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8").casefold()
    for word in ("two drives in one bag", "contract", "insurer", "law", "recovery service", "never formats"):
        assert word in text


def test_the_settings_that_are_linked_are_the_example_that_loads() -> None:
    read_settings(ROOT / "config" / "settings.toml")
