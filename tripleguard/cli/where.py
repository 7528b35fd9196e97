"""`where`: list every copy of the files that match, and which to fetch first."""

from __future__ import annotations

import click

from tripleguard.cli.shell import open_context, print_json, print_lines

_MAX_FILES = 200


@click.command("where")
@click.argument("patterns", nargs=-1, metavar="[PATTERN]...")
@click.option("--name", metavar="PART", help="A part of the file's name.")
@click.option("--day", metavar="DAY", help="Taken then: 2026, 2026-06, 2026-06-13, or two with .. between.")
@click.option("--shoot", metavar="PART", help="A part of the shoot's day or name.")
@click.option("--body", metavar="PART", help="A part of the camera body's name.")
@click.option("--rating", type=click.FloatRange(-1, 5), metavar="N", help="Rated N or higher.")
@click.option("--digest", metavar="HEX", help="The BLAKE3 of the file, at least the first 8 digits.")
@click.option("--selects", is_flag=True, help="Only what was chosen.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(
    home: str | None,
    patterns: tuple[str, ...],
    name: str | None,
    day: str | None,
    shoot: str | None,
    body: str | None,
    rating: float | None,
    digest: str | None,
    selects: bool,
    as_json: bool,
) -> int:
    """Every copy of the files that are meant, and which to fetch first.

    A PATTERN is a part of a name, a shoot or a camera body, a day, or the beginning of a digest. Several of them,
    and options, must all hold.
    """
    from tripleguard.catalog.search import SearchQuery, is_digest_prefix, parse_time_span
    from tripleguard.errors import UsageError
    from tripleguard.jobs.queries.search import search
    from tripleguard.presentation.where import build_search_object, format_search_result

    span = parse_time_span(day) if day is not None else None
    wrong = [
        words
        for is_wrong, words in (
            (
                day is not None and span is None,
                f"--day {day!r} is no day like 2026-06-13 or 2026-06-01..2026-06-14",
            ),
            (digest is not None and not is_digest_prefix(digest), "--digest wants 8 to 64 hex digits"),
            (any(word == "" for word in (*patterns, name, shoot, body)), "a word is empty"),
        )
        if is_wrong
    ]
    sought = SearchQuery(tuple(patterns), name, span, shoot, body, rating, digest, selects)
    if sought == SearchQuery():
        wrong.append("nothing was said to look for")
    if wrong:
        raise UsageError(
            f"It can't be looked for: {wrong[0]}.", safe="Nothing was changed.", do="See `where --help`."
        )
    with open_context(home) as ctx:
        found = search(ctx, sought, _MAX_FILES)
        if as_json:
            print_json(build_search_object(found))
        elif found.files:
            print_lines(format_search_result(found, ctx.clock.now()))
        else:
            asked = " ".join(patterns)
            what = f"No file matches {asked!r}" if asked else "No file is like that"
            print_lines([f"{what}. Try a part of its name, its day (2026-06-13) or its shoot."])
            if any(char in word for word in (*patterns, name or "") for char in "*?"):
                print_lines(["* and ? stand for themselves here: a part of the name is enough, such as 0412."])
    return 0 if found.files else 1
