"""The best pictures are in a third place the same night, over a line as hotels have it, and that is proved.

Against a real server (`gateway`), most of it through a line that fails (`faulty`).
"""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest
from faulty_network import SIGN_IN, Faults, Line, page
from offsite_world import BIG, PART, QUICK, Offsite, credentials_for, paths_on
from s3_gateway import KEY, SECRET, Gateway
from world import TestClock, World, finished

from tripleguard import checklist
from tripleguard.clock import DAY, HOUR
from tripleguard.errors import AccessDeniedError
from tripleguard.jobs.background import Budget
from tripleguard.jobs.offsite.network import RetryPolicy
from tripleguard.jobs.offsite.upload import upload


@pytest.fixture(autouse=True)
def credentials(monkeypatch: pytest.MonkeyPatch) -> None:
    credentials_for(monkeypatch)


def stars(rating: str) -> str:
    """What an editor writes into a sidecar."""
    return (
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description'
        f' xmlns:xmp="http://ns.adobe.com/xap/1.0/" xmp:Rating="{rating}"/></rdf:RDF>'
    )


def test_the_chosen_ones_are_offsite_the_same_night_under_their_own_names(world: World, gateway: Gateway) -> None:
    offsite = Offsite(world, gateway).setup()
    offsite.chosen(3, more=lambda card: card.picture("DCIM/100ORREY/ORR_0002.JPG"))
    answer = world.run("upload", "--json")
    assert answer.status == 0, answer.err
    assert (answer.json["sent"], answer.json["still_owed"]) == (4, 0)
    assert offsite.objects() == paths_on(world)
    assert world.run("report").status == 0
    found = world.run("where", "ORR_0002.DNG", "--json").json["files"][0]
    assert [copy["place"] for copy in found["copies"] if copy["verified_at"]] == ["A", "B", "offsite"]


def test_a_newcomer_hears_what_leaves_the_house_and_that_nothing_is_chosen_yet(world: World) -> None:
    answer = world.run("setup", "--offsite", world.folder("nas"))
    assert "consent" in answer.out
    assert "Contracts" in answer.out
    assert "with drive A: it is no third place" in answer.out
    assert "Nothing is chosen" in world.run("upload").out


def test_the_bucket_explains_itself(world: World, gateway: Gateway) -> None:
    offsite = Offsite(world, gateway).setup()
    offsite.chosen(2)
    world.run("upload")
    folder = "2026/2026-06-13 Harbour"
    listed = {
        f"{folder}/{name}": digest for name, digest in checklist.parse_b3sum(offsite.get(f"{folder}/checksums.b3"))
    }
    assert listed == offsite.objects()
    assert b'"name": "offsite"' in offsite.get(".tripleguard/place.json")


def test_what_is_sent_once_is_not_sent_again_and_nothing_is_begun(world: World, gateway: Gateway) -> None:
    offsite = Offsite(world, gateway).setup()
    offsite.chosen(2)
    assert offsite.send().sent == 2
    again = offsite.send()
    assert (again.sent, again.network_bytes) == (0, 0)


def test_a_large_file_goes_in_parts_and_comes_out_whole(world: World, gateway: Gateway) -> None:
    offsite = Offsite(world, gateway).setup()
    offsite.chosen(1, size=BIG)
    assert offsite.send().sent == 1
    assert offsite.objects() == paths_on(world)


def test_a_name_with_every_kind_of_character_comes_out_as_it_went_in(world: World, gateway: Gateway) -> None:
    offsite = Offsite(world, gateway).setup()
    card = world.card()
    names = ["A#1.DNG", "B?2.DNG", "C%20.DNG", "D+E.DNG", "F é ü.DNG", "G&H=I.DNG", "J'K~(L).DNG"]
    for name in names:
        card.raw(f"DCIM/100ORREY/{name}")
    assert world.run("offload", card.root, "--shoot", "Harbour & Sons 100%").status == 0
    world.run("selects", "add", *names)
    assert offsite.send().sent == len(names)
    assert offsite.objects() == paths_on(world)


def test_a_body_that_arrives_changed_is_refused_and_sent_again(world: World, gateway: Gateway) -> None:
    with Line(gateway.port, Faults()) as line:
        offsite = Offsite(world, gateway, line.endpoint).setup()
        offsite.chosen(12)
        line.faults.corrupt = 0.3
        result = offsite.send()
    assert line.corrupted >= 2
    assert result.sent == 12
    assert offsite.objects() == paths_on(world)


def test_a_line_that_is_cut_in_a_part_costs_that_part_alone(world: World, gateway: Gateway) -> None:
    with Line(gateway.port, Faults()) as line:
        offsite = Offsite(world, gateway, line.endpoint).setup()
        offsite.chosen(1, size=BIG)
        line.faults.cut_after = [900_000, 800_000]
        before = line.received
        assert offsite.send().sent == 1
        assert line.cuts == 2
    assert line.received - before <= BIG + 1_700_000 + 50_000
    assert offsite.objects() == paths_on(world)


def test_a_busy_server_and_a_silent_one_are_waited_for(world: World, gateway: Gateway) -> None:
    with Line(gateway.port, Faults()) as line:
        offsite = Offsite(world, gateway, line.endpoint).setup()
        offsite.chosen(3)
        busy = page("503 Slow Down", b"<Error><Code>SlowDown</Code></Error>")
        broken = page("500 Internal Server Error", b"<html>nginx</html>", "text/html")
        with offsite.opened() as (ctx, drives, place):
            line.faults.answers, line.faults.stalls = [busy, broken, busy, busy], 1
            result = finished(upload(ctx, drives, place, Budget(), retry_policy=QUICK))
    assert (result.sent, result.missing) == (3, 0)
    assert result.retries >= 4


def test_a_sign_in_page_is_named_and_nothing_is_believed(world: World, gateway: Gateway) -> None:
    with Line(gateway.port, Faults()) as line:
        offsite = Offsite(world, gateway, line.endpoint).setup()
        offsite.chosen(2)
        with offsite.opened() as (ctx, drives, place):
            line.faults.answers = [SIGN_IN] * 1000
            result = finished(upload(ctx, drives, place, Budget(), retry_policy=QUICK))
        assert (result.sent, result.missing) == (0, 2)
        assert "page of this network" in result.blocked_reason
        line.faults.answers = []
        assert offsite.send().sent == 2


def test_a_clock_that_is_wrong_is_named_with_how_much(world: World, gateway: Gateway) -> None:
    offsite = Offsite(world, gateway).setup()
    offsite.chosen(1)
    with pytest.raises(AccessDeniedError, match="180 minutes behind"):
        offsite.send(clock=TestClock(time.time_ns() - 3 * HOUR))
    with offsite.opened(clock=(clock := TestClock())) as (ctx, drives, place):
        clock.at += 2 * HOUR
        result = finished(upload(ctx, drives, place, Budget(), retry_policy=QUICK))
    assert result.sent == 0
    assert "120 minutes ahead" in result.blocked_reason


def test_a_line_that_never_comes_back_is_given_up_in_time_and_what_arrived_counts(
    world: World, gateway: Gateway
) -> None:
    with Line(gateway.port, Faults()) as line:
        offsite = Offsite(world, gateway, line.endpoint).setup()
        offsite.chosen(1, size=BIG)
        line.faults.cut_after = [2 * PART, *[1] * 500]
        few = RetryPolicy(
            first_wait_s=0.01, max_wait_s=0.05, max_tries=5, give_up_after_s=20.0, response_timeout_s=1.0
        )
        result = offsite.send(patience=few)
        assert result.sent == 0
        line.faults.cut_after = []
        with world.ctx() as ctx:
            numbers = [row[0] for row in ctx.catalog.fetch_all("SELECT number FROM upload_parts")]
        arrived = sum(min(PART, BIG - (number - 1) * PART) for number in numbers)
        before = line.received
        assert offsite.send().sent == 1
    assert numbers
    assert line.received - before <= BIG - arrived + 50_000, "a part that had arrived was sent again"


def test_an_object_of_another_maker_is_never_overwritten(world: World, gateway: Gateway) -> None:
    offsite = Offsite(world, gateway).setup()
    offsite.chosen(1)
    (path,) = paths_on(world)
    gateway.ask("PUT", f"/{offsite.bucket}/tour 26/{path}", body=b"somebody else's")
    assert offsite.send().sent == 1
    assert offsite.get(path) == b"somebody else's"
    assert offsite.objects()[path.replace(".DNG", "-2.DNG")] == paths_on(world)[path]


def test_a_large_object_of_another_maker_is_never_overwritten(world: World, gateway: Gateway) -> None:
    offsite = Offsite(world, gateway).setup()
    offsite.chosen(1, size=BIG)
    (path,) = paths_on(world)
    gateway.ask("PUT", f"/{offsite.bucket}/tour 26/{path}", body=b"somebody else's")
    assert offsite.send().sent == 1
    assert offsite.get(path) == b"somebody else's"


def test_what_is_no_longer_chosen_stays_and_is_called_surplus(world: World, gateway: Gateway) -> None:
    offsite = Offsite(world, gateway).setup()
    offsite.chosen(2)
    offsite.send()
    before = offsite.objects()
    assert world.run("selects", "drop", "ORR_0001").status == 0
    result = offsite.send()
    assert (result.surplus, result.missing) == (1, 0)
    assert offsite.objects() == before
    assert world.run("report", "--json").json["surplus"]["files"] == 1


def test_the_highest_rating_goes_first(world: World, gateway: Gateway) -> None:
    offsite = Offsite(world, gateway).setup()
    card = world.card()
    card.frames(5)
    assert world.run("offload", card.root, "--shoot", "Harbour").status == 0
    raws = sorted(world.drives["A"].rglob("*.DNG"))
    for raw, rating in zip(raws, ("4", "4", "5", "4", "4.5"), strict=True):
        raw.with_suffix(".xmp").write_text(stars(rating))
    assert world.run("selects", "learn", "--json").json["added"] == 5
    world.settings("[offsite]\nat_once = 1\n")
    offsite.send()
    with world.ctx() as ctx:
        rows = ctx.catalog.fetch_all(
            "SELECT c.name FROM copies c JOIN places p ON p.id = c.place_id AND p.kind = 'offsite'"
            " WHERE c.name LIKE '%.DNG' ORDER BY c.id"
        )
    assert [row[0] for row in rows][:2] == ["ORR_0003.DNG", "ORR_0005.DNG"]


def test_an_edited_sidecar_gets_a_key_of_its_own(world: World, gateway: Gateway) -> None:
    offsite = Offsite(world, gateway).setup()
    card = world.card()
    card.frames(1)
    assert world.run("offload", card.root, "--shoot", "Harbour").status == 0
    raw = next(world.drives["A"].rglob("*.DNG"))
    sidecar = raw.with_suffix(".xmp")
    sidecar.write_text(stars("5"))
    world.run("selects", "learn")
    assert offsite.send().sent == 2
    sidecar.write_text(stars("4.5"))
    os.utime(sidecar, (2_000_000_000, 2_000_000_000))
    world.run("selects", "learn")
    result = offsite.send()
    assert (result.sent, result.surplus, result.missing) == (1, 0, 0)
    names = sorted(Path(key).name for key in offsite.objects())
    assert names == ["ORR_0001-2.xmp", "ORR_0001.DNG", "ORR_0001.xmp"]
    kinds = {one["kind"] for one in world.run("findings", "--json").json["findings"] if one["place"] == "offsite"}
    assert kinds == set(), "the older version there is history, and no fault"


def test_a_metered_line_and_the_wrong_hour_send_nothing_until_asked(world: World, gateway: Gateway) -> None:
    offsite = Offsite(world, gateway).setup()
    offsite.chosen(1)
    world.settings("[offsite]\nmetered = true\n")
    answer = world.run("upload", "--json")
    assert (answer.status, answer.json["sent"], answer.json["still_owed"]) == (1, 0, 1)
    assert "paid by the byte" in answer.json["waits"]
    clock = TestClock()
    hour = clock.at % DAY // HOUR
    world.settings(f'[offsite]\nhours = "{(hour + 2) % 24:02}:00-{(hour + 8) % 24:02}:00"\n')
    assert "not the time" in offsite.send(clock=clock).blocked_reason
    world.settings("[offsite]\nmetered = true\n")
    assert world.run("upload", "--even-metered").status == 0


def test_a_cap_on_the_line_is_not_passed(world: World, gateway: Gateway) -> None:
    with Line(gateway.port, Faults()) as line:
        offsite = Offsite(world, gateway, line.endpoint).setup()
        offsite.chosen(4, size=100_000)
        with offsite.opened() as (ctx, drives, place):
            before, began = line.received, time.monotonic()
            job = upload(ctx, drives, place, Budget(rate=125_000), retry_policy=QUICK)
            ended = began
            for moved in job:
                if getattr(moved, "files", 0) == 4:
                    ended = time.monotonic()
                    break
        sent = line.received - before
    assert sent >= 400_000
    assert sent / (ended - began) <= 125_000 * 1.05


def test_no_secret_is_in_the_catalog_the_log_or_what_is_printed(world: World, gateway: Gateway) -> None:
    offsite = Offsite(world, gateway).setup()
    offsite.chosen(1)
    said = [world.run("upload"), world.run("report"), world.run("log"), world.run("drives", "--json")]
    assert all(SECRET not in answer.out + answer.err for answer in said)
    for file in world.home.rglob("*"):
        if file.is_file():
            assert SECRET.encode() not in file.read_bytes(), file


def test_an_address_with_a_credential_is_refused_and_not_kept(world: World) -> None:
    answer = world.run("setup", "--offsite", "s3://key:secretword@bucket/x")
    assert answer.status == 2
    assert "secretword" not in answer.out + answer.err
    assert world.run("setup", "--offsite", "ftp://host/x").status == 2
    assert world.run("setup", "--offsite", "s3:///x").status == 2


def test_without_credentials_it_is_said_where_they_belong(
    world: World, gateway: Gateway, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("AWS_SECRET_ACCESS_KEY")
    monkeypatch.setenv("AWS_SHARED_CREDENTIALS_FILE", str(world.root / "none"))
    monkeypatch.setenv("AWS_CONFIG_FILE", str(world.root / "none"))
    monkeypatch.setenv("PYTHON_KEYRING_BACKEND", "keyring.backends.null.Keyring")
    answer = world.run("setup", "--offsite", Offsite(world, gateway).url)
    assert answer.status == 3
    assert "AWS_ACCESS_KEY_ID" in answer.err


def test_a_profile_file_is_read_as_other_programs_read_it(
    world: World, gateway: Gateway, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("AWS_ACCESS_KEY_ID")
    monkeypatch.delenv("AWS_SECRET_ACCESS_KEY")
    file = world.root / "credentials"
    file.write_text(f"[tour]\naws_access_key_id = {KEY}\naws_secret_access_key = {SECRET}\n")
    monkeypatch.setenv("AWS_SHARED_CREDENTIALS_FILE", str(file))
    offsite = Offsite(world, gateway)
    answer = world.run("setup", "--offsite", f"{offsite.url}&profile=tour")
    assert answer.status == 0, answer.err


def test_a_folder_on_one_of_the_drives_is_no_third_place(world: World) -> None:
    inside = world.drives["A"] / "third"
    inside.mkdir()
    answer = world.run("setup", "--offsite", inside)
    assert answer.status == 3
    assert "inside one another" in answer.err
    assert not (inside / ".tripleguard").exists()


def test_a_place_that_is_given_up_counts_no_more_and_another_can_be_named(world: World, gateway: Gateway) -> None:
    offsite = Offsite(world, gateway).setup()
    offsite.chosen(1)
    offsite.send()
    assert world.run("setup", "--offsite", Offsite(world, gateway).url).status == 2
    assert world.run("drives", "lost", "offsite").status in (0, 1)
    other = Offsite(world, gateway).setup()
    assert other.send().sent == 1
    assert other.objects() == offsite.objects()


def test_the_progress_speaks_of_lines_as_lines_are_sold(world: World, gateway: Gateway) -> None:
    from tripleguard.cli.progress import format_progress
    from tripleguard.jobs.progress import ProgressUpdate

    moved = ProgressUpdate("upload", 3, 41, 100_000_000, 1_200_000_000, 162_500.0, 6769.0)
    text = " ".join(format_progress(moved, 200))
    assert "3 of 41 files" in text
    assert "1.3 Mbit/s, 1 h 53 min left" in text


def test_an_upload_of_what_is_chosen_no_more_is_given_up_with_its_parts(world: World, gateway: Gateway) -> None:
    with Line(gateway.port, Faults()) as line:
        offsite = Offsite(world, gateway, line.endpoint).setup()
        offsite.chosen(1, size=BIG)
        line.faults.cut_after = [2 * PART, *[1] * 100]
        offsite.send(
            patience=RetryPolicy(
                first_wait_s=0.01, max_wait_s=0.02, max_tries=3, give_up_after_s=10.0, response_timeout_s=2.0
            )
        )
        line.faults.cut_after = []
        assert b"<UploadId>" in gateway.ask("GET", f"/{offsite.bucket}", {"uploads": ""})[1]
        world.run("selects", "drop", "ORR_0001")
        offsite.send()
    assert b"<UploadId>" not in gateway.ask("GET", f"/{offsite.bucket}", {"uploads": ""})[1]
