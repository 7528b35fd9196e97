"""Every check that the list of mutations takes away stands where the list says, so that the list keeps up."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest
from mutations import HERE, PROJECT, Mutation, mutations_in

LIST = mutations_in(HERE / "mutations.toml")


@pytest.mark.parametrize("mutation", LIST.mutations, ids=lambda one: one.name)
def test_what_is_taken_away_stands_there_once_and_leaves_a_program(mutation: Mutation) -> None:
    assert mutation.trouble(PROJECT) == ""
    text = (PROJECT / mutation.file).read_text(encoding="utf-8")
    ast.parse(text.replace(mutation.old, mutation.new))


def test_the_names_are_different_and_the_tests_exist() -> None:
    names = [mutation.name for mutation in LIST.mutations]
    assert len(set(names)) == len(names)
    assert all((PROJECT / test.partition("::")[0]).is_file() for test in LIST.tests)


def test_a_text_that_stands_twice_or_nowhere_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a.py").write_text("if x:\n    pass\nif x:\n    pass\n", encoding="utf-8")
    for old, times in [("if x:", 2), ("if y:", 0)]:
        mutation = Mutation("a check", "a.py", old, "if False:")
        assert mutation.trouble(tmp_path) == f"its text stands {times} times in a.py"
        with pytest.raises(ValueError, match="stands"):
            mutation.apply(tmp_path)
