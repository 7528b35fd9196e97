"""The settings file: what stands in the example is what counts without it, and a mistake names its line."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st
from world import World

from tripleguard.config import Settings, parse_duration, parse_settings, parse_size, read_settings
from tripleguard.errors import SettingsError
from tripleguard.home import create_home, read_example_settings, resolve_home
from tripleguard.layout import build_copy_path, build_shoot_folder
from tripleguard.names import is_safe_path

EXAMPLE = Path(__file__).resolve().parent.parent / "config/settings.toml"


def refusal(text: str) -> SettingsError:
    with pytest.raises(SettingsError) as caught:
        parse_settings(text, Path("/home/ph/settings.toml"))
    return caught.value


def test_the_example_holds_every_setting_with_the_value_used_without_it() -> None:
    assert read_settings(EXAMPLE) == Settings() == parse_settings("", EXAMPLE)
    written = tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))
    known = msgspec.json.decode(msgspec.json.encode(Settings()))
    assert {section: set(content) for section, content in written.items()} == {
        section: set(content) for section, content in known.items()
    }
    assert written == known


def test_a_new_home_gets_the_example_and_an_old_one_keeps_its_own(here: Path) -> None:
    home = resolve_home(str(here / "home"))
    create_home(home)
    assert (
        home.settings.read_text(encoding="utf-8") == EXAMPLE.read_text(encoding="utf-8") == read_example_settings()
    )
    home.settings.write_text("[rule]\ndrive_copies = 3\n", encoding="utf-8")
    create_home(home)
    assert read_settings(home.settings).rule.drive_copies == 3


def test_without_a_file_all_is_as_usual(tmp_path: Path) -> None:
    assert read_settings(tmp_path / "none.toml") == Settings()


@pytest.mark.parametrize(
    ("text", "line", "key", "expected"),
    [
        ("[rule]\ndrive_copys = 2\n", 2, "rule.drive_copys", "did you mean drive_copies?"),
        ("[rule]\n\n# a note\nzzz = 2\n", 4, "rule.zzz", "known here: drive_copies, road_days"),
        ("[rules]\ndrive_copies = 2\n", 1, "section rules", "did you mean rule?"),
        ("\n[layuot]\n", 2, "section layuot", "did you mean layout?"),
        ("rule = 2\n", 1, "rule", "must be a section, [rule]"),
        ("[rule]\nroad_days = 30\ndrive_copies = '2'\n", 3, "rule.drive_copies", "number, got text in quotes"),
        ("[rule]\ndrive_copies = 2.5\n", 2, "rule.drive_copies", "expected a whole number"),
        ("[rule]\ndrive_copies = 0\n", 2, "rule.drive_copies", "expected a whole number >= 1"),
        ("[rule]\ndrive_copies = 10\n", 2, "rule.drive_copies", "<= 9"),
        ("[rule]\nroad_days = -1\n", 2, "rule.road_days", ">= 1"),
        ("[rule]\naccept_cached = 'yes'\n", 2, "rule.accept_cached", "expected true or false"),
        ("[clearance]\ncard_hours = 0\n", 2, "clearance.card_hours", ">= 1"),
        ("[drives]\nreserve = 5\n", 2, "drives.reserve", "expected text in quotes"),
        ("[drives]\nreserve = 'a lot'\n", 2, "drives.reserve", 'expected a size like "2 GiB"'),
        ("[drives]\nreserve = '-1 GB'\n", 2, "drives.reserve", 'expected a size like "2 GiB"'),
        ("[drives]\nrescan_nightly = 2\n", 2, "drives.rescan_nightly", "expected text in quotes"),
        ("[drives]\nrescan_nightly = 'long'\n", 2, "drives.rescan_nightly", 'expected a time like "2h"'),
        ("[drives]\nrescan_nightly = '0h'\n", 2, "drives.rescan_nightly", "from 1min to 24h"),
        ("[drives]\nrescan_nightly = '25h'\n", 2, "drives.rescan_nightly", "from 1min to 24h"),
        ("[offload]\nbuffers = '1 kB'\n", 2, "offload.buffers", "from 8 MB to 1 GB"),
        ("[offload]\nread_back = 'sometimes'\n", 2, "offload.read_back", "sometimes"),
        ("[layout]\nday_starts = '5 am'\n", 2, "layout.day_starts", 'expected a time like "05:00"'),
        ("[layout]\nday_starts = 05:00:00\n", 2, "layout.day_starts", "expected text in quotes"),
        ("[layout]\nday_starts = '25:00'\n", 2, "layout.day_starts", 'expected a time like "05:00"'),
        ("[layout]\ntemplate = '{year}/{date} {shoot}'\n", 2, "layout.template", "must end in /{name}"),
        ("[layout]\ntemplate = '{date} {shoot}/{nmae}'\n", 2, "layout.template", "{nmae} is unknown"),
        ("[layout]\ntemplate = '{shoot}/{name}'\n", 2, "layout.template", "must hold {date} and {shoot}"),
        ("[layout]\ntemplate = '/{date} {shoot}/{name}'\n", 2, "layout.template", "relative path"),
        ("[layout]\ntemplate = '../{date} {shoot}/{name}'\n", 2, "layout.template", "relative path"),
        ("[layout]\ntemplate = '.tripleguard/{date} {shoot}/{name}'\n", 2, "layout.template", "layout.template"),
        ("[layout]\ntemplate = '{date} {shoot}/{body/{name}'\n", 2, "layout.template", "layout.template"),
        ("[layout]\ntemplate = '{date} {shoot}/}x/{name}'\n", 2, "layout.template", "layout.template"),
        ("[layout]\ntemplate = '{date} {shoot} {body}/{name}'\n", 2, "layout.template", "{body} must stand below"),
        ("[layout]\ntemplate = '{body}/{date} {shoot}/{name}'\n", 2, "layout.template", "{body} must stand below"),
        ("[layout]\ntemplate = '{date} {{shoot}}/{name}'\n", 2, "layout.template", "braces"),
        ("[layout]\ntemplate = '{date} {shoot}/{}/{name}'\n", 2, "layout.template", "{} is unknown"),
        ("[layout]\ntemplate = '{date} {shoot!r}/{name}'\n", 2, "layout.template", "{shoot!r} is unknown"),
        ('[layout]\ntemplate = "{date} {shoot}/a\\u0000b/{name}"\n', 2, "layout.template", "layout.template"),
        ("[layout]\ntemplate = '{date} {shoot}/what?/{name}'\n", 2, "layout.template", "?"),
        ("[layout]\nshoot = '../elsewhere'\n", 2, "layout.shoot", "/"),
        ("[layout]\nshoot = ''\n", 2, "layout.shoot", "empty"),
        ("[layout]\nshoot = 'a:b'\n", 2, "layout.shoot", ":"),
    ],
)  # fmt: skip
def test_a_mistake_names_its_line_its_key_and_what_was_expected(
    text: str, line: int, key: str, expected: str
) -> None:
    error = refusal(text)
    assert f"line {line}: " in error.what
    assert key in error.what
    assert expected in error.what
    assert "/home/ph/settings.toml" in error.what
    assert error.safe
    assert error.do
    assert error.exit_status == 2


def test_what_is_no_toml_names_its_line() -> None:
    assert "line 2" in refusal("[rule]\ndrive_copies = = 2\n").what


def test_a_file_that_is_no_text_is_told(tmp_path: Path) -> None:
    path = tmp_path / "settings.toml"
    path.write_bytes(b"[rule]\n\xff\xfe\n")
    with pytest.raises(SettingsError, match="can't be read"):
        read_settings(path)


def assert_told(error: SettingsError) -> None:
    assert error.what.startswith("The settings in x are wrong: ")


@given(st.text(max_size=200))
def test_any_text_is_settings_or_told_in_words(text: str) -> None:
    try:
        parse_settings(text, Path("x"))
    except SettingsError as error:
        assert_told(error)


@given(
    st.lists(
        st.sampled_from(
            ["{year}", "{date}", "{shoot}", "{body}", "/", " ", "..", ".", "{", "}", "x", "?", "\\", "\0"]
        ),
        max_size=9,
    )
)
def test_a_template_is_refused_or_leads_to_safe_paths(parts: list[str]) -> None:
    template = "{date} {shoot}" + "".join(parts) + "/{name}"
    text = "[layout]\n" + f"template = {msgspec.json.encode(template).decode()}\n"
    try:
        layout = parse_settings(text, Path("x")).layout
    except SettingsError:
        return
    path = build_copy_path(layout, "2026-06-13", "quay", "Orrery R7", "DCIM/100ORREY/ORR_0001.DNG")
    assert is_safe_path(path)
    assert path.endswith("/ORR_0001.DNG")
    assert path.startswith(build_shoot_folder(layout, "2026-06-13", "quay") + "/")


@pytest.mark.parametrize(
    ("text", "size"),
    [
        # Decimal and binary prefixes: IEC 80000-13.
        ("0", 0),
        ("500", 500),
        ("1 kB", 1000),
        ("500 MB", 500_000_000),
        ("2 GiB", 2 * 2**30),
        ("1.5TB", 1_500_000_000_000),
        ("64 KiB", 65536),
    ],
)
def test_sizes_as_people_write_them(text: str, size: int) -> None:
    assert parse_size(text) == size


@pytest.mark.parametrize("text", ["", "GB", "1 PB", "-1", "1e9", "1,5 GB", "1 GBit", "1 G B", "²"])
def test_what_is_no_size_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is not a size"):
        parse_size(text)


@pytest.mark.parametrize(
    ("text", "seconds"),
    [
        ("90s", 90),
        ("45min", 2700),
        ("2h", 7200),
        ("1h 30min", 5400),
        (" 2h30min ", 9000),
        ("90d", 7_776_000),
        ("1d 1h 1min 1s", 90_061),
        ("0d", 0),
    ],
)
def test_times_as_people_write_them(text: str, seconds: int) -> None:
    assert parse_duration(text) == seconds


@pytest.mark.parametrize("text", ["", "2", "h", "2 hours", "1.5h", "-2h", "30min 1h", "9999999d", "2h x"])
def test_what_is_no_time_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="is not a time"):
        parse_duration(text)


def test_a_setting_takes_effect(world: World) -> None:
    world.settings('[layout]\ntemplate = "{date} {shoot}/{name}"\nshoot = "rehearsal"\n[rule]\ndrive_copies = 1\n')
    card = world.card()
    card.frames(1)
    answer = world.run("offload", card.root, "--drive", "A")
    assert answer.status == 0, answer.out
    pictures = {path for path in world.on("A") if path.endswith(".DNG")}
    assert pictures == {"2026-06-13 rehearsal/ORR_0001.DNG"}


def test_wrong_settings_stop_a_command_before_anything_is_done(world: World) -> None:
    card = world.card()
    card.frames(1)
    world.settings("[rule]\ndrive_copys = 1\n")
    answer = world.run("offload", card.root)
    assert answer.status == 2
    assert re.search(r"settings\.toml are wrong: line 2: there is no setting rule\.drive_copys", answer.err)
    assert world.on("A") == {}
