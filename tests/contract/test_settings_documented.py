"""Every setting and command is explained, and the generated pages are what the program would write now."""

from __future__ import annotations

from pathlib import Path

import pytest
import typer
from pydantic import BaseModel

from dewline import reference
from dewline.cli import app
from dewline.sections import Route
from dewline.settings import Settings

DOCS = Path(__file__).parents[2] / "docs"
SECTIONS = [*((name, field.annotation) for name, field in Settings.model_fields.items()), ("routes", Route)]
COMMANDS = dict(reference.commands(typer.main.get_command(app), "dewline"))


@pytest.mark.parametrize("name", reference.pages())
def test_generated_page_is_current(name: str) -> None:
    written = (DOCS / name).read_text(encoding="utf-8")
    assert written == reference.pages()[name], "run `make docs`"


@pytest.mark.parametrize(("name", "section"), SECTIONS, ids=[name for name, _ in SECTIONS])
def test_every_setting_says_what_it_means(name: str, section: type[BaseModel]) -> None:
    silent = [key for key, field in section.model_fields.items() if not field.description]
    assert not silent
    assert (section.__doc__ or "").strip().endswith(".")


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_and_its_parameters_say_what_they_do(name: str) -> None:
    command = COMMANDS[name]
    assert (command.help or "").strip()
    silent = [
        parameter.name
        for parameter in command.params
        if not getattr(parameter, "hidden", False) and not getattr(parameter, "help", None)
    ]
    assert not silent


def test_readme_names_every_command() -> None:
    text = (DOCS.parent / "README.md").read_text(encoding="utf-8") + (DOCS / "cli.md").read_text(
        encoding="utf-8"
    )
    assert not [name for name in COMMANDS if name not in text]
