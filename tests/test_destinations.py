"""Which day, shoot, body and name a card file gets, frame by frame."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

from hypothesis import given
from hypothesis import strategies as st
from non_exif_samples import apple_keys, avi, film, mvhd
from test_non_exif_metadata import sony

from tripleguard.clock import SECOND
from tripleguard.config import LayoutSettings
from tripleguard.demo.camera_files import make_camera_jpeg, make_raw
from tripleguard.jobs.copying.destination import MAX_NAME_NUMBER, Destination, DestinationResolver
from tripleguard.model import Entry, FileKind
from tripleguard.names import add_number

EVENING = datetime(2026, 6, 13, 21, 30)


def placer(
    zone: tzinfo | None = UTC, labels: dict[tuple[str, str, str], str] | None = None
) -> DestinationResolver:
    return DestinationResolver(LayoutSettings(), zone, lambda day: "quay", labels or {})


def entry(path: str, at: datetime = EVENING) -> Entry:
    return Entry(path, 1000, int(at.replace(tzinfo=at.tzinfo or UTC).timestamp()) * SECOND)


def raw(taken: datetime = EVENING, serial: str = "40017731", model: str = "Orrery R7", subsec: int = 7) -> bytes:
    return make_raw(1, taken_at=taken, subsec=subsec, offset="+02:00", serial=serial, model=model, size=64 << 10)


def test_what_the_camera_wrote_decides_and_not_the_files_time() -> None:
    found = placer().resolve(entry("DCIM/100ORREY/ORR_0001.DNG", datetime(2031, 1, 1)), raw())
    assert (found.kind, found.day, found.shoot, found.body) == (
        FileKind.RAW,
        "2026-06-13",
        "quay",
        "Orrery R7 7731",
    )
    assert found.body_key == ("Orrery", "Orrery R7", "40017731")
    assert found.offset == 120
    wall = datetime(2026, 6, 13, 21, 30, tzinfo=UTC)
    assert found.wall_ns == int(wall.timestamp()) * SECOND + 70_000_000


def test_a_file_without_a_date_goes_by_its_time_where_the_person_is() -> None:
    """01:30 UTC is 03:30 in Berlin in summer and 21:30 the evening before in New York."""
    night = datetime(2026, 6, 14, 3, 30)
    for zone, day in (
        (UTC, "2026-06-13"),
        (ZoneInfo("Europe/Berlin"), "2026-06-14"),
        (timezone(timedelta(hours=-4)), "2026-06-13"),
    ):
        found = placer(zone).resolve(entry("notes.txt", night), b"")
        assert found.day == day
        assert found.wall_ns is None


def test_the_night_in_which_the_clocks_change_is_one_night() -> None:
    """Berlin, 25 October 2026: 01:30 UTC is 02:30 for the second time; 03:59 UTC is 04:59, 04:00 UTC is 05:00."""
    berlin = ZoneInfo("Europe/Berlin")
    for hour, minute, day in (
        (0, 30, "2026-10-24"),
        (1, 30, "2026-10-24"),
        (3, 59, "2026-10-24"),
        (4, 0, "2026-10-25"),
    ):
        at = datetime(2026, 10, 25, hour, minute)
        assert placer(berlin).resolve(entry("notes.txt", at), b"").day == day


def test_parts_of_a_frame_go_with_their_raw() -> None:
    work = placer()
    first = work.resolve(entry("DCIM/100ORREY/ORR_0001.DNG"), raw(datetime(2026, 6, 12, 22, 0)))
    for name in ("ORR_0001.WAV", "ORR_0001.xmp", "ORR_0001.DNG.xmp", "ORR_0001.THM"):
        part = work.resolve(entry(f"DCIM/100ORREY/{name}", datetime(2026, 6, 14, 12, 0)), b"")
        assert (part.day, part.shoot, part.body, part.wall_ns) == (
            first.day,
            first.shoot,
            first.body,
            first.wall_ns,
        )
    other = work.resolve(entry("DCIM/100ORREY/ORR_0002.xmp", datetime(2026, 6, 14, 12, 0)), b"")
    assert other.day == "2026-06-14"


def test_a_frame_of_another_folder_is_another_frame() -> None:
    work = placer()
    work.resolve(entry("DCIM/100ORREY/ORR_0001.DNG"), raw(datetime(2026, 6, 12, 22, 0)))
    assert work.resolve(entry("DCIM/101ORREY/ORR_0001.xmp"), b"").day == "2026-06-13"


def test_files_without_a_body_go_with_the_cards() -> None:
    work = placer()
    unread, read = entry("DCIM/100ORREY/ORR_0001.DNG"), entry("DCIM/100ORREY/ORR_0002.DNG")
    work.learn_from_heads([(unread, b"nothing to read"), (read, raw())])
    assert work.resolve(entry("A.MOV"), b"").body == "Orrery R7 7731"
    assert placer().resolve(entry("A.MOV"), b"").body == "unknown camera"


class CardInMemory:
    """Files of a card by path, each with its time."""

    def __init__(self, files: dict[str, bytes], at: datetime = EVENING) -> None:
        self.files = files
        self.entries = [replace(entry(path, at), size=len(content)) for path, content in files.items()]

    def read_at(self, path: str, offset: int, length: int) -> bytes:
        return self.files[path][offset : offset + length]

    def entries_in(self, folder: str) -> list[Entry]:
        return [one for one in self.entries if one.folder == folder]

    def placed(self, *, skip: int = 0) -> list[Destination]:
        """What becomes of its files, but for the first ones that an earlier run has read."""
        work = DestinationResolver(LayoutSettings(), UTC, lambda day: "quay", {}, source=self)
        return [work.resolve(one, self.files[one.path][:4096]) for one in self.entries[skip:]]


COPIED = datetime(2026, 7, 1, 9, 0)


def test_a_file_without_a_time_goes_with_its_frame_also_where_that_comes_later_on_the_card() -> None:
    """A film whose small JPEG has the time; its own times were lost when somebody copied the card."""
    small = make_camera_jpeg(1, taken_at=EVENING, subsec=7, offset="+02:00", serial="40017731")
    files = {"DCIM/100ORREY/MVI_0001.AVI": avi(), "DCIM/100ORREY/MVI_0001.THM": small}
    assert {one.day for one in CardInMemory(files, COPIED).placed()} == {"2026-06-13"}


def test_after_an_interruption_a_sound_still_goes_with_its_raw() -> None:
    """The raw was read by an earlier run and is not looked at again."""
    files = {"DCIM/100ORREY/ORR_0001.DNG": raw(), "DCIM/100ORREY/ORR_0001.WAV": b"RIFF"}
    (sound,) = CardInMemory(files, COPIED).placed(skip=1)
    assert (sound.day, sound.body, sound.kind) == ("2026-06-13", "Orrery R7 7731", FileKind.SOUND)


def test_a_card_whose_modification_times_were_lost_is_not_split_in_two_days() -> None:
    files = {f"DCIM/100ORREY/ORR_{number:04d}.DNG": raw() for number in range(1, 4)}
    files |= {"DCIM/100ORREY/ORR_0004.AVI": avi(), "DCIM/100ORREY/ORR_0005.MP4": film()}
    assert {one.day for one in CardInMemory(files, COPIED).placed()} == {"2026-06-13"}


def test_a_films_clock_that_may_be_utc_decides_only_where_the_files_time_is_lost() -> None:
    """21:30 in New York is 01:30 UTC of the next day; the film says so, its modification time does not."""
    new_york = timezone(timedelta(hours=-4))
    at_utc = int((datetime(2026, 6, 14, 1, 30) - datetime(1904, 1, 1)).total_seconds())
    content = film(mvhd(at_utc))
    for written, day in ((datetime(2026, 6, 14, 1, 30), "2026-06-13"), (COPIED, "2026-06-13")):
        found = DestinationResolver(LayoutSettings(), new_york, lambda day: "quay", {}).resolve(
            entry("C0001.MP4", written), content
        )
        assert (found.day, found.wall_ns) == (day, None)


def test_a_film_that_writes_no_serial_goes_with_the_body_of_its_card() -> None:
    files = {
        "DCIM/100ORREY/ORR_0001.DNG": raw(),
        "DCIM/100ORREY/ORR_0002.MOV": film(apple_keys({"com.apple.quicktime.model": "Orrery R7"})),
        "DCIM/100ORREY/ORR_0003.MOV": film(apple_keys({"com.apple.quicktime.model": "Another"})),
    }
    assert [one.body for one in CardInMemory(files).placed()] == ["Orrery R7 7731", "Orrery R7 7731", "Another"]


def test_a_key_that_differs_from_picture_to_picture_is_no_bodys_key() -> None:
    files = {
        f"DCIM/100MSDCF/DSC0{n:04d}.JPG": sony("ILCE-6400", 0x88, b"\xe7\0\0\0\x1d" + bytes([n]))
        for n in (8, 9, 27)
    }
    card = CardInMemory(files)
    work = DestinationResolver(LayoutSettings(), UTC, lambda day: "quay", {}, source=card)
    work.learn_from_heads((one, files[one.path]) for one in card.entries)
    assert {work.resolve(one, files[one.path]).body for one in card.entries} == {"ILCE-6400"}


def test_two_sony_bodies_of_one_model_are_told_apart_by_their_keys() -> None:
    keys = b"\xe7\0\0\0\x1d\xea", b"\x1a\0\0\0\x68\xea"
    files = {f"DCIM/100MSDCF/DSC0{n:04d}.JPG": sony("ILCE-6400", 0x88, keys[n % 2]) for n in range(1, 7)}
    card = CardInMemory(files)
    work = DestinationResolver(LayoutSettings(), UTC, lambda day: "quay", {}, source=card)
    work.learn_from_heads((one, files[one.path]) for one in card.entries)
    assert [work.resolve(one, files[one.path]).body for one in card.entries] == [
        "ILCE-6400 68ea",
        "ILCE-6400 1dea",
    ] * 3


def test_two_bodies_with_one_label_have_two_folders() -> None:
    """The last four of their serials are alike."""
    work = placer()
    one = work.resolve(entry("DCIM/100ORREY/ORR_0001.DNG"), raw(serial="10007731"))
    other = work.resolve(entry("DCIM/100ORREY/ORR_0002.DNG"), raw(serial="20007731"))
    again = work.resolve(entry("DCIM/100ORREY/ORR_0003.DNG"), raw(serial="10007731"))
    assert (one.body, other.body, again.body) == ("Orrery R7 7731", "Orrery R7 7731 (2)", "Orrery R7 7731")


def test_a_body_keeps_the_label_it_has() -> None:
    known = {("Orrery", "Orrery R7", "40017731"): "Orrery R7 7731 (3)"}
    assert placer(labels=known).resolve(entry("A.DNG"), raw()).body == "Orrery R7 7731 (3)"


def paths(work: DestinationResolver, cards: list[tuple[str, bytes]], taken: set[str]) -> list[str]:
    """The paths that these files get in this order, none of which may be one of `taken`."""
    found = []
    for card_path, head in cards:
        where = entry(card_path)
        path = work.choose_path(work.resolve(where, head), where, lambda path: path not in taken)
        assert path is not None
        taken.add(path)
        found.append(path)
    return found


def test_a_frame_whose_name_is_taken_keeps_one_number() -> None:
    base = "2026/2026-06-13 quay/Orrery R7 7731/"
    jpeg = make_camera_jpeg(1, taken_at=EVENING, subsec=7, offset="+02:00", serial="40017731", width=96, height=64)
    names = ["ORR_0001.DNG", "ORR_0001.JPG", "ORR_0001.WAV", "ORR_0001.xmp", "ORR_0001.DNG.xmp"]
    cards = [(f"DCIM/100ORREY/{name}", {"DNG": raw(), "JPG": jpeg}.get(name[-3:], b"")) for name in names]
    found = paths(placer(), cards, {base + "ORR_0001.DNG"})
    assert found == [
        base + name
        for name in ("ORR_0001-2.DNG", "ORR_0001-2.JPG", "ORR_0001-2.WAV", "ORR_0001-2.xmp", "ORR_0001-2.DNG.xmp")
    ]


def test_after_9999_the_same_number_is_another_picture() -> None:
    """At 9999 the number begins anew in the next folder (DCF; from memory): one body, two pictures, both kept."""
    base = "2026/2026-06-13 quay/Orrery R7 7731/"
    found = paths(
        placer(),
        [
            ("DCIM/100ORREY/DSC_0001.DNG", raw()),
            ("DCIM/100ORREY/DSC_9999.DNG", raw()),
            ("DCIM/101ORREY/DSC_0001.DNG", raw()),
            ("DCIM/101ORREY/DSC_0001.xmp", b""),
        ],
        set(),
    )
    assert found == [base + name for name in ("DSC_0001.DNG", "DSC_9999.DNG", "DSC_0001-2.DNG", "DSC_0001-2.xmp")]


def test_two_bodies_may_use_one_name() -> None:
    found = paths(
        placer(),
        [
            ("DCIM/100ORREY/DSC_0001.DNG", raw(serial="11110001")),
            ("DCIM/101ORREY/DSC_0001.DNG", raw(serial="22220002")),
        ],
        set(),
    )
    assert found == [f"2026/2026-06-13 quay/Orrery R7 {body}/DSC_0001.DNG" for body in ("0001", "0002")]


def test_a_name_is_given_up_in_the_end() -> None:
    work, asked = placer(), []
    where = entry("DCIM/100ORREY/ORR_0001.DNG")

    def never(path: str) -> bool:
        asked.append(path)
        return False

    assert work.choose_path(work.resolve(where, raw()), where, never) is None
    assert len(set(asked)) == len(asked) == MAX_NAME_NUMBER - 1


def test_a_late_sidecar_takes_the_number_its_raw_has_on_the_drive() -> None:
    """The raw was offloaded as `-2` yesterday; its sidecar comes today."""
    work, where = placer(), entry("DCIM/101ORREY/ORR_0001.DNG")
    placing = work.resolve(where, raw())
    work.learn_number(placing, where, add_number("ORR_0001.DNG", 2))
    sidecar = entry("DCIM/101ORREY/ORR_0001.xmp")
    path = work.choose_path(work.resolve(sidecar, b""), sidecar, lambda path: True)
    assert path is not None
    assert path.endswith("/ORR_0001-2.xmp")


@given(st.binary(max_size=3000), st.sampled_from(["A.DNG", "A.JPG", "A.MOV", "A.CR3", "A.xmp", "A.bin"]))
def test_any_bytes_have_a_place(head: bytes, name: str) -> None:
    found = placer().resolve(entry(f"DCIM/100ORREY/{name}"), head)
    assert len(found.day) == 10
    assert datetime.fromisoformat(found.day)


@given(st.integers(-(2**63), 2**63 - 1))
def test_any_time_has_a_day(ns: int) -> None:
    found = placer().resolve(Entry("A.bin", 1, ns), b"")
    assert "1969-12-31" <= found.day <= "2100-01-01"
