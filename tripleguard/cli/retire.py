"""`retire`: take a drive out of service, once everything on it is safe without it."""

from __future__ import annotations

import click

from tripleguard.cli.shell import finish, kit_of, say, say_json


@click.command("retire")
@click.argument("name")
@click.option("--prepare", is_flag=True, help="Make and read back the copies that will be missing; retire later.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
@click.pass_obj
def command(home: str | None, name: str, prepare: bool, as_json: bool) -> int:
    """Take drive NAME out of service, if everything on it is safe without it.

    With --prepare its copies stop counting, what the other drives then miss is copied to them and read back. That
    can take several evenings: run it again whenever other drives are connected. Without --prepare it looks again,
    answers, and retires the drive only if the answer is yes. Nothing on the drive itself is touched, ever.
    """
    from tripleguard.reports import retiring as shows
    from tripleguard.work.kit import opened, where_drives_are
    from tripleguard.work.years import retiring

    with kit_of(home) as kit:
        record = retiring.drive_to_retire(kit, name)
        if prepare:
            retiring.mark_leaving(kit, record)
        drives = [(one, path) for one, path in where_drives_are(kit) if one.state in retiring.IN_SERVICE]
        with opened(kit, drives, f"retire {record.name}", leaving=record.id) as ready:
            only_read = [drive for drive in ready.readable() if drive not in ready.drives]
            prepared = finish(retiring.prepare(kit, record, ready.drives, only_read)) if prepare else None
            answer = finish(retiring.ask_and_keep(kit, record, ready.looked_at))
            yes = answer.clearance.answer
            records = retiring.retire(kit, answer, ready.drives) if yes and not prepare else ()
        if as_json:
            say_json(shows.retired_object(answer, prepared, records, retired=yes and not prepare))
        else:
            if prepared:
                say(shows.prepared(prepared))
            say(shows.answer(answer))
            say(shows.after(answer, prepared is not None, records))
    return 0 if yes else 1
