"""Names a body, and the folder of its pictures.

Two bodies on one shoot count their frames alike, so each has a folder of its own, named so that a person
knows it on sight: the model, and the last of the serial on its plate. The text comes from a file, so it is
made to suit the strictest file system that a drive may have.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field

from tripleguard.cameras.notes import KEY
from tripleguard.model import Capture
from tripleguard.names import EXFAT_FORBIDDEN

LONGEST = 40
"""Characters of a label."""

UNKNOWN = "unknown camera"


def body_label(capture: Capture) -> str:
    """A body's folder: `NIKON D780 2345`; the model alone without a serial; `unknown camera` without a model.

    The result is one path part that every file system can hold, at most LONGEST characters long.
    """
    model = _part(capture.model or "")
    if not model:
        return UNKNOWN
    if _DEVICE.match(model):
        model = f"camera {model}"
    ending = _NOT_PLAIN.sub("", capture.serial or "")[-_ENDING:]
    return f"{_cut(model, LONGEST - 1 - len(ending))} {ending}" if ending else _cut(model, LONGEST)


@dataclass(frozen=True, slots=True)
class Names:
    """Names that a person gave to bodies that write no serial, or none that a person could read.

    given: for this card; by_model: for good.
    """

    given: str | None = None
    by_model: Mapping[str, str] = field(default_factory=dict)

    def name_for(self, capture: Capture) -> str | None:
        """The body's name; None for one that writes a serial, or that nobody named."""
        if capture.serial and not capture.serial.startswith(KEY):
            return None
        return self.given or self.by_model.get(capture.model or "")


def serial_of_named(name: str | None) -> str:
    """What stands for the serial of a body that was named by a person: no camera's begins with a space."""
    return f" {name}" if name else ""


_ENDING = 4
_NOT_PLAIN = re.compile(r"[^0-9A-Za-z]")

# Windows keeps these for devices, with any extension; the superscript digits count as digits there.
_DEVICE = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9¹²³]) *(\.|$)", re.IGNORECASE)


def _part(text: str) -> str:
    """The text as part of a name: nothing invisible or forbidden, no dots or spaces at its ends."""
    spaced = (" " if char.isspace() else char for char in text)
    visible = (char for char in spaced if not unicodedata.category(char).startswith("C"))
    plain = "".join("_" if char in EXFAT_FORBIDDEN else char for char in visible)
    return unicodedata.normalize("NFC", " ".join(plain.split())).strip(" .")


def _cut(text: str, length: int) -> str:
    return text[:length].rstrip(" .")
