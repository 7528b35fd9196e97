"""A drill fetches a random sample from the third place too, and says what it cost."""

from __future__ import annotations

import pytest
from faulty_network import Faults, Line
from offsite_world import Offsite, credentials_for
from s3_gateway import Gateway
from world import World

SIZE = 64 << 10

pytestmark = pytest.mark.usefixtures("credentials")


@pytest.fixture
def credentials(monkeypatch: pytest.MonkeyPatch) -> None:
    credentials_for(monkeypatch)


def sent(world: World, gateway: Gateway, count: int) -> Offsite:
    offsite = Offsite(world, gateway).setup()
    offsite.chosen(count)
    assert offsite.send().sent == count
    return offsite


def test_a_drill_fetches_from_offsite_when_asked_within_the_budget_and_says_the_cost(
    world: World, gateway: Gateway
) -> None:
    sent(world, gateway, 5)
    assert "was not sampled" in world.run("drill").out
    world.settings("[offsite]\nprice_per_gb = 90.0\n")
    answer = world.run("drill", "--offsite", "--json")
    assert answer.status == 0, answer.err
    places = {one["place"]: (one["sampled"], len(one["failed"])) for one in answer.json["places"]}
    assert places == {"A": (5, 0), "B": (5, 0), "offsite": (5, 0)}
    assert answer.json["cost"] == {"bytes": 5 * SIZE, "of_bytes": 5 * SIZE, "price": round(5 * SIZE / 1e9 * 90, 4)}
    few = world.run("drill", "--offsite", "--most", "140 kB", "--json").json
    assert (few["places"][2]["sampled"], few["cost"]["bytes"]) == (2, 2 * SIZE)
    assert list((world.home / "scratch").iterdir()) == []


def test_what_rotted_or_vanished_at_the_provider_fails_the_drill_and_is_a_finding(
    world: World, gateway: Gateway
) -> None:
    offsite = sent(world, gateway, 3)
    first, second, _ = sorted(offsite.objects())
    gateway.rot(offsite.bucket, f"tour 26/{first}")
    gateway.ask("DELETE", f"/{offsite.bucket}/tour 26/{second}")
    answer = world.run("drill", "--offsite", "--json")
    assert (answer.status, len(answer.json["places"][2]["failed"])) == (1, 2)
    found = {one["path"]: one["kind"] for one in world.run("findings", "--json").json["findings"] if one["path"]}
    assert found == {first: "corrupt", second: "missing"}
    assert world.run("repair").status == 0


def test_a_line_that_fails_in_a_drill_says_nothing_about_the_copies(world: World, gateway: Gateway) -> None:
    with Line(gateway.port, Faults()) as line:
        offsite = Offsite(world, gateway, line.endpoint).setup()
        offsite.chosen(1)
        offsite.send()
    answer = world.run("drill", "--offsite", "--json")
    assert (answer.status, len(answer.json["troubles"])) == (1, 1)
    assert [one["sampled"] for one in answer.json["places"]] == [1, 1]
    assert world.run("findings", "--json").json["findings"] == []


def test_a_sealed_copy_is_compared_as_it_lies_or_opened_with_the_key(world: World, gateway: Gateway) -> None:
    pyrage = pytest.importorskip("pyrage", reason="the extra `seal` is not installed")
    key = pyrage.x25519.Identity.generate()
    offsite = Offsite(world, gateway).setup()
    world.settings(f'[offsite]\nseal_for = ["{key.to_public()}"]\n')
    offsite.chosen(2)
    offsite.send()
    path = world.root / "key.txt"
    path.write_text(f"{key}\n")
    without = world.run("drill", "--offsite", "--json")
    assert (without.status, without.json["compared_sealed"]) == (0, 2)
    with_it = world.run("drill", "--offsite", "--key", path, "--json")
    assert (with_it.status, with_it.json["compared_sealed"], with_it.json["places"][2]["failed"]) == (0, 0, [])
    path.write_text(f"{pyrage.x25519.Identity.generate()}\n")
    assert world.run("drill", "--offsite", "--key", path).status == 2
    gateway.rot(offsite.bucket, f"tour 26/{min(offsite.objects())}")
    path.write_text(f"{key}\n")
    for more in ((), ("--key", path)):
        assert len(world.run("drill", "--offsite", *more, "--json").json["places"][2]["failed"]) == (not more)
    assert list((world.home / "scratch").iterdir()) == []
