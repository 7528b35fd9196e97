"""The reasons of a clearance in plain words: what it is, and what to do about it."""

from __future__ import annotations

REASON_WORDS = {
    "not offloaded": "{n:,} on the card are not in the catalog: run `offload` for this card",
    "changed": "{n:,} differ from what was offloaded: run `offload` again, it keeps both versions",
    "unreadable": "{n:,} can't be read: try another reader, keep the card, ask a recovery service before "
    "anything else",
    "odd": "{n:,} are links, devices or folders that can't be copied: look at them yourself",
    "nothing": "there are no files on it: is this the right folder, and is the card mounted?",
    "copy missing": "{n:,} have a copy that is not on its drive as recorded: run `offload` again",
    "not verified": "{n:,} have a copy that was written but not read back yet: run `offload` again",
    "verified too long ago": "{n:,} have a copy that was verified longer ago than the rule allows: run `offload` "
    "again, it reads them back",
    "read from memory": "{n:,} have a copy whose read-back may have come from memory, not from the drive: "
    "unplug the drive, plug it in, run `offload` again; if it stays so, see accept_cached in the settings",
    "drive away": "{n:,} have a copy on a drive that is not connected: connect both drives and ask again",
    "out of service": "{n:,} have a copy on a drive that is lost or retired: run `offload` with another drive",
    "one copy": "{n:,} are on one drive only: connect the second drive and run `offload` again",
    "no copy": "{n:,} are on no drive: run `offload` again",
}

NOTE_WORDS = {
    "litter": "{n:,} system files (thumbnails, trash, index) are left on the card and not copied",
    "protected": "{n:,} are protected in the camera: someone meant to keep them",
    "one device": "both drives are on one physical device: if it dies, both copies die",
}
