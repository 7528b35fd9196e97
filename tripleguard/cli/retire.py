"""`retire`: take a drive out of service, once everything on it is safe without it."""

from __future__ import annotations

import click

from tripleguard.cli.shell import open_context, print_json, print_lines, run_job


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
    from tripleguard.jobs.drives import locate_drives, open_drives
    from tripleguard.jobs.lifecycle import retire
    from tripleguard.presentation import retire as shows

    with open_context(home) as ctx:
        record = retire.get_drive_to_retire(ctx, name)
        if prepare:
            retire.mark_leaving(ctx, record)
        drives = [(one, path) for one, path in locate_drives(ctx) if one.state in retire.IN_SERVICE]
        with open_drives(ctx, drives, f"retire {record.name}", leaving_id=record.id) as ready:
            only_read = [drive for drive in ready.readable() if drive not in ready.writable]
            prepared = (
                run_job(retire.prepare_retirement(ctx, record, ready.writable, only_read)) if prepare else None
            )
            answer = run_job(retire.answer_and_record(ctx, record, ready.connected))
            yes = answer.clearance.is_yes
            records = retire.retire(ctx, answer, ready.writable) if yes and not prepare else ()
        if as_json:
            print_json(shows.build_retire_object(answer, prepared, records, is_retired=yes and not prepare))
        else:
            if prepared:
                print_lines(shows.format_preparation(prepared))
            print_lines(shows.format_retire_answer(answer))
            print_lines(shows.format_next_steps(answer, prepared is not None, records))
    return 0 if yes else 1
