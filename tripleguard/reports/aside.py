"""What lies aside and what became of it, as lines for a terminal and as the objects that `--json` prints."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import tzinfo

from tripleguard.clock import iso_utc
from tripleguard.names import shown
from tripleguard.reports.objects import SCHEMA, Object, text, trouble
from tripleguard.reports.words import count, size, when
from tripleguard.work.mending.aside import Listed, Shelf, Thing
from tripleguard.work.mending.emptying import EmptyResult, PlacePlan, Spared

_SHOWN = 10
_NOTHING_BY_ITSELF = "Nothing here goes by itself."


def lines(found: Sequence[Listed], zone: tzinfo | None) -> Iterator[str]:
    """By drive: how many, how big, since when, why; and what would stay whatever is asked for."""
    full = False
    for one in found:
        name = shown(one.record.name)
        if one.shelf is None:
            yield f"Drive {name}: {_away(one, zone)}"
            continue
        if not one.shelf.things:
            yield f"Drive {name}: nothing lies aside."
            continue
        full = True
        yield f"Drive {name}: {_summed(one.shelf, zone)}"
        things = sorted(one.shelf.things, key=lambda thing: -(thing.since or 0))
        for thing in things[:_SHOWN]:
            why = f": {thing.lying.why}" if thing.lying.why else ""
            since = when(thing.since, zone) if thing.since is not None else "at an unknown time"
            yield f"  {since}  {_called(thing)}, {size(thing.lying.size)}{why}"
        if len(things) > _SHOWN:
            yield f"  and {len(things) - _SHOWN:,} more; all are in the --json output"
        yield from _staying(one)
    if full:
        yield (
            f"{_NOTHING_BY_ITSELF} Next: `tripleguard aside empty --drive NAME --older-than 90d --dry-run` says "
            "what would go."
        )


def listed_object(found: Sequence[Listed]) -> Object:
    return {"schema": SCHEMA, "places": [_place_object(one) for one in found]}


def plan_lines(plans: Sequence[PlacePlan]) -> Iterator[str]:
    """What would go and what would stay, by drive."""
    for plan in plans:
        name = shown(plan.record.name)
        if not plan.going:
            yield f"Drive {name}: nothing would go."
        else:
            yield (
                f"Drive {name}: {count(len(plan.going), 'bad copy', 'bad copies')} would go, "
                f"{size(plan.going_bytes)}. Each one's file has its verified copies on the drives that are here."
            )
            for thing in plan.going[:_SHOWN]:
                yield f"  {_called(thing)}, {size(thing.lying.size)}: {thing.lying.why or 'no note'}"
            if len(plan.going) > _SHOWN:
                yield f"  and {len(plan.going) - _SHOWN:,} more; all are in the --json output"
        yield from _spared(plan.spared, "would stay")
        if plan.not_chosen:
            yield f"  {count(plan.not_chosen, 'other')} too new or within the size to keep."


def plan_object(plans: Sequence[PlacePlan]) -> Object:
    return {
        "schema": SCHEMA,
        "dry_run": True,
        "removed": [_thing_object(plan.record.name, thing) for plan in plans for thing in plan.going],
        "kept": [_spared_object(one) for plan in plans for one in plan.spared],
        "not_chosen": sum(plan.not_chosen for plan in plans),
        "bytes": sum(plan.going_bytes for plan in plans),
        "forgotten": 0,
        "finished": True,
        "troubles": [],
        "seconds": 0.0,
    }


def emptied_lines(done: EmptyResult, plans: Sequence[PlacePlan]) -> Iterator[str]:
    """What went, what stayed, and why."""
    planned = {plan.record.id: plan for plan in plans}
    for place in done.places:
        name, plan = shown(place.record.name), planned[place.record.id]
        if place.removed:
            removed = count(len(place.removed), "bad copy was removed", "bad copies were removed")
            yield f"Drive {name}: {removed}, {size(place.removed_bytes)}."
        else:
            yield f"Drive {name}: nothing was removed."
        yield from _spared([*plan.spared, *place.spared], "stay" if _many(plan, place.spared) else "stays")
        if place.forgotten:
            gone = count(place.forgotten, "bad copy", "bad copies")
            yield f"  {gone} did not lie there any more; the catalog knows it now."
    yield from (f"Trouble: {error}" for error in done.troubles)
    if done.stopped:
        yield "Stopped: what is left lies where it was. Run the command again to go on."
    if any(place.removed for place in done.places):
        yield "Whose word it was and why is in `tripleguard log`."


def emptied_object(done: EmptyResult, plans: Sequence[PlacePlan]) -> Object:
    spared = [
        *(one for plan in plans for one in plan.spared),
        *(one for place in done.places for one in place.spared),
    ]
    return {
        "schema": SCHEMA,
        "dry_run": False,
        "removed": [_thing_object(place.record.name, thing) for place in done.places for thing in place.removed],
        "kept": [_spared_object(one) for one in spared],
        "not_chosen": sum(plan.not_chosen for plan in plans),
        "bytes": sum(place.removed_bytes for place in done.places),
        "forgotten": sum(place.forgotten for place in done.places),
        "finished": not done.stopped and not done.troubles,
        "troubles": [trouble(error) for error in done.troubles],
        "seconds": done.seconds,
    }


def _away(one: Listed, zone: tzinfo | None) -> str:
    if one.trouble is not None:
        return str(one.trouble)
    if not one.recorded.copies:
        return "not connected; the catalog has nothing aside there."
    lie = count(one.recorded.copies, "bad copy lies", "bad copies lie")
    since = when(one.recorded.oldest, zone)
    return f"not connected; by the catalog {lie} aside there, {size(one.recorded.total_bytes)}, since {since}."


def _summed(shelf: Shelf, zone: tzinfo | None) -> str:
    since = min((thing.since for thing in shelf.things if thing.since is not None), default=None)
    things = count(len(shelf.things), "thing lies", "things lie")
    begun = "" if since is None else f", the oldest since {when(since, zone)}"
    return f"{things} aside, {size(shelf.total_bytes)}{begun}."


def _staying(one: Listed) -> Iterator[str]:
    """Why some would stay, counted by reason."""
    for why, number in Counter(one.kept.values()).most_common():
        yield f"  {number:,} would stay: {why}."


def _spared(spared: Sequence[Spared], stays: str) -> Iterator[str]:
    by_why: dict[str, list[Spared]] = {}
    for one in spared:
        by_why.setdefault(one.why, []).append(one)
    for why, some in by_why.items():
        yield f"  {len(some):,} {stays}, {size(sum(one.size for one in some))}: {why}."
        for one in some[:3]:
            yield f"    {shown(one.path)}"
        if len(some) > 3:
            yield f"    and {len(some) - 3:,} more"


def _many(plan: PlacePlan, spared: Sequence[Spared]) -> bool:
    return len(plan.spared) + len(spared) > 1


def _called(thing: Thing) -> str:
    return shown(thing.lying.name)


def _place_object(one: Listed) -> Object:
    shelf = one.shelf
    since = [thing.since for thing in shelf.things if thing.since is not None] if shelf else [one.recorded.oldest]
    return {
        "place": one.record.name,
        "state": "away" if shelf is None and one.trouble is None else "connected",
        "files": len(shelf.things) if shelf else one.recorded.copies,
        "bytes": shelf.total_bytes if shelf else one.recorded.total_bytes,
        "oldest": _time(min((at for at in since if at is not None), default=None)),
        "things": [
            {**_thing_object(one.record.name, thing), "kept_because": one.kept.get(thing.lying.path)}
            for thing in (shelf.things if shelf else ())
        ],
        "not_there": len(shelf.vanished) if shelf else 0,
        "trouble": None if one.trouble is None else trouble(one.trouble),
    }


def _thing_object(place: str, thing: Thing) -> Object:
    return {
        "place": place,
        "path": text(thing.lying.path),
        "bytes": thing.lying.size,
        "since": _time(thing.since),
        "why": thing.lying.why or None,
        "digest": thing.file.file.digest.hex() if thing.file else None,
    }


def _spared_object(one: Spared) -> Object:
    return {"place": one.place, "path": text(one.path), "bytes": one.size, "reason": one.why}


def _time(ns: int | None) -> str | None:
    return None if ns is None else iso_utc(ns)
