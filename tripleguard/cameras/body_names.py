"""Name a camera body, and the folder of its pictures.

Two bodies on one shoot can use the same frame numbers, so each body has its own folder, with a name that a person
recognises: the model and the last characters of the serial number. The text comes from a file, so it is cleaned to
suit the strictest file system a drive may have.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass, field

from tripleguard.cameras.maker_notes import OPAQUE_KEY_PREFIX
from tripleguard.model import Capture
from tripleguard.names import EXFAT_FORBIDDEN

MAX_LABEL_LENGTH = 40
"""Characters in a label."""

UNKNOWN_CAMERA = "unknown camera"


def format_body_label(capture: Capture) -> str:
    """Return the name of a body's folder, such as `NIKON D780 2345`.

    Without a serial it is the model alone; without a model, `unknown camera`. The result is one path component
    that every file system accepts, at most MAX_LABEL_LENGTH characters long.
    """
    model = _clean_name_part(capture.model or "")
    if not model:
        return UNKNOWN_CAMERA
    if _RESERVED_NAME.match(model):
        model = f"camera {model}"
    ending = _NOT_ALPHANUMERIC.sub("", capture.serial or "")[-_SERIAL_TAIL_LENGTH:]
    return (
        f"{_truncate(model, MAX_LABEL_LENGTH - 1 - len(ending))} {ending}"
        if ending
        else _truncate(model, MAX_LABEL_LENGTH)
    )


@dataclass(frozen=True, slots=True)
class BodyNames:
    """Names that a person gave to bodies that write no readable serial.

    Attributes:
        card_name: the name for the body that wrote this card.
        by_model: permanent names, by model.
    """

    card_name: str | None = None
    by_model: Mapping[str, str] = field(default_factory=dict)

    def name_for(self, capture: Capture) -> str | None:
        """Return the name given to the body; None if the body writes a serial or has no name."""
        if capture.serial and not capture.serial.startswith(OPAQUE_KEY_PREFIX):
            return None
        return self.card_name or self.by_model.get(capture.model or "")


def make_serial_from_name(name: str | None) -> str:
    """Return the text stored as the serial of a body that a person named.

    It begins with a space, as no camera's serial does.
    """
    return f" {name}" if name else ""


_SERIAL_TAIL_LENGTH = 4
_NOT_ALPHANUMERIC = re.compile(r"[^0-9A-Za-z]")

# Windows reserves these names for devices, with any extension; it treats superscript digits as digits.
_RESERVED_NAME = re.compile(r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9¹²³]) *(\.|$)", re.IGNORECASE)


def _clean_name_part(text: str) -> str:
    """Return the text cleaned for use in a name: nothing invisible or forbidden, no dots or spaces at its ends."""
    spaced = (" " if char.isspace() else char for char in text)
    visible = (char for char in spaced if not unicodedata.category(char).startswith("C"))
    plain = "".join("_" if char in EXFAT_FORBIDDEN else char for char in visible)
    return unicodedata.normalize("NFC", " ".join(plain.split())).strip(" .")


def _truncate(text: str, length: int) -> str:
    return text[:length].rstrip(" .")
