"""Damages pictures in the ways a card does, and counts what is noticed: in passing, and by decoding.

`scripts/campaign-damage [N]` damages each picture N times in each way and prints the table of `docs/campaigns.md`.
The pictures are full-size synthetic raws made by the rig beside the project, the sample files, and a raw that the
tests make. Outside judges are LibRaw and libjpeg-turbo: what is called clean in the end they must accept, and what
is called broken they must refuse.

Ways: cut off, holes of zeros and of ones (as erased memory reads), zeros to the end, exchanged blocks; and the
shapes of errors found at CERN (Panzer-Steindel, Data integrity, 2007): single bits, sectors of 512 bytes, regions
of 64 KiB.
"""

from __future__ import annotations

import argparse
import io
import random
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path

import rawpy
import simplejpeg
from sample_files import SAMPLES, WHOLE_SAMPLES, raw

from tripleguard.cameras.integrity.checker import check_integrity
from tripleguard.cameras.integrity.decode_check import check_by_decoding
from tripleguard.cameras.kinds import kind_of
from tripleguard.model import FileKind, Integrity

RIG = SAMPLES.parent / "rigs" / "mkraw.py"
REGION = 64 << 10

Way = Callable[[bytearray, int, int, random.Random], None]
"""Damages a file in place, somewhere between two offsets."""


def _blocks(size: int, start: int, end: int, source: random.Random) -> int:
    """A random place for so many bytes that begins where a sector of the card does."""
    first, last = -(-start // 512), (end - size) // 512
    return source.randint(first, max(first, last)) * 512


def _filled(size: int, content: Callable[[random.Random], bytes]) -> Way:
    def way(file: bytearray, start: int, end: int, source: random.Random) -> None:
        at = _blocks(size, start, end, source)
        file[at : at + size] = content(source)

    return way


def _exchanged(file: bytearray, start: int, end: int, source: random.Random) -> None:
    size = min(REGION, (end - start) // 3)
    one = start + source.randrange((end - start) // 2 - size)
    other = (start + end) // 2 + source.randrange((end - start) // 2 - size)
    file[one : one + size], file[other : other + size] = file[other : other + size], file[one : one + size]


def _cut(file: bytearray, start: int, end: int, source: random.Random) -> None:
    del file[source.randrange(16, end) :]


def _zeros_to_the_end(file: bytearray, start: int, end: int, source: random.Random) -> None:
    at = source.randrange(start, max(start + 1, end - REGION))
    file[at:] = bytes(len(file) - at)


def _one_bit(file: bytearray, start: int, end: int, source: random.Random) -> None:
    file[source.randrange(start, end)] ^= 1 << source.randrange(8)


WAYS: dict[str, Way] = {
    "cut off anywhere": _cut,
    "zeros to the end": _zeros_to_the_end,
    "64 KiB of zeros": _filled(REGION, lambda source: bytes(REGION)),
    "4 KiB of zeros": _filled(4096, lambda source: bytes(4096)),
    "64 KiB of ones": _filled(REGION, lambda source: b"\xff" * REGION),
    "512 bytes of zeros": _filled(512, lambda source: bytes(512)),
    "64 KiB of other bytes": _filled(REGION, lambda source: source.randbytes(REGION)),
    "512 other bytes": _filled(512, lambda source: source.randbytes(512)),
    "exchanged blocks of 64 KiB": _exchanged,
    "one bit": _one_bit,
}


def pictures(folder: Path) -> Iterator[tuple[str, bytes]]:
    """Name and bytes of every whole picture that is at hand."""
    if RIG.is_file():
        done = subprocess.run([sys.executable, str(RIG), str(folder)], capture_output=True, check=False)
        if done.returncode:
            print(f"synthetic raws are left out: {done.stderr.decode(errors='replace').splitlines()[-1:]}")
        yield from ((path.name, path.read_bytes()) for path in sorted(folder.iterdir()))
    for name in WHOLE_SAMPLES:
        if (SAMPLES / name).is_file():
            yield name, (SAMPLES / name).read_bytes()
    yield "ORRERY.DNG", raw(size=8 << 20)


def verdict_on(name: str, content: bytes) -> tuple[Integrity, Integrity]:
    """What is said in passing, and what is said once the picture was decoded too."""
    passing = check_integrity(name, content)[0]
    flaws = [*passing.flaws, *check_by_decoding(name, content).flaws]
    if any(flaw.is_grave for flaw in flaws):
        return passing.integrity, Integrity.BROKEN
    return passing.integrity, Integrity.SUSPICIOUS if flaws else passing.integrity


def accepted_outside(name: str, content: bytes) -> bool:
    """Whether the decoder of this kind of file accepts it."""
    if kind_of(name) is FileKind.RAW:
        try:
            with rawpy.imread(io.BytesIO(content)) as picture:
                return bool(picture.raw_image.size)
        except rawpy.LibRawError:
            return False
    try:
        simplejpeg.decode_jpeg(content, colorspace="GRAY", strict=True)
    except ValueError:
        return False
    return True


_FORMS = {
    "NEFLOSSLESS.NEF": "raw, lossless Huffman",
    "LJPEG.DNG": "raw, lossless JPEG in tiles",
    "NEFUNC.NEF": "raw, not compressed",
    "ORRERY.DNG": "raw, not compressed",
    "GOPR8508.GPR": "raws that LibRaw does not check",
    "P003917.KDC": "raws that LibRaw does not check",
}


def _form(name: str) -> str:
    return _FORMS.get(name, "camera JPEGs" if name.endswith("JPG") else "raw, CRW")


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("number", nargs="?", type=int, default=20, help="times each picture is damaged in each way")
    words.add_argument("--first", type=int, default=1, help="the first seed (default 1)")
    asked = words.parse_args()
    wrong = 0
    found: dict[str, Counter[str]] = {}
    with tempfile.TemporaryDirectory(prefix="tripleguard-damage-") as folder:
        for name, content in pictures(Path(folder)):
            wrong += _whole(name, content)
            for way in WAYS:
                wrong += _damaged(name, content, way, asked.number, asked.first, found)
    print("\n| picture | damage | tried | found in passing | found by decoding | not found |")
    print("| --- | --- | --- | --- | --- | --- |")
    for row, counts in found.items():
        numbers = (counts.total(), counts["passing"], counts["decoded"], counts["unseen"])
        print(f"| {row} | " + " | ".join(f"{number:,}" for number in numbers) + " |")
    print(f"\n{sum(sum(counts.values()) for counts in found.values())} damaged, {wrong} contradictions")
    return 1 if wrong else 0


def _whole(name: str, content: bytes) -> int:
    """Contradictions on a picture as it is."""
    passing, decoded = verdict_on(name, content)
    if Integrity.BROKEN in (passing, decoded) or Integrity.SUSPICIOUS in (passing, decoded):
        print(f"CONTRADICTION: {name} is whole and was called {passing}, then {decoded}", flush=True)
        return 1
    return 0


def _damaged(name: str, content: bytes, way: str, number: int, first: int, found: dict[str, Counter[str]]) -> int:
    shape = check_integrity(name, content)[1]
    span = max(shape.image_spans, key=lambda one: one.end - one.start)
    reads = accepted_outside(name, content)
    counts = found.setdefault(f"{_form(name)} | {way}", Counter())
    wrong = 0
    for seed in range(first, first + number):
        file = bytearray(content)
        WAYS[way](file, span.start, min(span.end, shape.known_end), random.Random(f"{name} {way} {seed}"))
        if file == content:
            continue
        passing, decoded = verdict_on(name, bytes(file))
        bad = (Integrity.BROKEN, Integrity.SUSPICIOUS)
        counts["passing" if passing in bad else "decoded" if decoded in bad else "unseen"] += 1
        accepted = accepted_outside(name, bytes(file))
        said_clean = decoded is Integrity.CLEAN and reads and not accepted
        said_broken = decoded is Integrity.BROKEN and accepted
        missed_cut = way == "cut off anywhere" and passing is not Integrity.BROKEN and len(file) < shape.known_end
        if said_clean or said_broken or (missed_cut and passing is not Integrity.SUSPICIOUS):
            print(f"CONTRADICTION: {name}, {way}, seed {seed}: {decoded}, outside {accepted}", flush=True)
            wrong += 1
    return wrong


if __name__ == "__main__":
    sys.exit(main())
