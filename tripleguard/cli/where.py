"""`where`: every copy of the files that match."""

from __future__ import annotations

import click

from tripleguard.cli.shell import kit_of, say, say_json

_MOST = 200


@click.command("where")
@click.argument("pattern")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(home: str | None, pattern: str, as_json: bool) -> int:
    """Every copy of the files whose name, capture time, shoot, camera or digest matches PATTERN."""
    from tripleguard.catalog import questions, shoots
    from tripleguard.catalog.places import all_places
    from tripleguard.reports import objects, text

    with kit_of(home) as kit:
        names = {place.id: place.name for place in all_places(kit.catalog)}
        found = questions.matching(kit.catalog, pattern, _MOST + 1)
        files = [
            (
                known,
                shoots.shoot_with_id(kit.catalog, known.shoot_id),
                [(copy, names[copy.place_id]) for copy in questions.copies_of(kit.catalog, known.id)],
            )
            for known in found[:_MOST]
        ]
        more = len(found) > _MOST
        if as_json:
            say_json(objects.where(files, more))
        elif files:
            say(text.where(files, more, kit.clock.now()))
        else:
            say([f"No file matches {pattern!r}. Try a part of its name, its day (2026-06-13) or its shoot."])
    return 0 if files else 1
