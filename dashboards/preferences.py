"""What a person chose for this browser, kept in plain cookies: units, theme, name. Pure.

Cookies rather than a server-side session, so that nothing about a visitor is stored here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import unquote

from dashboards.display import System

SYSTEM_COOKIE, THEME_COOKIE, NAME_COOKIE = "dewline_units", "dewline_theme", "dewline_name"
DARK = {"light": False, "dark": True, "auto": None}
MAX_NAME_CHARS = 60


@dataclass(frozen=True)
class Preferences:
    """Units, theme ("light", "dark", "auto") and the name that acknowledgements carry."""

    system: System
    theme: str
    name: str


def preferences(cookies: Mapping[str, str], default_system: System) -> Preferences:
    """Preferences from cookies; what is missing or nonsense falls back to the default."""
    chosen = cookies.get(SYSTEM_COOKIE, "")
    theme = cookies.get(THEME_COOKIE, "auto")
    return Preferences(
        system=System(chosen) if chosen in set(System) else default_system,
        theme=theme if theme in DARK else "auto",
        name=clean_name(unquote(cookies.get(NAME_COOKIE, ""))),
    )


def clean_name(name: str) -> str:
    """A person's name as it may be stored: one line, printable, of limited length."""
    return " ".join("".join(char if char.isprintable() else " " for char in name).split())[:MAX_NAME_CHARS]
