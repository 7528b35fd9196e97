"""Holds what is read of time, model and serial against exiftool, a general metadata reader, over real files.

`python tests/metadata_oracle.py FOLDER` prints the table of docs/metadata.md. It names kinds of files and counts,
and nothing of what stands in them.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from collections import Counter, defaultdict
from dataclasses import dataclass
from pathlib import Path

from tripleguard.cameras.capture import can_have_capture_time, read_capture
from tripleguard.cameras.head_reader import RandomAccess
from tripleguard.cameras.maker_notes import OPAQUE_KEY_PREFIX
from tripleguard.model import Capture

HEAD = 1 << 20
TIMES = ("DateTimeOriginal", "CreationDate", "CreateDate", "CreationDateValue", "DateCreated", "ModifyDate")
SERIALS = ("SerialNumber", "CameraSerialNumber", "BodySerialNumber", "DeviceSerialNo", "InternalSerialNumber")
MODELS = ("Model", "DeviceModelName", "UniqueCameraModel")
HAS_EXIFTOOL = shutil.which("exiftool") is not None


@dataclass(frozen=True)
class Comparison:
    """One value of one file: `is_unchanged`, `both none`, `only ours`, `only exiftool's` or `different`."""

    time: str
    model: str
    serial: str


def compare(folder: Path) -> dict[Path, Comparison]:
    """Every file below a folder that may say when it was taken."""
    paths = sorted(path for path in folder.rglob("*") if path.is_file() and can_have_capture_time(path.name))
    return {path: _compared(path, read) for path, read in zip(paths, _exiftool(paths), strict=True)}


def enciphered(plain: str) -> str:
    """How Sony writes bytes that stand deciphered as hex: each to the third power modulo 249, 249 and above kept.

    The formula is the one that exiftool's documentation gives.
    """
    return bytes(byte if byte >= 249 else byte**3 % 249 for byte in bytes.fromhex(plain)).hex()


def _exiftool(paths: list[Path]) -> list[dict[str, object]]:
    tags = [f"-{tag}" for tag in (*TIMES, *SERIALS, *MODELS, "Make")]
    found: list[dict[str, object]] = []
    for path in paths:
        answer = subprocess.run(
            ["exiftool", "-j", *tags, str(path)], capture_output=True, check=False, timeout=120
        ).stdout
        found.append(json.loads(answer)[0] if answer.strip() else {})
    return found


def _compared(path: Path, other: dict[str, object]) -> Comparison:
    with path.open("rb") as file:
        head = file.read(HEAD)

        def read_at(at: int, size: int) -> bytes:
            file.seek(at)
            return file.read(size)

        ours = read_capture(head, path.name, RandomAccess(path.stat().st_size, read_at))
    times = [_time(str(other[tag])) for tag in TIMES if tag in other]
    return Comparison(
        _same(_time(ours.local or ""), [time for time in times if time]),
        _same(_plain(ours.model or ""), [_plain(str(other[tag])) for tag in MODELS if tag in other]),
        _same(_serial(ours), _serials(ours, other)),
    )


def _same(ours: str, theirs: list[str]) -> str:
    theirs = [one for one in theirs if one]
    if not ours or not theirs:
        return "both none" if not ours and not theirs else "only ours" if ours else "only exiftool's"
    return "same" if ours in theirs else "different"


def _time(text: str) -> str:
    found = re.match(r"(\d{4}).(\d\d).(\d\d).(\d\d).(\d\d).(\d\d)", text)
    return "".join(found.groups()) if found and found[1] != "0000" else ""


def _plain(text: str) -> str:
    return " ".join(text.split()).casefold()


def _serial(ours: Capture) -> str:
    return re.sub(r"\s", "", ours.serial or "").lstrip("0").casefold()


def _serials(ours: Capture, other: dict[str, object]) -> list[str]:
    """exiftool's, without what stands for no number. An internal number is one only where there is no other."""
    texts = [re.sub(r"[\s()]", "", str(other[tag])).lstrip("0").casefold() for tag in SERIALS if tag in other]
    internal = str(other.get("InternalSerialNumber", ""))
    if (ours.serial or "").startswith(OPAQUE_KEY_PREFIX) and re.fullmatch(r"([0-9a-f]{2})+", internal):
        texts.append((OPAQUE_KEY_PREFIX + enciphered(internal)).replace(" ", ""))
    return texts


def main() -> None:
    groups: dict[str, dict[str, Counter[str]]] = defaultdict(lambda: defaultdict(Counter))
    for path, found in compare(Path(sys.argv[1])).items():
        for value in ("time", "model", "serial"):
            groups[path.suffix.lstrip(".").upper()][value][getattr(found, value)] += 1
    print("| kind | files | time | model | serial |\n| --- | --- | --- | --- | --- |")
    for kind, values in sorted(groups.items()):
        cells = [
            ", ".join(f"{count} {what}" for what, count in sorted(found.items())) for found in values.values()
        ]
        print(f"| {kind} | {sum(values['time'].values())} | {' | '.join(cells)} |")


if __name__ == "__main__":
    main()
