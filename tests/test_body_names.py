"""A body's folder: known on sight, and a name that every drive can hold."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from tripleguard.cameras.body_names import MAX_LABEL_LENGTH, UNKNOWN_CAMERA, BodyNames, format_body_label
from tripleguard.model import Capture
from tripleguard.names import find_title_problem

# exFAT specification 1.00, section 7.7.3, table 35; beside them the control characters.
FORBIDDEN = set('"*/:<>?\\|') | {chr(code) for code in range(32)}

# Windows: "Naming Files, Paths, and Namespaces" (Microsoft), reserved names; the list is from memory.
DEVICES = [
    "CON", "PRN", "AUX", "NUL", *(f"COM{n}" for n in range(1, 10)), *(f"LPT{n}" for n in range(1, 10)),
    "COM¹", "COM²", "COM³", "LPT¹", "LPT²", "LPT³",
]  # fmt: skip


@pytest.mark.parametrize(
    ("model", "serial", "label"),
    [
        ("NIKON D780", "3012345", "NIKON D780 2345"),
        ("Canon EOS R", "085023000606", "Canon EOS R 0606"),
        ("Orrery R7", None, "Orrery R7"),
        ("Orrery R7", "12", "Orrery R7 12"),
        ("Orrery R7", "FF02B5071201 1509034FB3-30", "Orrery R7 B330"),
        ("Orrery R7", "---", "Orrery R7"),
        (None, "3012345", UNKNOWN_CAMERA),
        ("", None, UNKNOWN_CAMERA),
        (" .. ", None, UNKNOWN_CAMERA),
        ("../../etc", None, "_.._etc"),
        ("R7/Mark:II", "1234", "R7_Mark_II 1234"),
        ("Orrery\u202e7R", None, "Orrery7R"),
        ("Orrery\u00a0 R7.", None, "Orrery R7"),
        ("x" * 60, "3012345", "x" * 35 + " 2345"),
        ("x" * 34 + ". y", "3012345", "x" * 34 + " 2345"),
        ("CON", None, "camera CON"),
        ("nul.raw", "3012345", "camera nul.raw 2345"),
        ("Contact 5", None, "Contact 5"),
    ],
)
def test_a_body_is_named_by_its_model_and_the_end_of_its_serial(
    model: str | None, serial: str | None, label: str
) -> None:
    assert format_body_label(Capture(model=model, serial=serial)) == label


def test_two_bodies_of_one_model_get_two_folders() -> None:
    first, second = (Capture(model="Orrery R7", serial=serial) for serial in ("30012345", "30012346"))
    assert format_body_label(first) != format_body_label(second)


def test_a_name_that_a_person_gave_stays_where_a_body_writes_no_more_than_a_key() -> None:
    """A key tells two bodies apart, but stands on no plate; the name does both."""
    names = BodyNames(by_model={"ILCE-6400": "K2"})
    assert names.name_for(Capture(model="ILCE-6400", serial="key e70000001dea")) == "K2"
    assert names.name_for(Capture(model="ILCE-6400", serial="4182237")) is None
    assert BodyNames().name_for(Capture(model="ILCE-6400", serial="key e70000001dea")) is None


@pytest.mark.parametrize("device", DEVICES)
@pytest.mark.parametrize("form", ["{}", "{}.raw", "{} .raw", "{}."])
def test_no_folder_has_the_name_of_a_device(device: str, form: str) -> None:
    for name in (device, device.lower()):
        for serial in (None, "3012345"):
            label = format_body_label(Capture(model=form.format(name), serial=serial))
            assert label.split(".")[0].strip().upper() not in DEVICES


@given(st.text(st.characters(), max_size=70), st.text(st.characters(), max_size=20))
@example("a\u0301" * 30, "1")
@example("<\u0338", "")
def test_any_text_of_a_file_makes_one_safe_path_part(model: str, serial: str) -> None:
    label = format_body_label(Capture(model=model, serial=serial))
    assert 0 < len(label) <= MAX_LABEL_LENGTH
    assert len(label.encode("utf-8")) <= 255
    assert not FORBIDDEN & set(label)
    assert label == label.strip(" .")
    assert label == unicodedata.normalize("NFC", label)
    assert label.split(".")[0].strip().upper() not in DEVICES
    if len(label.encode("utf-8")) <= 120:
        assert find_title_problem(label) is None
