"""Reference pages written from the program itself: every command and every setting.

``python -m dewline.reference docs`` writes them; a test fails when they are not what this would write.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import typer
from pydantic import BaseModel, SecretStr

from dewline.cli import app
from dewline.sections import Route
from dewline.settings import ENV_PREFIX, Settings

GENERATED = "Written by `make docs` from the program; changes made here are lost.\n"
CLI_INTRODUCTION = """\
Exit codes: 0 done; 1 it could not be done, with the reason in one line; 2 wrong usage or settings;
130 interrupted. `NO_COLOR` is honoured; with `--quiet` only results and trouble are printed.
"""
SETTINGS_INTRODUCTION = f"""\
Each stands in `dewline.toml` in the home, as `name = value` below its `[section]`, or in the
environment as `{ENV_PREFIX}<SECTION>_<NAME>`, lists and tables written as JSON. Flags come before the
environment, the environment before the file, the file before the default. `dewline settings` prints what
holds and where it came from. A key that is not listed here, or a value that can't be used, stops the start;
all faults are told at once.
"""


def pages() -> dict[str, str]:
    """File name and text of every generated page."""
    return {"cli.md": cli_page(), "settings.md": settings_page()}


def cli_page() -> str:
    """Every command with its arguments and options."""
    root = typer.main.get_command(app)
    parts = [f"# Command line\n\n{GENERATED}\n{CLI_INTRODUCTION}"]
    parts += [_command(path, command) for path, command in commands(root, "dewline")]
    return "\n".join(parts)


def commands(command: Any, path: str) -> Iterator[tuple[str, Any]]:
    """Full name and command, groups left out except the first, which holds the options of all."""
    below = getattr(command, "commands", None)
    if below is None or path == "dewline":
        yield path, command
    for name, inner in (below or {}).items():
        yield from commands(inner, f"{path} {name}")


def _command(path: str, command: Any) -> str:
    lines = [f"## {path}", "", (command.help or "").strip(), ""]
    for parameter in command.params:
        if getattr(parameter, "hidden", False) or parameter.name == "help":
            continue
        names = ", ".join(f"`{name}`" for name in parameter.opts)
        if parameter.param_type_name == "argument":
            names = f"`{parameter.metavar or parameter.name.upper()}`"
        lines.append(f"- {names}: {getattr(parameter, 'help', None)}")
    return "\n".join(lines).rstrip() + "\n"


def settings_page() -> str:
    """Every setting with its meaning and default."""
    parts = [f"# Settings\n\n{GENERATED}\n{SETTINGS_INTRODUCTION}"]
    for name, field in Settings.model_fields.items():
        section: Any = field.annotation
        parts.append(_section(f"[{name}]", section))
    parts.append(_section("[[mail.routes]]", Route))
    return "\n".join(parts)


def _section(title: str, section: type[BaseModel]) -> str:
    lines = [
        f"## {title}",
        "",
        (section.__doc__ or "").strip(),
        "",
        "| name | default | meaning |",
        "|---|---|---|",
    ]
    for name, field in section.model_fields.items():
        meaning = (field.description or "").replace("\n", " ").replace("|", "\\|")
        lines.append(f"| `{name}` | {_default(field)} | {meaning} |")
    return "\n".join(lines) + "\n"


def _default(field: Any) -> str:
    if field.is_required():
        return "required"
    value = field.get_default(call_default_factory=True)
    if value is None or isinstance(value, SecretStr) or value in ("", (), {}):
        return "not set"
    return f"`{str(value).lower() if isinstance(value, bool) else value}`"


def main(folder: Path) -> None:
    """Write every page."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in pages().items():
        (folder / name).write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
