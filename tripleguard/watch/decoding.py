"""What the night has left after reading goes to decoding pictures that were not decoded yet."""

from __future__ import annotations

import importlib.util
from collections.abc import Sequence

from tripleguard.errors import PlaceFailed, WrongUse
from tripleguard.names import shown
from tripleguard.reports.words import count
from tripleguard.work.budget import Budget
from tripleguard.work.decoding.decode import decode
from tripleguard.work.decoding.decoder import Decoder
from tripleguard.work.kit import Kit, OpenDrive
from tripleguard.work.progress import Job


def decoded_too(kit: Kit, drives: Sequence[OpenDrive], budget: Budget) -> Job[tuple[str, str]]:
    """Decode with what is left of the budget; what was done, in words, and what a person should be told.

    Nothing is done where the decoders are not installed. Raises CatalogTrouble.
    """
    if importlib.util.find_spec("rawpy") is None or importlib.util.find_spec("simplejpeg") is None:
        return "", ""
    try:
        with Decoder() as decoder:
            result = yield from decode(kit, drives, budget, decoder)
    except (PlaceFailed, WrongUse) as error:
        # The reading before it has its own word, and that one counts more.
        return f"nothing decoded: {error.what}", ""
    if not result.decoded:
        return "", ""
    told = ""
    if result.damaged:
        path, why = result.damaged[0]
        more = f" and {len(result.damaged) - 1:,} more" if len(result.damaged) > 1 else ""
        told = f"A picture was damaged before it was copied: {shown(path)}{more}: {why}. Keep its card."
    return f"{count(result.decoded, 'picture')} decoded, {len(result.damaged):,} damaged at source", told
