"""Feeds hostile files to everything that looks into a file while it passes; `scripts/campaign-fuzz [SECONDS]`.

By mutations of small whole files with a seed, or guided by coverage with atheris (`--guided`). A crash, a file
that takes longer than a second of a processor, and a look that stumbles, are told with what did it.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
import tracemalloc
from pathlib import Path

from test_integrity_check import broken_somewhere, in_pieces, made, sizes_of
from test_integrity_formats import MADE
from test_sound_and_film_formats import avi, packets, sound, x3f

SLOWEST = 1.0
"""Seconds of a processor for one file."""

LARGEST = 100 << 20
"""Bytes that a look may take beside the file."""


def whole_files() -> dict[str, bytes]:
    """One small whole file of every form."""
    more = {"ORR_0001.WAV": sound(), "ORR_0001.AVI": avi(), "00001.MTS": packets(192), "ORR_0001.X3F": x3f()}
    return made() | more | MADE


NAMES = sorted(whole_files())


def looked_at(name: str, content: bytes) -> None:
    """Look into one hostile file in every way. Raises AssertionError."""
    # Here, so that it is what was imported last: with the marks by which atheris sees where it goes.
    from tripleguard.cameras.capture import read_capture
    from tripleguard.cameras.image_info import read_image_info
    from tripleguard.cameras.integrity.checker import check_integrity

    began = time.process_time()
    said = check_integrity(name, content)[0]
    assert "stumbled" not in said.explanation, said
    read_capture(content, name)
    read_image_info(content, name)
    taken = time.process_time() - began
    assert taken < SLOWEST, f"{taken:.1f} s for {len(content)} bytes"


def guided(seconds: int) -> None:
    """Let atheris look for inputs that reach new code. Never returns."""
    import atheris

    # It ends the process, so the folder stays; it holds what was found.
    folder = Path(tempfile.mkdtemp(prefix="tripleguard-fuzz-"))
    for number, name in enumerate(NAMES):
        # The first byte says what the file is called.
        (folder / name).write_bytes(bytes([number]) + whole_files()[name])
    for name in [name for name in sys.modules if name.startswith("tripleguard.cameras")]:
        del sys.modules[name]
    with atheris.instrument_imports(include=["tripleguard.cameras"]):
        import tripleguard.cameras.capture
        import tripleguard.cameras.image_info
        import tripleguard.cameras.integrity.checker  # noqa: F401 - imported to be marked

    def one(content: bytes) -> None:
        if content:
            looked_at(NAMES[content[0] % len(NAMES)], content[1:])

    limits = [
        f"-max_total_time={seconds}",
        "-max_len=65536",
        "-timeout=20",
        "-rss_limit_mb=1024",
        f"-artifact_prefix={folder}/",
    ]
    atheris.Setup([sys.argv[0], str(folder), *limits, "-print_final_stats=1"], one)
    atheris.Fuzz()


def mutated(seconds: int, first: int) -> int:
    """Mutate small whole files; how many looks failed."""
    whole, seed, total, slowest, failed = whole_files(), first, 0, 0.0, 0
    ends = time.monotonic() + seconds
    while time.monotonic() < ends:
        source = random.Random(seed)
        name = source.choice(NAMES)
        content, began = broken_somewhere(whole[name], source), time.process_time()
        try:
            looked_at(name, content)
            said = in_pieces(name, content, sizes_of(source, source.choice((512, 4096, 100_000))))
            assert "stumbled" not in said.explanation, said
        except Exception as error:  # noqa: BLE001 - a campaign counts whatever went wrong
            failed += 1
            print(f"FAILED: seed {seed}, {name}: {error!r}", flush=True)
        slowest = max(slowest, time.process_time() - began)
        total += 2 * len(content)
        seed += 1
    print(f"{seed - first:,} files, {total:,} bytes, {failed} failed, the slowest {slowest:.3f} s, {_peak(whole)}")
    return failed


def _peak(whole: dict[str, bytes]) -> str:
    """The most memory that a look took, of a few hundred more."""
    from tripleguard.cameras.integrity.checker import check_integrity

    most = 0
    for seed in range(400):
        source = random.Random(seed)
        name = source.choice(NAMES)
        content = broken_somewhere(whole[name], source)
        tracemalloc.start()
        check_integrity(name, content)
        most = max(most, tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert most < LARGEST
    return f"at most {most / (1 << 20):.1f} MiB taken"


def main() -> int:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("seconds", nargs="?", type=int, default=600)
    words.add_argument("--first", type=int, default=1, help="the first seed of the mutations")
    words.add_argument("--guided", action="store_true", help="by atheris, which must be installed")
    asked = words.parse_args()
    if asked.guided:
        guided(asked.seconds)
    return 1 if mutated(asked.seconds, asked.first) else 0


if __name__ == "__main__":
    sys.exit(main())
