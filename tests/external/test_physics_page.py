"""Worked examples of docs/physics.md: done by hand there, run here.

Source: the page itself, whose figures come from the standards and handbooks that it names.
"""

import doctest
import re
from pathlib import Path

import pytest

from models import atmosphere, delivered_air, humidity, hydraulics, saturation

pytestmark = pytest.mark.external

RELATION = re.compile(
    r"\*\*(Relation|Derivation|By hand|Heat balance|Hydraulic|Free air|Cooling|Filling|Matters)|t_req = "
)
PAGE = Path(__file__).parents[2] / "docs" / "physics.md"


def test_every_worked_example_on_the_page_comes_out():
    tried = doctest.testfile(str(PAGE), module_relative=False)
    assert tried.attempted >= 25
    assert tried.failed == 0


def test_every_section_with_a_relation_runs_the_code_that_uses_it():
    parts = re.split(r"^## (\d+)\. ", PAGE.read_text(encoding="utf-8"), flags=re.MULTILINE)
    sections = dict(zip(map(int, parts[1::2]), parts[2::2], strict=True))
    related = {n for n, text in sections.items() if RELATION.search(text)}
    assert related >= set(range(3, 16))
    runs_none = {n for n in related if not re.search(r"^>>> from models[. ]", sections[n], re.MULTILINE)}
    assert all("No code calculates with these" in sections[n] for n in runs_none)
    assert runs_none <= {15}


@pytest.mark.parametrize("module", [saturation, humidity, atmosphere, delivered_air, hydraulics])
def test_every_relation_has_its_place_on_the_page(module):
    text = PAGE.read_text(encoding="utf-8")
    offered = [
        name
        for name, value in vars(module).items()
        if hasattr(value, "compiled") and value.__module__ == module.__name__ and not name.startswith("_")
    ]
    assert offered
    assert [name for name in offered if f"`{name}`" not in text] == []
