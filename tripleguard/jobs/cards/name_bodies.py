"""Name the camera body that filled a card, if the body writes no serial number.

New files are recorded under that name at once. Files that an earlier offload of the card recorded without a name
get it now. Files under another name keep it, and the person is warned that one of the two names is wrong.
"""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.cameras.body_names import MAX_LABEL_LENGTH, make_serial_from_name
from tripleguard.cameras.maker_notes import OPAQUE_KEY_PREFIX
from tripleguard.catalog.file_updates import ensure_body
from tripleguard.catalog.shoots import list_bodies_on_card, list_body_labels, reassign_body
from tripleguard.errors import UsageError
from tripleguard.jobs.context import JobContext
from tripleguard.names import escape_text, find_title_problem


def check_body_name(name: str) -> None:
    """Raise UsageError if the name can't be a body's: it becomes a folder."""
    why = find_title_problem(name) or (
        f"it is longer than {MAX_LABEL_LENGTH} characters" if len(name) > MAX_LABEL_LENGTH else None
    )
    if why is not None:
        raise UsageError(
            f"A body can't be called {escape_text(name)!r}: {why}.",
            safe="Nothing was changed.",
            do="Give it a short name, such as what is written on its strap: --body K2.",
        )


def name_bodies(ctx: JobContext, job_id: int, body_name: str | None) -> Iterator[str]:
    """Name the bodies of a card's files that carry no serial number; yield messages for the person.

    Args:
        body_name: The name for this card; None to take it from the settings, by model.

    Raises:
        CatalogError: The catalog can't be written.
    """
    found = list_bodies_on_card(ctx.catalog, job_id)
    if (
        body_name is not None
        and found
        and all(body.serial and not body.serial.startswith((" ", OPAQUE_KEY_PREFIX)) for body in found)
    ):
        yield f"The bodies of this card write their serials, so the name {body_name} is not needed."
    for body in found:
        name = body_name or ctx.settings.cameras.without_serial.get(body.model)
        if name is not None and (body.serial == "" or body.serial.startswith(OPAQUE_KEY_PREFIX)):
            key = (body.make, body.model, make_serial_from_name(name))
            with ctx.catalog.transaction():
                reassign_body(
                    ctx.catalog, job_id, body.id, ensure_body(ctx.catalog, _free_label(ctx, name, key), *key)
                )
        elif name is None and body.serial == "" and body.model:
            yield (
                f"{escape_text(body.model)} writes no serial, so two of them can't be told apart. Name this one: "
                "`offload CARD --body NAME`; or if you own only one, `without_serial` in the settings."
            )
        elif (
            body_name is not None
            and body.serial.startswith(" ")
            and body.serial != make_serial_from_name(body_name)
        ):
            yield f"{body.files:,} files are known as shot with body {body.label}, not {body_name}: that stays so."


def _free_label(ctx: JobContext, name: str, key: tuple[str, str, str]) -> str:
    """Return the name, numbered if a body of another model has it."""
    taken = {label.casefold() for label, other in list_body_labels(ctx.catalog).items() if other != key}
    number, label = 2, name
    while label.casefold() in taken:
        label, number = f"{name} ({number})", number + 1
    return label
