"""What is written down is written in the words of PREMIS 3, wherever it has one.

The terms: Library of Congress, preservation vocabularies (id.loc.gov/vocabulary/preservation/eventType), as of
24 September 2018, all 50 of them, as a library of RDF vocabularies has them.
"""

from __future__ import annotations

import random

import pytest
from damage_injection import damaged, rewrite
from world import World

from tripleguard.model import EventOutcome, EventType

TERMS = frozenset(
    [
        "accession",
        "appraisal",
        "capture",
        "compiling",
        "compression",
        "creation",
        "deaccession",
        "decompression",
        "decryption",
        "deletion",
        "digital signature generation",
        "digital signature validation",
        "displaying",
        "dissemination",
        "encryption",
        "execution",
        "exporting",
        "extraction",
        "filename change",
        "fixity check",
        "forensic feature analysis",
        "format identification",
        "imaging",
        "information package creation",
        "information package merging",
        "information package splitting",
        "ingestion",
        "ingestion end",
        "ingestion start",
        "interpreting",
        "message digest calculation",
        "metadata extraction",
        "metadata modification",
        "migration",
        "modification",
        "normalization",
        "packing",
        "policy assignment",
        "printing",
        "quarantine",
        "recovery",
        "redaction",
        "refreshment",
        "rendering",
        "replication",
        "transfer",
        "unpacking",
        "unquarantine",
        "validation",
        "virus check",
    ]
)

OURS = {
    "clearance": "whether a card or a drive may be reformatted: PREMIS knows no permission to erase",
    "place change": "a drive was added, shelved, lost or retired: PREMIS events happen to objects, not to places",
}
"""The words that PREMIS does not have, and why."""


def test_every_word_is_a_term_of_premis_or_is_listed_with_the_reason_why_not() -> None:
    assert len(TERMS) == 50
    words = {str(one) for one in EventType}
    assert words - TERMS == set(OURS)
    assert not TERMS & set(OURS)


@pytest.fixture
def written(world: World) -> dict[str, set[str]]:
    """An evening and a night with all that can happen to copies: the messages written, by event word."""
    card = world.card()
    card.frames(5, size=100_000)
    card.put("DCIM/100ORREY/ORR_0001.xmp", b"<x/>")
    assert world.run("offload", card.root).status == 0
    pictures = next(world.drives["A"].glob("2026/*/*/"))
    first = pictures / "ORR_0001.DNG"
    rewrite(first, damaged(first.read_bytes(), "bit", random.Random(1))[0])
    (pictures / "ORR_0002.DNG").unlink()
    (pictures / "best").mkdir()
    (pictures / "ORR_0003.DNG").rename(pictures / "best" / "ORR_0003.DNG")
    (pictures / "ORR_0001.xmp").write_bytes(b"<x rating='5'/>")
    (pictures / "ORR_0004.xmp").write_bytes(b"<x rating='4'/>")
    (pictures / "seats.txt").write_bytes(b"mine")
    world.run("rescan", "--all")
    stray = next(one for one in world.run("findings", "--json").json["findings"] if one["kind"] == "stray")
    assert world.run("findings", "accept", stray["number"], "--because", "a seating plan").status == 0
    world.run("repair")
    assert world.run("drill", "--files", "3", "--seed", "1").status == 0
    world.run("clearance", "card", card.root)
    assert world.run("drives", "lost", "B").status == 1
    with world.ctx() as ctx:
        rows = ctx.catalog.fetch_all("SELECT type, message, outcome, at FROM events")
    found: dict[str, set[str]] = {}
    for word, message, outcome, at in rows:
        assert outcome in {str(one) for one in EventOutcome}
        assert at > 0
        found.setdefault(word, set()).add(message)
    return found


def test_what_happens_to_a_copy_is_written_under_its_term(written: dict[str, set[str]]) -> None:
    """Read from the card, copied, read again, put to quarantine, restored, edited, accepted, restored as a
    sample."""
    assert set(written) <= TERMS | set(OURS)
    for word, part in (
        ("ingestion", "files read from"),
        ("ingestion", "was found beside its picture"),
        ("replication", "copies written"),
        ("fixity check", "read back, all equal"),
        ("fixity check", "ORR_0001.DNG: corrupt"),
        ("fixity check", "ORR_0002.DNG: missing"),
        ("quarantine", "ORR_0001.DNG was quarantined"),
        ("recovery", "ORR_0002.DNG was repaired"),
        ("recovery", "ORR_0003.DNG lies in its place again"),
        ("metadata modification", "ORR_0001.xmp has a new version"),
        ("metadata modification", "a seating plan"),
        ("validation", ""),
        ("clearance", ""),
        ("place change", ""),
    ):
        said = written.get(word, set())
        assert any(part in message for message in said), f"{word}: {part!r} is not in {said}"
