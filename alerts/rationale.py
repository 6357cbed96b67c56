"""What an alarm tells: cause, consequence, response, time to respond, cautions, as data in `rationale.toml`.

Called alarm rationalization in IEC 62682 and ISA-18.2: an alarm without a response a person can carry out
is not an alarm.
"""

from __future__ import annotations

import datetime as dt
import functools
import tomllib
from collections.abc import Mapping
from importlib import resources

import msgspec

from alerts.alarm import Priority
from models.records import Pattern


class Rationale(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The entry of one pattern."""

    title: str
    action: str
    """What to do, short enough for a subject line."""
    priority: Priority
    time_to_respond_h: float
    on_delay_min: float
    """A condition that ends sooner raises nothing. [min]"""
    off_delay_min: float
    """The condition must be gone for so long before the alarm returns to normal. [min]"""
    cause: str
    consequence: str
    response: tuple[str, ...]
    cautions: tuple[str, ...]
    """Those shown with every alarm first, then the pattern's own."""

    @property
    def time_to_respond(self) -> dt.timedelta:
        """From when the alarm comes up."""
        return dt.timedelta(hours=self.time_to_respond_h)

    @property
    def on_delay(self) -> dt.timedelta:
        """How long the condition must stand before it raises an alarm."""
        return dt.timedelta(minutes=self.on_delay_min)

    @property
    def off_delay(self) -> dt.timedelta:
        """How long the condition must be gone before the alarm returns to normal."""
        return dt.timedelta(minutes=self.off_delay_min)


class RationaleError(ValueError):
    """The rationale file does not describe every pattern as it should."""


def parse_rationales(text: str) -> dict[Pattern, Rationale]:
    """Entries by pattern from TOML text.

    Raises
    ------
    RationaleError
        If a pattern has no entry, an entry no pattern, or a field is missing or of the wrong type.
    """
    tables = tomllib.loads(text)
    always = tables.pop("cautions", {}).get("always", [])
    if not always:
        raise RationaleError("[cautions] always: expected the cautions shown with every alarm, found none")
    if unknown := set(tables) - set(Pattern):
        raise RationaleError(f"entries for no known pattern: {sorted(unknown)!r}")
    if missing := set(Pattern) - set(tables):
        raise RationaleError(f"patterns without an entry: {sorted(one.value for one in missing)!r}")
    return {Pattern(name): _entry(name, table, always) for name, table in tables.items()}


@functools.cache
def rationales() -> Mapping[Pattern, Rationale]:
    """The entries shipped with the program."""
    return parse_rationales(resources.files("alerts").joinpath("rationale.toml").read_text("utf-8"))


def _entry(name: str, table: dict[str, object], always: list[str]) -> Rationale:
    own = table.get("cautions", [])
    if not isinstance(own, list):
        raise RationaleError(f"[{name}] cautions: expected a list of texts, found {own!r}")
    try:
        return msgspec.convert({**table, "cautions": [*always, *own]}, Rationale)
    except msgspec.ValidationError as error:
        raise RationaleError(f"[{name}] {error}") from error
