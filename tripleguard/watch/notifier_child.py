"""The child process that sends notifications, so that the library's memory and hangs end with it.

It reads one JSON object a line, `{"address", "body"}`, and answers each with one, `{"sent", "why", "usable"}`.
An empty body only asks whether the address is valid.
"""

from __future__ import annotations

import json
import logging
import sys
from typing import Any

TITLE = "tripleguard"


def main() -> None:
    """Until standard input ends."""
    answers, sys.stdout = sys.stdout, sys.stderr
    # It would print what it could not send, with pieces of the address.
    logging.getLogger("apprise").addHandler(logging.NullHandler())
    logging.getLogger("apprise").propagate = False
    for line in sys.stdin:
        letter = json.loads(line)
        print(json.dumps(_send(letter["address"], letter["body"])), file=answers, flush=True)


def _send(address: str, body: str) -> dict[str, Any]:
    try:
        import apprise

        asset = apprise.AppriseAsset(app_id=TITLE, app_desc=TITLE, async_mode=False)
        channel = apprise.Apprise(asset=asset)
        if not channel.add(address):
            return {"sent": False, "why": "it means nothing to apprise", "usable": False}
        if not body:
            return {"sent": False, "why": "", "usable": True}
        taken = bool(channel.notify(body=body, title=TITLE, body_format=apprise.NotifyFormat.TEXT))
    except Exception as error:  # noqa: BLE001 - a channel may fail in any way; its words may hold the address
        return {"sent": False, "why": type(error).__name__, "usable": True}
    return {"sent": taken, "why": "" if taken else "it was not taken", "usable": True}


if __name__ == "__main__":
    main()
