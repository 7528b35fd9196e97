"""A person says which body filled a card: for bodies that write no serial, so that no two are taken for one.

What is new is entered under that name at once. What an earlier offload of the card entered without one gets it
now. What carries another name already keeps it, and the person hears of it: one of the two names is wrong.
"""

from __future__ import annotations

from collections.abc import Iterator

from tripleguard.cameras.body import LONGEST, serial_of_named
from tripleguard.cameras.notes import KEY
from tripleguard.catalog.bodies import bodies_read_by, give_body, labels
from tripleguard.catalog.writing import ensure_body
from tripleguard.errors import WrongUse
from tripleguard.names import shown, trouble_with_title
from tripleguard.work.kit import Kit


def check_name(name: str) -> None:
    """Raise WrongUse if a body can't be called so: its name becomes a folder."""
    why = trouble_with_title(name) or (f"it is longer than {LONGEST} characters" if len(name) > LONGEST else None)
    if why is not None:
        raise WrongUse(
            f"A body can't be called {shown(name)!r}: {why}.",
            safe="Nothing was changed.",
            do="Give it a short name, such as what is written on its strap: --body K2.",
        )


def name_body(kit: Kit, job_id: int, given: str | None) -> Iterator[str]:
    """Give the bodies of a card's files their names, where they carry no serial; lines a person should hear.

    given: for this card; else by model, from the settings. Raises CatalogTrouble.
    """
    found = bodies_read_by(kit.catalog, job_id)
    if (
        given is not None
        and found
        and all(body.serial and not body.serial.startswith((" ", KEY)) for body in found)
    ):
        yield f"The bodies of this card write their serials, so the name {given} is not needed."
    for body in found:
        name = given or kit.settings.cameras.without_serial.get(body.model)
        if name is not None and (body.serial == "" or body.serial.startswith(KEY)):
            key = (body.make, body.model, serial_of_named(name))
            with kit.catalog.writing():
                give_body(
                    kit.catalog, job_id, body.id, ensure_body(kit.catalog, _free_label(kit, name, key), *key)
                )
        elif name is None and body.serial == "" and body.model:
            yield (
                f"{shown(body.model)} writes no serial, so two of them can't be told apart. Name this one: "
                "`offload CARD --body NAME`; or if you own only one, `without_serial` in the settings."
            )
        elif given is not None and body.serial.startswith(" ") and body.serial != serial_of_named(given):
            yield f"{body.files:,} files are known as shot with body {body.label}, not {given}: that stays so."


def _free_label(kit: Kit, name: str, key: tuple[str, str, str]) -> str:
    """The name, numbered where a body of another model has it."""
    taken = {label.casefold() for label, other in labels(kit.catalog).items() if other != key}
    number, label = 2, name
    while label.casefold() in taken:
        label, number = f"{name} ({number})", number + 1
    return label
