"""The commands `dewline units ...`: look at the register and change it, by the same door as a fleet file."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import msgspec

from dewline.console import Terminal
from dewline.settings import Loaded
from ingest.database import open_database
from ingest.fleet_file import COLUMNS, FleetFileError
from ingest.listener import unix_ms
from ingest.profile import UnitProfile
from ingest.register import Register, read_fleet_csv

LISTED = ("unit", "label", "yard", "customer", "rated_cfm", "hydraulic_gpm", "max_pressure_kpa", "tz")


class UnknownUnit(KeyError):  # noqa: N818 - read as a sentence where it is caught
    """No unit has this id."""

    def __init__(self, unit_id: str, known: list[str]) -> None:
        super().__init__(unit_id)
        self.unit_id, self.known = unit_id, known

    def __str__(self) -> str:
        shown = ", ".join(self.known[:8]) + (", ..." if len(self.known) > 8 else "")
        return f"no unit {self.unit_id!r} is known" + (f"; there are {shown}" if self.known else "")


@contextmanager
def opened_register(loaded: Loaded) -> Iterator[Register]:
    """The register of a home."""
    loaded.make_home()
    database = open_database(loaded.database_url)
    try:
        yield Register(database)
    finally:
        database.dispose()


def list_units(loaded: Loaded, terminal: Terminal) -> None:
    """A table of every unit."""
    with opened_register(loaded) as register:
        profiles = register.all()
    columns = (*LISTED, "provisional")
    rows = [
        [
            *(str(getattr(profile, COLUMNS[name].field)) for name in LISTED),
            "yes" if profile.provisional else "",
        ]
        for profile in profiles
    ]
    terminal.table(columns, rows)


def show_unit(loaded: Loaded, unit_id: str, terminal: Terminal) -> None:
    """One profile as JSON. Raises UnknownUnit."""
    with opened_register(loaded) as register:
        profile = register.get(unit_id)
        if profile is None:
            raise UnknownUnit(unit_id, [known.unit_id for known in register.all()])
    terminal.result(msgspec.json.format(msgspec.json.encode(profile)).decode())


def import_units(loaded: Loaded, path: Path, terminal: Terminal) -> None:
    """Register the units of a fleet file, touching only the columns it has.

    Raises FleetFileError with every fault of it.
    """
    if not path.exists():
        # Before a home is made for it.
        raise FleetFileError(path, [f"no such file: {path}"])
    with opened_register(loaded) as register:
        known = {profile.unit_id: profile for profile in register.all()}
        profiles = read_fleet_csv(path, known)
        register.put_many(profiles, unix_ms())
    terminal.say(f"{path}: {_differences(profiles, known)}")


def _differences(profiles: list[UnitProfile], known: dict[str, UnitProfile]) -> str:
    """Such as ``2 new, 1 changed (rated_cfm), 4 unchanged``."""
    before = [(known[profile.unit_id], profile) for profile in profiles if profile.unit_id in known]
    fields = UnitProfile.__struct_fields__
    changed = [
        name for name in fields if any(getattr(old, name) != getattr(new, name) for old, new in before)
    ]
    n_changed = sum(old != new for old, new in before)
    said = [
        (len(profiles) - len(before), "new"),
        (n_changed, f"changed ({', '.join(changed)})"),
        (len(before) - n_changed, "unchanged"),
    ]
    return ", ".join(f"{n} {what}" for n, what in said if n)


def set_unit(loaded: Loaded, unit_id: str, assignments: list[str], terminal: Terminal) -> None:
    """Change columns of one profile. Raises FleetFileError with every wrong assignment."""
    values = _values(unit_id, assignments)
    with opened_register(loaded) as register:
        profile = register.get(unit_id) or UnitProfile(unit_id=unit_id)
        register.put(msgspec.structs.replace(profile, provisional=False, **values), unix_ms())
    terminal.say(f"unit {unit_id}: {', '.join(assignments)}")


def _values(unit_id: str, assignments: list[str]) -> dict[str, Any]:
    faults: list[str] = []
    values: dict[str, Any] = {}
    for name, text in [("unit", unit_id), *_pairs(assignments, faults)]:
        if name not in COLUMNS:
            faults.append(f"there is no column {name!r}, expected one of {', '.join(COLUMNS)}")
            continue
        try:
            values[COLUMNS[name].field] = COLUMNS[name].parse(text)
        except ValueError as error:
            faults.append(f"{name} is {text!r}, {error}")
    if faults:
        raise FleetFileError(Path("command line"), faults)
    return values


def _pairs(assignments: list[str], faults: list[str]) -> list[tuple[str, str]]:
    pairs = []
    for assignment in assignments:
        name, equals, text = assignment.partition("=")
        if equals:
            pairs.append((name.strip(), text.strip()))
        else:
            faults.append(f"{assignment!r}: expected COLUMN=VALUE")
    return pairs
