"""docs/patterns.md has a section for every pattern, and its table is the program's."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from ingest.reading import SIGNALS
from models.patterns import DRAWN_FROM, SUPPRESSED_BY
from models.records import Pattern

PAGE = (Path(__file__).parents[2] / "docs" / "patterns.md").read_text(encoding="utf-8")
HEADINGS = (
    "Meaning",
    "What is looked at",
    "Confounders and how they are told apart",
    "Suppressed by",
    "Closes when",
    "Limits",
)
SECTION = re.compile(r"^## `(\w+)`\n(.*?)(?=^## |\Z)", flags=re.MULTILINE | re.DOTALL)
SECTIONS = dict(SECTION.findall(PAGE))


def names(cell: str) -> set[str]:
    return set(re.findall(r"`(\w+)`", cell))


def test_there_is_a_section_a_pattern_and_no_other() -> None:
    assert set(SECTIONS) == {pattern.value for pattern in Pattern}


@pytest.mark.parametrize("pattern", list(Pattern))
def test_section_has_the_fixed_headings_with_text_below_each(pattern: Pattern) -> None:
    parts = re.split(r"^### (.*)$", SECTIONS[pattern.value], flags=re.MULTILINE)
    assert tuple(parts[1::2]) == HEADINGS
    for heading, text in zip(parts[1::2], parts[2::2], strict=True):
        if heading == "Suppressed by":
            assert names(text) == {cause.value for cause in SUPPRESSED_BY[pattern]}
        else:
            assert len(text.split()) >= 4, f"{pattern}: nothing below {heading!r}"


def test_table_of_explanations_is_the_programs() -> None:
    rows = re.findall(r"^\| `(\w+)` \| (.*?) \| (.*?) \|$", PAGE, flags=re.MULTILINE)
    drawn_from = {name: names(cell) or set(SIGNALS) for name, cell, _ in rows}
    assert [name for name, _, _ in rows] == [pattern.value for pattern in SUPPRESSED_BY]
    assert {name: names(cell) for name, _, cell in rows} == {
        pattern.value: {one.value for one in causes} for pattern, causes in SUPPRESSED_BY.items()
    }
    assert drawn_from == {pattern.value: set(signals) for pattern, signals in DRAWN_FROM.items()}


def test_what_is_explained_by_nothing_says_so() -> None:
    for pattern, causes in SUPPRESSED_BY.items():
        (cell,) = re.findall(rf"^\| `{pattern.value}` \| .*? \| (.*?) \|$", PAGE, flags=re.MULTILINE)
        assert (cell == "nothing") == (not causes), pattern
