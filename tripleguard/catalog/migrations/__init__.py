"""The steps that bring a catalog up to date: one room each, in order, never edited once landed."""

from __future__ import annotations

from tripleguard.catalog.migrations import (
    change_times,
    findings,
    first,
    generations,
    inherited,
    insertions,
    insertions_of_cards,
    leaving,
    looks,
    names,
    numbers,
    offsite,
    recounting,
    selects,
    shelf,
)

STEPS: tuple[tuple[str, str], ...] = (
    ("0001_first", first.SCRIPT),
    ("0002_findings", findings.SCRIPT),
    ("0003_leaving", leaving.SCRIPT),
    ("0004_selects", selects.SCRIPT),
    ("0005_inherited", inherited.SCRIPT),
    ("0006_looks", looks.SCRIPT),
    ("0007_numbers", numbers.SCRIPT),
    ("0008_offsite", offsite.SCRIPT),
    ("0009_shelf", shelf.SCRIPT),
    ("0010_names", names.SCRIPT),
    ("0011_generations", generations.SCRIPT),
    ("0012_insertions", insertions.SCRIPT),
    ("0013_insertions_of_cards", insertions_of_cards.SCRIPT),
    ("0014_recounting", recounting.SCRIPT),
    ("0015_change_times", change_times.SCRIPT),
)
"""Name and statements of every step. A name is kept in the catalog: it never changes."""
