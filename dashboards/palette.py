"""Colours of charts in both themes; the same as in ``static/board.css``. Pure data.

Chosen to stay apart for every common kind of colour blindness (blue against orange, never red against
green) and to reach a contrast of 3:1 against the surface for marks and 4.5:1 for text (WCAG 2.2).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class Palette:
    """One theme."""

    surface: str
    ink: str
    soft: str
    grid: str
    discharge: str
    required: str
    dew_point: str
    pressure: str
    doubted: str
    water: str
    band: str
    dried: str
    held: str
    added: str
    finding: str


LIGHT = Palette(
    surface="#ffffff",
    ink="#1c2427",
    soft="#525c61",
    grid="#e4e2db",
    discharge="#9c2318",
    required="#1c2427",
    dew_point="#1b6a86",
    pressure="#4d5a8c",
    doubted="#b06a00",
    water="#0b6076",
    band="#a9c4cc",
    dried="#1b6a86",
    held="#757b7e",
    added="#b06a00",
    finding="#9c2318",
)
DARK = Palette(
    surface="#1b2327",
    ink="#e6ebec",
    soft="#a6b2b7",
    grid="#2c373c",
    discharge="#ff9f93",
    required="#e6ebec",
    dew_point="#74c7da",
    pressure="#aab6e8",
    doubted="#f0a94a",
    water="#74c7da",
    band="#3f5a62",
    dried="#74c7da",
    held="#9aa5a9",
    added="#f0a94a",
    finding="#ff9f93",
)
