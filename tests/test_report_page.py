"""The report as a page: it says what the terminal says, needs nothing from anywhere, and shows no name as markup.

Structure that a screen reader needs: WCAG 2.2, 1.1.1 (alt texts), 1.3.1 (headings, table headers), 2.4.2 (title),
3.1.1 (language).
"""

from __future__ import annotations

import base64
import io
import os
import re
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

from PIL import Image
from test_frames import shot
from world import World


class Seen(HTMLParser):
    """What a page holds: every tag with its attributes, and the words."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


def page_of(world: World, *options: str) -> tuple[str, Seen]:
    path = world.root / "report.html"
    world.run("report", "--html", path, *options)
    text = path.read_text(encoding="utf-8")
    return text, Seen(text)


def rotten(world: World, name: str = "ORR_0002.DNG") -> None:
    card = world.card()
    card.frames(3, size=300_000)
    world.run("offload", card.root)
    path = next(world.drives["A"].glob(f"2026/*/*/{name}"))
    status = path.stat()
    content = bytearray(path.read_bytes())
    content[200_000] ^= 1
    path.write_bytes(content)
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    world.run("rescan", "--all")


def test_the_page_says_what_the_terminal_says(world: World) -> None:
    rotten(world)
    _, seen = page_of(world)
    for line in world.run("report").out.splitlines():
        if line.startswith(("Something", "Now:", "  Next:")):
            assert line.strip().rstrip(".").split(". ")[0].replace("`", "") in seen.words
    assert "ORR_0002.DNG" in seen.words


def test_what_is_wrong_is_shown_small_from_the_copy_that_is_right(world: World) -> None:
    rotten(world)
    text, seen = page_of(world)
    (picture,) = seen.all("img")
    assert picture["alt"] == "What ORR_0002.DNG shows, small"
    content = base64.b64decode(str(picture["src"]).removeprefix("data:image/jpeg;base64,"))
    assert max(Image.open(io.BytesIO(content)).size) <= 480
    assert len(text) < 200_000
    _, without = page_of(world, "--no-previews")
    assert without.all("img") == []


def test_the_page_needs_nothing_from_anywhere(world: World) -> None:
    rotten(world)
    text, seen = page_of(world)
    assert not re.search(r"https?://|//[a-z]|@import|url\(|<script|<link|<iframe", text)
    assert "default-src 'none'" in str(seen.all("meta"))


def test_it_has_what_a_screen_reader_goes_by(world: World) -> None:
    rotten(world)
    _, seen = page_of(world)
    assert seen.all("html")[0]["lang"] == "en"
    assert len(seen.all("h1")) == 1
    levels = [int(tag[1]) for tag, _ in seen.tags if re.fullmatch(r"h[1-6]", tag)]
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert len(seen.all("caption")) == len(seen.all("table")) > 0
    assert all("scope" in one for one in seen.all("th"))
    assert all(one["alt"] for one in seen.all("img"))
    assert len(seen.all("main")) == 1
    ids = {one["id"] for _, one in seen.tags if "id" in one}
    assert all(one["aria-labelledby"] in ids for _, one in seen.tags if "aria-labelledby" in one)


def test_a_name_from_a_card_is_text_on_the_page(world: World) -> None:
    card = world.card()
    name = "<img src=x onerror=alert(1)>&\u202e.txt"
    card.put(f"notes/{name}", b"x")
    assert world.run("offload", card.root, "--shoot", "Q & 'A'").status == 0
    for root in world.drives.values():
        next(path for path in root.rglob("*.txt") if "onerror" in path.name).unlink()
    world.run("rescan", "--quick")
    text, seen = page_of(world)
    assert seen.all("img") == []
    assert "<img src=x" in seen.words
    assert "\u202e" not in text
    assert "Q & 'A'" in seen.words


def test_a_missing_card_stands_first(world: World) -> None:
    world.run("offload", shot(world.card("1"), 1, 6).root)
    world.run("offload", shot(world.card("3"), 30, 35).root)
    _, seen = page_of(world)
    words = " ".join(seen.words.split())
    assert words.index("a card may be missing") < words.index("The drives")
    assert "23 frames between 21:32 and 21:40, ORR 0007 to 0029" in words


def test_only_an_earlier_report_is_replaced(world: World, here: Path) -> None:
    world.run("offload", shot(world.card("1"), 1, 2).root)
    mine = here / "letter.html"
    mine.write_text("<!DOCTYPE html>\n<p>Dear Ada")
    answer = world.run("report", "--html", mine)
    assert answer.status == 3
    assert mine.read_text() == "<!DOCTYPE html>\n<p>Dear Ada"
    assert world.run("report", "--html", here / "r.html").status == 0
    assert world.run("report", "--html", here / "r.html").status == 0
    on_drive = world.drives["A"] / "report.html"
    assert world.run("report", "--html", on_drive).status == 2
    assert not on_drive.exists()
    (here / "link.html").symlink_to(here / "r.html")
    assert world.run("report", "--html", here / "link.html").status == 3
