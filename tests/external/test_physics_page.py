"""Worked examples of docs/physics.md: done by hand there, run here.

Source: the page itself, whose figures come from the standards and handbooks that it names.
"""

import doctest
from pathlib import Path

import pytest

from models import atmosphere, delivered_air, humidity, hydraulics, saturation

pytestmark = pytest.mark.external

PAGE = Path(__file__).parents[2] / "docs" / "physics.md"


def test_every_worked_example_on_the_page_comes_out():
    tried = doctest.testfile(str(PAGE), module_relative=False)
    assert tried.attempted >= 25
    assert tried.failed == 0


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
